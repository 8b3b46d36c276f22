"""A robot that lies: its zero-velocity updates, the vertical that it feels, and whether somebody carries it."""

from __future__ import annotations

from math import cos, hypot, radians, sqrt

import numpy as np

from quadleg.dynamics.gravity import STANDARD_GRAVITY as GRAVITY
from quadleg.estimation.error_state_filter import YAW_BIAS, ErrorStateFilter
from quadleg.estimation.stance_feet import StanceFeet
from quadleg.geometry.rotations import rotation_matrix

REST_SPEED, SETTLING = 0.005, 0.01  # m/s, rad/s about the vertical: of a robot that lies still
TIPPED = radians(4.0)  # by so much a hand has turned a robot that lies, without that the gyro felt it; no source
CALM_TIME, CALM_SHARE = 0.3, 0.02  # s; a robot lies calmly that feels gravity within this share of it
CARRIED = 0.1  # rad/s: one that turns faster does not lie still
WALKING_SPEED = 0.3  # m/s: all that is known of the velocity without any leg or while it is carried
STATE_VELOCITY = [3, 4, 5]  # rows


class ZeroVelocity:
    """The updates of one robot that lies; `carried` is whether it is moved meanwhile."""

    def __init__(self, kalman: ErrorStateFilter, feet: StanceFeet) -> None:
        self._filter = kalman
        self._inertial = kalman.inertial
        self._feet = feet
        self.carried = False
        self._calm_for = 0.0  # s
        self._tipped_for = 0.0  # s for which it feels another vertical than it knows

    def level_if_tipped(self, imu: bool, dt: float) -> None:
        """Take the vertical that is felt where a hand, or the fall of a limp robot, has left another one."""
        felt, up = self._inertial.specific_force, rotation_matrix(self._inertial.quaternion)[2]
        size = hypot(*felt) if felt else 0.0
        calm = imu and abs(size / GRAVITY - 1.0) < CALM_SHARE
        tipped = calm and felt is not None and sum(a * b for a, b in zip(felt, up)) < size * cos(TIPPED)
        self._tipped_for = self._tipped_for + dt if tipped else 0.0
        if self._tipped_for > CALM_TIME:
            self._tipped_for = 0.0
            self._level()

    def rest(self, imu: bool, dt: float) -> None:
        """The robot is off, and lies still unless somebody carries it."""
        inertial, kalman = self._inertial, self._filter
        if inertial.specific_force and imu:
            turns = max(map(abs, inertial.angular_velocity)) if self._calm_for >= CALM_TIME else 0.0
            self.carried = turns > CARRIED
            if self._calm_for < CALM_TIME:
                felt = sqrt(sum(a * a for a in inertial.specific_force))
                self._calm_for = self._calm_for + dt if abs(felt / GRAVITY - 1.0) < CALM_SHARE else 0.0
                self._level()
            if not self.carried:
                # Limp legs settle slowly and evenly: averaging makes nothing better of it.
                kalman.correct([YAW_BIAS], np.array(inertial.angular_velocity[2:]), SETTLING)
                kalman.p[YAW_BIAS, YAW_BIAS] = max(kalman.p[YAW_BIAS, YAW_BIAS], SETTLING**2)
        self.slow(WALKING_SPEED if self.carried else REST_SPEED)

    def slow(self, speed: float) -> None:
        """The velocity is zero, with this standard deviation (m/s) along each axis."""
        self._filter.correct(STATE_VELOCITY, -np.array(self._inertial.velocity), speed)

    def _level(self) -> None:
        self._filter.level()
        self._feet.put_on_ground()
