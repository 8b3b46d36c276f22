"""Vectors of three numbers, as tuples: they are fast on the hot path and cannot be changed by accident."""

from __future__ import annotations

Vector = tuple[float, float, float]

ZERO_VECTOR: Vector = (0.0, 0.0, 0.0)
UP: Vector = (0.0, 0.0, 1.0)


def dot(a: Vector, b: Vector) -> float:
    """The scalar product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def cross(a: Vector, b: Vector) -> Vector:
    """The vector product."""
    return a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]


def difference(a: Vector, b: Vector) -> Vector:
    """`a` less `b`."""
    return a[0] - b[0], a[1] - b[1], a[2] - b[2]
