"""How far the body is moved from its standing pose by a person who poses it."""

from __future__ import annotations

from collections.abc import Mapping

from quadleg.geometry.transforms import Pose
from quadleg.teleop.control_mapping import BODY

# m and rad of a stick pushed all the way, in the order of BODY.
RANGE = dict(zip(BODY, (0.025, 0.025, 0.03, 0.175, 0.14, 0.175)))
FULL_RANGE_TIME = 1.0  # s from the standing pose to the end of any range


class BodyOffsets:
    """The offsets of the six axes of BODY, which follow what is wanted with limited speed.

    So the body moves no longer than the person holds the dead-man, and a released stick leads it back gently.
    """

    def __init__(self, standing_height: float, ranges: Mapping[str, float]) -> None:
        self._height = standing_height
        self._ranges = dict(ranges)
        self.shares = dict.fromkeys(BODY, 0.0)

    def follow(self, wanted: Mapping[str, float], dt: float) -> Pose:
        """Goes on for dt (s) towards the wanted shares (-1 to 1) of the axes named; the body's pose then."""
        step = dt / FULL_RANGE_TIME
        for axis, share in wanted.items():
            now = self.shares[axis]
            self.shares[axis] = now + max(-step, min(step, share - now))
        return self.pose

    @property
    def pose(self) -> Pose:
        """base_link in base_footprint."""
        x, y, z, roll, pitch, yaw = (self.shares[axis] * self._ranges[axis] for axis in BODY)
        return Pose.from_rpy(x, y, self._height + z, roll, pitch, yaw)

    def forget(self) -> None:
        """Back to the standing pose at once, for a robot that has no power."""
        self.shares = dict.fromkeys(BODY, 0.0)
