"""The prediction step: the body up to the control tick by the IMU's samples, and across their gaps without them."""

from __future__ import annotations

import numpy as np

from quadleg.dynamics.gravity import STANDARD_GRAVITY as GRAVITY
from quadleg.estimation.attitude import GAP
from quadleg.estimation.error_state_filter import ErrorStateFilter
from quadleg.geometry.rotations import rotation_matrix
from quadleg.geometry.vectors import ZERO_VECTOR, Vector
from quadleg.robot.model import RobotModel

JUMP = 0.5  # s from one tick to the next: what happened between them is unknown


class InertialPrediction:
    """Two clocks kept together: `elapsed`, s of the ticks (`period` s apart), and the IMU's samples.

    `force` is the mean force of the ground on all feet in the last tick, (3,) N in base_link.
    """

    def __init__(self, robot: RobotModel, kalman: ErrorStateFilter, period: float) -> None:
        self._mass = robot.masses.total
        self._filter = kalman
        self._inertial = kalman.inertial
        self._period = period
        self.force = np.array([0.0, 0.0, self._mass * GRAVITY])
        self.elapsed = self._integrated = 0.0
        self._arrived = self._heard = 0.0  # s of the ticks, when there was a sample, and one of use
        self._skipped = 0

    @property
    def imu(self) -> bool:
        """Whether there is an IMU: that a sample of use has come lately."""
        return self.elapsed - self._heard <= GAP

    @property
    def refused(self) -> int:
        """How many samples of the IMU were of no use."""
        return self._inertial.refused + self._inertial.jumps + self._skipped

    @property
    def step_too_long(self) -> float:
        """The time from one sample to the next in s where it is too long, else 0."""
        step = self._inertial.step
        return step if GAP < step < JUMP and self.elapsed - self._arrived < 2 * step else 0.0

    def take(self, time: float, gyro: Vector, acceleration: Vector) -> None:
        """One sample of the IMU: see `Estimator.imu`."""
        if self._inertial.integrated - self.elapsed > 2 * self._period:
            self._skipped += 1  # its clock is fast, or the tick it belongs to did without
            self._inertial.skip(time)
            return
        self._arrived = self.elapsed
        self._inertial.take(time, gyro, acceleration)

    def predict(self, turn_rate: float, jumped: bool) -> float:
        """Go on to the tick: by samples, and without them as it went, or, after a while, evenly; how far in s.

        `turn_rate` (rad/s about the body's z) stands in for a gyro. `jumped`: the tick's time did.
        """
        inertial = self._inertial
        measured = inertial.integrated - self._integrated
        if measured > 0.0:
            self._heard = self.elapsed
        behind = self.elapsed - inertial.integrated
        blind = 0.0
        if jumped:
            inertial.integrated, inertial.extrapolated = self.elapsed, 0.0
        elif behind > 1.5 * self._period:
            blind = behind
            felt = inertial.specific_force
            if not self.imu or felt is None:
                inertial.angular_velocity = (0.0, 0.0, turn_rate)
                up = rotation_matrix(inertial.quaternion)[2]
                felt = GRAVITY * up[0], GRAVITY * up[1], GRAVITY * up[2]
            inertial.go(blind, inertial.angular_velocity, felt)
            # Samples of this time may still come, as far back as the last one that came.
            since = max(self.elapsed - self._period - self._arrived, 0.0)
            inertial.extrapolated = min(inertial.extrapolated + blind, since)
        if measured + blind > 0.0:
            self.force = (self._mass / (measured + blind)) * np.array(inertial.velocity_increment)
        self._integrated = inertial.integrated
        interpolated = min(inertial.interpolated, measured)
        inertial.velocity_increment, inertial.interpolated = ZERO_VECTOR, 0.0
        self._filter.predict(measured - interpolated, interpolated, blind)
        return measured + blind
