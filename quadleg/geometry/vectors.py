"""Vectors of three numbers, as tuples: they are fast on the hot path and cannot be changed by accident."""

from __future__ import annotations

Vector = tuple[float, float, float]

ZERO_VECTOR: Vector = (0.0, 0.0, 0.0)
