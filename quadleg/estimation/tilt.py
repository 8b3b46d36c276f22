"""Tilt of the body: the angle between its z axis and the vertical, by an IMU (REP-145)."""

from __future__ import annotations

from math import acos, exp, hypot, inf, isfinite

from quadleg.geometry.rotations import Quaternion
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import ZERO_VECTOR, Vector
from quadleg.robot.model import RobotModel

IMU_FRAME = "imu_link"
FILTER_TIME = 0.5  # s: averages the jolts of several steps (common practice, no source)


class Tilt:
    """The tilt of one robot's body, by the IMU at the robot file's frame `imu_link`.

    Without such a frame in the file, the IMU's axes are the body's. `up` is the vertical in the body's axes,
    a unit vector, None before it is known. `refused` counts messages without a direction: numbers that are not
    finite, a zero quaternion, no acceleration.
    """

    def __init__(self, robot: RobotModel) -> None:
        turn = next((frame.rpy for frame in robot.frames if frame.name == IMU_FRAME), ZERO_VECTOR)
        self._to_body = Pose.from_rpy(*ZERO_VECTOR, *turn).matrix
        self.up: Vector | None = None
        self._smooth = ZERO_VECTOR
        self._smoothed_at = -inf
        self.refused = 0

    def from_orientation(self, quaternion: Quaternion) -> float | None:
        """Return the tilt in rad, 0 to π, for an IMU attitude (w, x, y, z) in the world. None: refused."""
        try:
            up = Pose(ZERO_VECTOR, quaternion).matrix[2]  # the ground's z in the IMU's axes
        except ValueError:
            self.refused += 1
            return None
        return self._angle_to(up)

    def from_acceleration(self, acceleration: Vector, now: float) -> float | None:
        """Return the tilt in rad by the low-passed acceleration (m/s² in the IMU's axes), which at rest points up.

        `now` is in s of a steady clock. None: refused.
        """
        if not isfinite(sum(acceleration)):
            self.refused += 1
            return None
        kept = exp((self._smoothed_at - now) / FILTER_TIME)  # first-order low-pass; nothing is kept the first time
        x, y, z = [a + kept * (s - a) for s, a in zip(self._smooth, acceleration)]
        self._smooth, self._smoothed_at = (x, y, z), now
        if hypot(x, y, z) < 1e-3:
            self.refused += 1
            return None
        return self._angle_to(self._smooth)

    def _angle_to(self, up: Vector) -> float:
        x, y, z = up
        length = hypot(x, y, z)
        x, y, z = [(rx * x + ry * y + rz * z) / length for rx, ry, rz in self._to_body]
        self.up = (x, y, z)
        return acos(max(-1.0, min(1.0, z)))
