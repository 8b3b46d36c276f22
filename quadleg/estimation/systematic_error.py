"""Systematic errors of odometry: feet that creep in one direction, and a heading that is not measured.

The filter's noise is white, so that it grows with the root of the distance; these errors grow with the distance itself.
"""

from __future__ import annotations

from math import hypot

import numpy as np
from numpy.typing import NDArray

from quadleg.estimation.error_state_filter import POSITION, VELOCITY
from quadleg.geometry.vectors import Vector

HEIGHT_TOO = np.array([1.0, 1.0, 9.0])  # variances: loaded legs give way, so the height creeps three times as much
# Without an IMU to notice slip and tilt: share of the distance, and rad/s about the vertical.
BLIND_CREEP, BLIND_TURN = 0.08, 0.05
UNKNOWN_SLOPE = 0.05  # rad: without an IMU the slope of the ground is unknown, however long the robot stands on it


class SystematicError:
    """Accumulated standard deviations of place (m) and heading (rad); `creep` is a share of the distance."""

    def __init__(self, creep: float) -> None:
        self.creep = creep
        self._place = self._heading = 0.0

    def grow(self, dt: float, velocity: Vector, imu: bool, up: bool) -> None:
        """Advance by `dt` s at a velocity (m/s); `imu`: there is one, `up`: the robot is on its feet."""
        creep = self.creep
        if not imu:
            creep = max(creep, BLIND_CREEP)
            if up:
                self._heading += BLIND_TURN * dt
        self._place += (creep + self._heading) * dt * hypot(*velocity[:2])

    def add_to(self, covariance: NDArray[np.float64], velocity: Vector, imu: bool) -> None:
        """Add the systematic error to the covariance of an estimate."""
        variances = np.einsum("ii->i", covariance)
        variances[POSITION] += self._place**2 * HEIGHT_TOO
        variances[2] += self._heading**2
        if not imu:
            variances[:2] += UNKNOWN_SLOPE**2
        variances[VELOCITY] += (self.creep * hypot(*velocity[:2])) ** 2
