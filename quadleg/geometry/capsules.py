"""Capsules: segments with a radius, that fill a box, and how far segments are from each other."""

from __future__ import annotations

from math import ceil

import numpy as np

from quadleg.geometry.arrays import Array
from quadleg.geometry.vectors import Vector


def capsules_in_box(size: Vector, centre: Vector) -> tuple[Array, float]:
    """Axes (m, 2, 3) and radius of equal capsules along x, side by side, that fill a box; all in m."""
    length, *across = size
    radius = min(across) / 2
    wide = int(across[1] > across[0])  # 0: side by side along y, 1: along z
    reach = across[wide] / 2 - radius
    places = np.linspace(-reach, reach, 1 + ceil(2 * reach / radius - 1e-9))
    axes = np.zeros((len(places), 2, 3))
    axes[:, :, 0] = np.array([-1, 1]) * max(length / 2 - radius, 0.0)
    axes[:, :, 1 + wide] = places[:, None]
    return axes + centre, radius


def segment_distances(first: Array, second: Array) -> Array:
    """Distances (...) between segments (..., 2, 3): Ericson, Real-Time Collision Detection (2005), 5.1.9."""
    along1, along2 = first[..., 1, :] - first[..., 0, :], second[..., 1, :] - second[..., 0, :]
    between = first[..., 0, :] - second[..., 0, :]
    tiny = 1e-18  # m²: a segment of no length keeps its only point
    square1, square2 = _dot(along1, along1) + tiny, _dot(along2, along2) + tiny
    mixed, ahead1, ahead2 = _dot(along1, along2), _dot(along1, between), _dot(along2, between)
    # Of parallel lines any two points abreast will do; the later clamps find the ends.
    spread = np.maximum(square1 * square2 - mixed * mixed, 1e-12 * square1 * square2)
    s = ((mixed * ahead2 - ahead1 * square2) / spread).clip(0.0, 1.0)
    t = ((mixed * s + ahead2) / square2).clip(0.0, 1.0)
    s = ((mixed * t - ahead1) / square1).clip(0.0, 1.0)
    apart = between + s[..., None] * along1 - t[..., None] * along2
    return np.sqrt(_dot(apart, apart))


def _dot(a: Array, b: Array) -> Array:
    return np.einsum("...i,...i->...", a, b)
