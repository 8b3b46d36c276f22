"""A lying robot: zero-velocity updates, levelling by gravity, and whether it is carried."""

from __future__ import annotations

from math import cos, hypot, radians, sqrt

import numpy as np

from quadleg.estimation.error_state_filter import GYRO_BIAS, ErrorStateFilter
from quadleg.estimation.stance_feet import StanceFeet
from quadleg.estimation.stillness import WINDOW, StillnessTest
from quadleg.geometry.rotations import rotation_matrix

REST_SPEED = 0.005  # m/s: standard deviation of the velocity of a lying robot
# Gravity off by more than this: someone turned the resting robot and the gyro missed it (our own choice).
MOVED_BY_HAND = radians(4.0)
WALKING_SPEED = 0.3  # m/s: standard deviation of the velocity without any known leg or while carried
STATE_VELOCITY = [3, 4, 5]  # rows


class ZeroVelocity:
    """Zero-velocity updates of one lying robot; `carried`: it is being moved."""

    def __init__(self, kalman: ErrorStateFilter, feet: StanceFeet, stillness: StillnessTest) -> None:
        self._filter = kalman
        self._inertial = kalman.inertial
        self._feet = feet
        self._stillness = stillness
        self.carried = False
        self._levelled = False

    def level_if_tipped(self, imu: bool) -> None:
        """Level by the accelerometer if a person, or the fall of a limp robot, left another attitude."""
        felt, up = self._inertial.specific_force, rotation_matrix(self._inertial.quaternion)[2]
        if not (imu and felt and self._stillness.still and self._stillness.felt):
            return
        if sum(a * b for a, b in zip(felt, up)) < hypot(*felt) * cos(MOVED_BY_HAND):
            self._level()

    def rest(self, imu: bool, dt: float) -> None:
        """Update a robot that is off: while it lies still, its gyro measures its bias."""
        inertial, stillness = self._inertial, self._stillness
        self.carried = False
        if inertial.specific_force and imu:
            still = stillness.still and stillness.felt
            if not self._levelled:
                self._level()
                self._levelled = still
            else:
                self.carried = not still
            if still:
                turn, seconds = (stillness.turn, WINDOW) if stillness.begins else (stillness.last_turn, dt)
                off = np.array(turn) - np.array(inertial.gyro_bias)
                rows = range(GYRO_BIAS.start, GYRO_BIAS.stop)
                self._filter.correct(list(rows), off, self._filter.gyro_noise / sqrt(seconds))
        self.slow(WALKING_SPEED if self.carried else REST_SPEED)

    def slow(self, speed: float) -> None:
        """Correct by zero velocity, with this standard deviation (m/s) along each axis."""
        self._filter.correct(STATE_VELOCITY, -np.array(self._inertial.velocity), speed)

    def _level(self) -> None:
        self._filter.level()
        self._feet.put_on_ground()
