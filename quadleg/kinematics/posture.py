"""The body over its feet: it follows a target pose with limited speed, as far as legs and body let it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from quadleg.errors import Unreachable
from quadleg.geometry.registration import fit_pose
from quadleg.geometry.rotations import quaternion_product
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector
from quadleg.kinematics.approach import Approach
from quadleg.kinematics.body_codes import PoseLimit
from quadleg.kinematics.body_pose import all_forward, feet_in_base, legs_inverse
from quadleg.kinematics.clearance import Clearance
from quadleg.kinematics.ground_clearance import GroundClearance
from quadleg.robot.model import Angles, RobotModel

SPEED, TURN_SPEED = 0.06, 0.6  # m/s, rad/s
ACCELERATION_TIME = 0.3  # s from rest to full speed
AXES = ("x", "y", "height", "roll", "pitch", "yaw")
_LITTLE = (*[0.0005] * 3, *[0.005] * 3)  # m, rad: a smaller shortfall is not told


@dataclass(frozen=True)
class PoseStop:
    """What stops the body: the limit, the joint or the links that are at it, and figures for its sentence by name."""

    limit: PoseLimit
    parts: tuple[str, ...]
    figures: Mapping[str, str]


class Posture:
    """One robot's body, at first in the resting pose. `stop` is what ended the way to the last target, or None.

    The body has then come as near as each axis alone can, and is `short_of` the target in some of `AXES`. `over_feet`
    is the pose of base_link in base_footprint that the feet are led for: `pose` with the plan's shift.
    `speed` is in m/s, `turn_speed` in rad/s and `acceleration_time` in s, as of `Approach`.
    """

    def __init__(
        self,
        robot: RobotModel,
        speed: float = SPEED,
        turn_speed: float = TURN_SPEED,
        acceleration_time: float = ACCELERATION_TIME,
    ) -> None:
        self._robot = robot
        self._rest = Pose.from_rpy(0.0, 0.0, robot.resting.height, 0.0, 0.0, 0.0)
        self._resting_feet = feet_in_base(self._rest, robot.resting.feet)
        self._approach = Approach(self._rest, speed, turn_speed, acceleration_time)
        self._clearance = Clearance(robot)
        self._ground = GroundClearance(robot)
        self.stop: PoseStop | None = None
        self.short_of: tuple[str, ...] = ()
        self.rest()

    @property
    def pose(self) -> Pose:
        """Of base_link in base_footprint, without the plan's shift."""
        return self._approach.pose

    def rest(self) -> None:
        """Be in the resting pose."""
        self._approach.reset(self._rest)
        self.over_feet = self._rest
        self.led_feet: tuple[Vector, ...] = self._resting_feet

    def lead(self, angles: Angles, planned: Sequence[Vector]) -> None:
        """Be where the watchdog has led the joints (rad), over the planned feet (m, in base_footprint).

        `led_feet` are then the feet in base_link, in m.
        """
        self.led_feet = all_forward(self._robot, angles)
        self.over_feet = fit_pose(self.led_feet, planned)
        self._approach.reset(self.over_feet)

    def step(self, target: Pose, planned: Sequence[Vector], shift: Pose, period: float) -> tuple[Vector, ...]:
        """The feet in base_link (m) `period` s later, with the body on its way to a target over the planned feet.

        Target, feet and `shift`, by which the plan moves the body besides, are in base_footprint.
        """

        def stop_at(pose: Pose) -> PoseStop | None:
            return self._what_stops(_shifted(pose, shift), planned)

        stops: list[PoseStop] = []

        def reachable(pose: Pose) -> bool:
            stop = stop_at(pose)
            # Feet and shift go on without the body. One that they have brought out of reach may come back.
            if stop is None or (stop_at(self.pose) and not stop_at(target)):
                return True
            stops.append(stop)
            return False

        self._approach.step(target, period, reachable)
        # The first is what stops all axes together.
        stuck = self._approach.stuck and bool(stops)
        self.stop, self.short_of = (stops[0], self._short_of(target)) if stuck else (None, ())
        self.over_feet = _shifted(self._approach.pose, shift)
        return feet_in_base(self.over_feet, planned)

    def _short_of(self, target: Pose) -> tuple[str, ...]:
        left = self._approach.left(target)
        return tuple(axis for axis, way, little in zip(AXES, left, _LITTLE) if abs(way) > little)

    def _what_stops(self, pose: Pose, feet: Sequence[Vector]) -> PoseStop | None:
        try:
            angles = legs_inverse(self._robot, pose, feet)
        except Unreachable as error:
            figures = {"leg": error.leg, "limit": error.limit}
            return PoseStop(PoseLimit.JOINT, (f"{error.leg}_{error.joint}",), figures)
        if sunk := self._ground.sunk(pose, angles):
            return PoseStop(PoseLimit.GROUND, (sunk.link,), {"part": str(sunk)})
        for gap in self._clearance.gaps_below(angles, self._robot.clearance):
            part, other = gap.parts
            figures = {"part": part, "other": other, "distance_mm": f"{1000 * gap.distance:.1f}"}
            return PoseStop(PoseLimit.PARTS, gap.parts, figures)
        return None


def _shifted(pose: Pose, shift: Pose) -> Pose:
    """A pose with the plan's shift, which is one in base_footprint however the body is turned."""
    (x, y, z), (dx, dy, dz) = pose.position, shift.position
    return Pose((x + dx, y + dy, z + dz), quaternion_product(shift.quaternion, pose.quaternion))
