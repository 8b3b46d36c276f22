"""Detection of a diverged estimate, and its reset."""

from __future__ import annotations

from math import hypot, sqrt

import numpy as np

from quadleg.dynamics.gravity import STANDARD_GRAVITY as GRAVITY
from quadleg.estimation.error_state_filter import (
    ACCELERATION_BIAS,
    FIRST_ACCELERATION_BIAS,
    OUTLIER_GATE,
    POSITION,
    VELOCITY,
    ErrorStateFilter,
)
from quadleg.estimation.zero_velocity import REST_SPEED, WALKING_SPEED
from quadleg.geometry.rotations import Quaternion
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import ZERO_VECTOR
from quadleg.robot.model import RobotModel

UPRIGHT: Quaternion = (1.0, 0.0, 0.0, 0.0)
LOST_TIME = 0.3  # s for which an estimate is implausible until it is reset: single strides may be bad (our own choice)


class Credibility:
    """Plausibility of one robot's estimated velocity: zero for a still body, and never above the speed of the legs plus
    that of a fall from standing height.

    `speed` is that of the last estimate that was discarded, in m/s.
    """

    def __init__(self, robot: RobotModel, kalman: ErrorStateFilter) -> None:
        self._filter = kalman
        self._inertial = kalman.inertial
        legs = max(
            max(robot.no_load_speed(joint) for joint in robot.joints) * (leg.upper_length + leg.lower_length)
            for leg in robot.legs
        )
        self._fastest = legs + sqrt(2 * GRAVITY * robot.standing.height)
        self._for = 0.0  # s for which it has been implausible
        self._place, self._quaternion, self._variance, self._since = ZERO_VECTOR, UPRIGHT, 0.0, 0.0
        self.speed = 0.0

    def lost(self, still: bool, good: bool, dt: float) -> bool:
        """Advance by `dt` s; return whether the estimate has been implausible for LOST_TIME.

        `still`: the body does not move. `good`: feet or a zero-velocity update have corrected the estimate.
        """
        self._since += dt
        speed = hypot(*self._inertial.velocity)
        nonsense = speed > self._fastest or (still and speed**2 > OUTLIER_GATE * self._speed_variance())
        self._for = self._for + dt if nonsense else 0.0
        if good and not nonsense:
            self._keep()
        if self._for <= LOST_TIME:
            return False
        self._for, self.speed = 0.0, speed
        return True

    def begin_anew(self) -> None:
        """Reset to the last good place and heading, and to the vertical by the accelerometer."""
        inertial, kalman = self._inertial, self._filter
        inertial.gyro_bias = inertial.acceleration_bias = ZERO_VECTOR
        kalman.level(Pose(ZERO_VECTOR, self._quaternion).yaw)
        kalman.p[VELOCITY, VELOCITY] = WALKING_SPEED**2 * np.eye(3)
        kalman.p[ACCELERATION_BIAS, ACCELERATION_BIAS] = FIRST_ACCELERATION_BIAS**2 * np.eye(3)
        kalman.reset_place(self._place, sqrt(self._variance) + WALKING_SPEED * self._since)

    def _keep(self) -> None:
        inertial = self._inertial
        self._place, self._quaternion, self._since = inertial.place, inertial.quaternion, 0.0
        self._variance = float(self._filter.p[POSITION.start, POSITION.start])

    def _speed_variance(self) -> float:
        return float(self._filter.p[VELOCITY, VELOCITY].diagonal().max()) + REST_SPEED**2
