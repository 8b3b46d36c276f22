"""How far the body is tipped: the angle between its z axis and the vertical, from what an IMU says (REP-145)."""

from __future__ import annotations

from math import acos, exp, hypot, inf, isfinite

from quadleg.geometry.rotations import Quaternion
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import ZERO_VECTOR, Vector
from quadleg.robot.model import RobotModel

IMU_FRAME = "imu_link"
FILTER_TIME = 0.5  # s: several steps' worth of jolts (common practice, no source)


class Tilt:
    """The tilt of one robot's body, by the IMU at the robot file's frame `imu_link`.

    Where the file has no such frame, the IMU's axes are taken for the body's. `up` is the vertical in the body's axes,
    a unit vector, None before it is known. `refused` counts what said nothing of a direction: numbers that are not
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
        """The tilt in rad, 0 to π, with the IMU turned so against the ground: (w, x, y, z). None: refused."""
        try:
            up = Pose(ZERO_VECTOR, quaternion).matrix[2]  # the ground's z in the IMU's axes
        except ValueError:
            self.refused += 1
            return None
        return self._angle_to(up)

    def from_acceleration(self, acceleration: Vector, now: float) -> float | None:
        """The tilt in rad by the low-passed acceleration (m/s² in the IMU's axes), which at rest points up.

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
