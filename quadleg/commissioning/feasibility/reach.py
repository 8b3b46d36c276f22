"""How far the body and the feet can go, and what stops them.

The body is moved by the module that base_motion moves it with, so what stops it here stops it there.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import degrees, radians

import numpy as np

from quadleg.commissioning.feasibility.verdict import Verdict, judged
from quadleg.errors import Unreachable
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector
from quadleg.kinematics import leg as kinematics
from quadleg.kinematics.body_codes import PoseLimit
from quadleg.kinematics.body_pose import feet_in_base, stance_angles
from quadleg.kinematics.clearance import Clearance
from quadleg.kinematics.ground_clearance import ROUNDING, GroundClearance
from quadleg.kinematics.leg import inverse_batch
from quadleg.kinematics.posture import AXES as POSE_AXES
from quadleg.kinematics.posture import PoseStop, Posture
from quadleg.robot.model import LEGS, RobotModel
from quadleg.safety.motion_sentences import POSE_STOPS

AXES = ("x", "y", "z", "roll", "pitch", "yaw")

_NOT_SHIFTED = Pose((0.0, 0.0, 0.0))
_STEP, _TURN = 0.002, radians(1.0)  # of the body's way: what stops it is found to a thousandth of that
_FAR, _FAR_TURN = 1.0, radians(170)  # m, rad: beyond what any such robot does
_STEPS = np.arange(1, 301) / 1000  # m: the lengths of step that are tried

# Less is tight: our own choice, for robots of this size.
_FREE_HEIGHT, _FREE_SHIFT, _FREE_TURN, _FREE_STEP = 0.010, 0.010, radians(5), 0.030


@dataclass(frozen=True)
class Stop:
    """How far something goes (m or rad, with its sign), and what stops it there, in words."""

    value: float
    by: str


@dataclass(frozen=True)
class Reach:
    """`lowest` and `highest` are heights of base_link; `moves` is for each of `AXES` how far the body goes from its
    standing pose, to the negative and to the positive side. `ahead` and `sideways` are the longest steps in m that
    each foot can make about its place while the others stand.
    """

    standing: float
    lowest: Stop
    highest: Stop
    moves: dict[str, tuple[Stop, Stop]]
    ahead: Stop
    sideways: Stop

    @classmethod
    def of(cls, robot: RobotModel) -> Reach:
        """Of the standing pose."""
        moves = {axis: (_farthest(robot, i, -1), _farthest(robot, i, 1)) for i, axis in enumerate(AXES)}
        down, up = moves["z"]
        height = robot.standing.height
        return cls(
            standing=height,
            lowest=Stop(height + down.value, down.by),
            highest=Stop(height + up.value, up.by),
            moves=moves,
            ahead=_longest_step(robot, 0),
            sideways=_longest_step(robot, 1),
        )

    def verdicts(self) -> list[Verdict]:
        """What there is to say of it."""
        return [self._of_heights(), self._of_moves(), self._of_steps()]

    def _of_heights(self) -> Verdict:
        low, high = self.lowest, self.highest
        free = min(self.standing - low.value, high.value - self.standing)
        why = (
            f"stands at {_mm(low.value)} to {_mm(high.value)} mm, asked for {_mm(self.standing)}; "
            f"lowest stopped by {low.by}, highest by {high.by}"
        )
        cure = "move stance.standing_height_mm towards the middle of these"
        return judged("standing heights", free >= _FREE_HEIGHT, why, cure)

    def _of_moves(self) -> Verdict:
        free = all(
            min(-down.value, up.value) >= (_FREE_SHIFT if axis in "xyz" else _FREE_TURN)
            for axis, (down, up) in self.moves.items()
        )
        why = ", ".join(
            f"{axis} {shown(axis, down.value)} to {shown(axis, up.value)}" for axis, (down, up) in self.moves.items()
        )
        return judged("body moves", free, why, "see below what stops each, and widen that limit")

    def _of_steps(self) -> Verdict:
        free = min(self.ahead.value, self.sideways.value) >= _FREE_STEP
        why = (
            f"each foot alone: {_mm(self.ahead.value)} mm ahead, stopped by {self.ahead.by}; "
            f"{_mm(self.sideways.value)} mm sideways, stopped by {self.sideways.by}"
        )
        return judged("longest step", free, why, "widen those limits, or lower stance.standing_height_mm")


def shown(axis: str, value: float) -> str:
    """A move along or about an axis, for a person."""
    return f"{1000 * value:+.0f} mm" if axis in "xyz" else f"{degrees(value):+.0f}°"


def _mm(value: float) -> str:
    return f"{1000 * value:.0f}"


def _farthest(robot: RobotModel, axis: int, sign: int) -> Stop:
    """How far the standing body goes along or about one axis of `AXES`."""
    posture = Posture(robot, speed=_STEP, turn_speed=_TURN, acceleration_time=1e-6)
    feet = robot.standing.feet
    posture.lead(stance_angles(robot, robot.standing), feet)
    goal = [0.0, 0.0, robot.standing.height, 0.0, 0.0, 0.0]
    goal[axis] += sign * (_FAR if axis < 3 else _FAR_TURN)
    target = Pose.from_rpy(*goal)
    while posture.stop is None and posture.pose != target:
        posture.step(target, feet, _NOT_SHIFTED, 1.0)
    x, y, z = posture.pose.position
    return Stop((x, y, z - robot.standing.height, *posture.pose.rpy)[axis], _stop_in_words(posture.stop))


def _stop_in_words(stop: PoseStop | None) -> str:
    return POSE_STOPS[stop.limit].format_map(stop.figures) if stop else "nothing"


def _longest_step(robot: RobotModel, axis: int) -> Stop:
    """The longest step along x or y, from half of it behind its place to half of it ahead, of the leg least free."""
    ways = [_foot_goes(robot, leg, axis, sign) for leg in range(len(LEGS)) for sign in (-1, 1)]
    least = min(ways, key=lambda way: way.value)
    return Stop(2 * least.value, least.by)


def _foot_goes(robot: RobotModel, number: int, axis: int, sign: int) -> Stop:
    """How far one foot goes to one side on the ground while the others stand."""
    clearance, ground, height = Clearance(robot), GroundClearance(robot), robot.standing.height
    standing = stance_angles(robot, robot.standing)
    home = feet_in_base(Pose((0.0, 0.0, height)), robot.standing.feet)[number]
    places = np.tile(home, (len(_STEPS), 1))
    places[:, axis] += sign * _STEPS / 2
    angles = np.tile(standing, (len(_STEPS), 1))
    own = slice(3 * number, 3 * number + 3)
    angles[:, own], reached = inverse_batch(robot.legs[number], places)
    good = reached.copy()
    good[reached] = clearance.least_batch(angles[reached]) >= robot.clearance
    good[reached] &= ground.least_batch(angles[reached], height) >= -ROUNDING
    if good.all():
        return Stop(float(_STEPS[-1]) / 2, "nothing")
    first = int(np.argmin(good))
    went = float(_STEPS[first - 1]) / 2 if first else 0.0
    x, y, z = places[first].tolist()
    return Stop(went, _what_stops(robot, number, (x, y, z), clearance))


def _what_stops(robot: RobotModel, number: int, foot: Vector, clearance: Clearance) -> str:
    leg, angles = robot.legs[number], list(stance_angles(robot, robot.standing))
    try:
        angles[3 * number : 3 * number + 3] = kinematics.inverse(leg, foot)
    except Unreachable as error:
        return POSE_STOPS[PoseLimit.JOINT].format(leg=error.leg, limit=error.limit)
    if sunk := GroundClearance(robot).sunk(Pose((0.0, 0.0, robot.standing.height)), angles):
        return POSE_STOPS[PoseLimit.GROUND].format(part=sunk)
    gap = clearance.least(angles)
    part, other = gap.parts
    return POSE_STOPS[PoseLimit.PARTS].format(part=part, other=other, distance_mm=f"{1000 * gap.distance:.1f}")


def body_ranges(robot: RobotModel) -> dict[str, tuple[float, float]]:
    """How far the body goes along and about each axis of its pose, in m and rad, to whole mm and degrees."""
    reach = Reach.of(robot)
    ends = {axis: (down.value, up.value) for axis, (down, up) in reach.moves.items()}
    ends["height"] = (reach.lowest.value, reach.highest.value)
    units = {axis: radians(1) if axis in ("roll", "pitch", "yaw") else 0.001 for axis in POSE_AXES}
    return {axis: (-(-ends[axis][0] // unit) * unit, ends[axis][1] // unit * unit) for axis, unit in units.items()}
