"""Errors of odometry that do not average out: feet that creep all one way, and a heading that is not measured.

The filter's noise is white, so that it grows with the root of the distance; these errors grow with the distance itself.
"""

from __future__ import annotations

from math import hypot

import numpy as np
from numpy.typing import NDArray

from quadleg.estimation.error_state_filter import POSITION, VELOCITY
from quadleg.geometry.vectors import Vector

HEIGHT_TOO = np.array([1.0, 1.0, 9.0])  # feet sink as load comes on them: the height creeps three times as much
# Without an IMU, which would feel how feet slip and the body tips: of the distance, and rad/s about the vertical.
BLIND_CREEP, BLIND_TURN = 0.08, 0.05
UNKNOWN_SLOPE = 0.05  # rad: the slope of the ground is not measured then, however long the robot stands on it


class SystematicError:
    """Standard deviations of place (m) and heading (rad) that have added up; `creep` is the share of the distance."""

    def __init__(self, creep: float) -> None:
        self._creep = creep
        self._place = self._heading = 0.0

    def grow(self, dt: float, velocity: Vector, imu: bool, up: bool) -> None:
        """Go on for dt (s) at a velocity (m/s): with or without an `imu`, and `up` on its feet or not."""
        creep = self._creep
        if not imu:
            creep = max(creep, BLIND_CREEP)
            if up:
                self._heading += BLIND_TURN * dt
        self._place += (creep + self._heading) * dt * hypot(*velocity[:2])

    def add_to(self, covariance: NDArray[np.float64], velocity: Vector, imu: bool) -> None:
        """Add to the covariance of an estimate."""
        variances = np.einsum("ii->i", covariance)
        variances[POSITION] += self._place**2 * HEIGHT_TOO
        variances[2] += self._heading**2
        if not imu:
            variances[:2] += UNKNOWN_SLOPE**2
        variances[VELOCITY] += (self._creep * hypot(*velocity[:2])) ** 2
