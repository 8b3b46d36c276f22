"""Rigid motion in the plane: places and headings (x, y, yaw) in m and rad, twists (vx, vy, yaw rate) in m/s and rad/s.

A twist is that of the moving frame, seen from itself: Lynch & Park, Modern Robotics (2017), 3.2.
"""

from __future__ import annotations

from math import cos, sin, tan

import numpy as np

from quadleg.geometry.arrays import Array

Planar = tuple[float, float, float]

ZERO_TWIST: Planar = (0.0, 0.0, 0.0)
_STRAIGHT = 1e-9  # rad: of a smaller turn the chord is the arc


def motion(twist: Planar, seconds: float) -> Planar:
    """Where a frame that moves with a constant twist is after so many seconds, in the frame it started from."""
    vx, vy, rate = twist
    yaw = rate * seconds
    x, y = vx * seconds, vy * seconds
    half = yaw / 2
    # (1 - cos yaw) / yaw without its rounding error at small turns.
    along, across = (1.0, half) if abs(yaw) < _STRAIGHT else (sin(yaw) / yaw, sin(half) ** 2 / half)
    return x * along - y * across, x * across + y * along, yaw


def twist_to(place: Planar) -> Planar:
    """The constant twist that leads to a place and heading in 1 s: the inverse of `motion`, for less than a turn."""
    x, y, yaw = place
    half = yaw / 2
    stretched = 1.0 if abs(yaw) < _STRAIGHT else half / tan(half)
    return x * stretched + y * half, y * stretched - x * half, yaw


def compose_planar(a: Planar, b: Planar) -> Planar:
    """`b`, which is expressed in the frame `a`, in the frame that `a` is expressed in."""
    x, y = from_frame(a, b[0], b[1])
    return x, y, a[2] + b[2]


def from_frame(frame: Planar, x: float, y: float) -> tuple[float, float]:
    """A point given in `frame`, in the frame that `frame` is expressed in."""
    x0, y0, yaw = frame
    c, s = cos(yaw), sin(yaw)
    return x0 + c * x - s * y, y0 + s * x + c * y


def to_frame(frame: Planar, x: float, y: float) -> tuple[float, float]:
    """The inverse of `from_frame`."""
    x0, y0, yaw = frame
    c, s = cos(yaw), sin(yaw)
    x, y = x - x0, y - y0
    return c * x + s * y, c * y - s * x


def motions(twists: Array, seconds: Array) -> Array:
    """(..., 3): `motion` for twists (..., 3) and seconds (...)."""
    yaw = twists[..., 2] * seconds
    x, y = twists[..., 0] * seconds, twists[..., 1] * seconds
    straight = np.abs(yaw) < _STRAIGHT
    turn = np.where(straight, 1.0, yaw)
    along = np.where(straight, 1.0, np.sin(turn) / turn)
    across = np.where(straight, yaw / 2, np.sin(turn / 2) ** 2 / (turn / 2))
    return np.stack((x * along - y * across, x * across + y * along, yaw), axis=-1)


def from_frame_batch(frames: Array, points: Array) -> Array:
    """(..., 2): `from_frame` for frames (..., 3) and points (..., 2)."""
    c, s = np.cos(frames[..., 2]), np.sin(frames[..., 2])
    x, y = points[..., 0], points[..., 1]
    return np.stack((frames[..., 0] + c * x - s * y, frames[..., 1] + s * x + c * y), axis=-1)


def to_frame_batch(frames: Array, points: Array) -> Array:
    """(..., 2): `to_frame` for frames (..., 3) and points (..., 2)."""
    c, s = np.cos(frames[..., 2]), np.sin(frames[..., 2])
    x, y = points[..., 0] - frames[..., 0], points[..., 1] - frames[..., 1]
    return np.stack((c * x + s * y, c * y - s * x), axis=-1)
