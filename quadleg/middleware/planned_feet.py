"""The topic `planned_feet`: a tick of the gait's plan as a message, and what its readers take of it."""

from __future__ import annotations

from collections.abc import Sequence

from builtin_interfaces.msg import Time
from geometry_msgs.msg import Transform, Twist, Wrench
from sensor_msgs.msg import MultiDOFJointState

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.errors import TargetError
from quadleg.gait.planner import GaitPlan
from quadleg.geometry.planar import ZERO_TWIST
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector
from quadleg.middleware.topics import check_frame, finite_place, near_place, rotation_of
from quadleg.robot.model import LEGS, RobotModel

NAMES = (*LEGS, "base_link")
MOST_LOAD = 2.0  # weights of the robot on one foot: more than any gait plans, twice what a foot alone carries at rest


class PlannedFeetMessage:
    """One message of a robot's plan, in base_footprint, which is filled again and again."""

    def __init__(self, robot: RobotModel, prefix: str) -> None:
        self._weight = robot.masses.total * STANDARD_GRAVITY
        self._message = message = MultiDOFJointState(joint_names=list(NAMES))
        message.header.frame_id = prefix + "base_footprint"
        message.transforms = [Transform() for _ in NAMES]
        message.twist = [Twist() for _ in NAMES]
        message.wrench = [Wrench() for _ in NAMES]

    def fill(self, stamp: Time, plan: GaitPlan, shift: Pose) -> MultiDOFJointState:
        """The message with a plan and the body's `shift`."""
        message = self._message
        message.header.stamp = stamp
        for i, (foot, velocity, load) in enumerate(zip(plan.feet, plan.velocities, plan.loads)):
            place, speed = message.transforms[i].translation, message.twist[i].linear
            place.x, place.y, place.z = foot
            speed.x, speed.y, speed.z = velocity
            message.wrench[i].force.z = self._weight * load
        place, turn = message.transforms[-1].translation, message.transforms[-1].rotation
        place.x, place.y, place.z = shift.position
        turn.w, turn.x, turn.y, turn.z = shift.quaternion
        going = message.twist[-1]
        going.linear.x, going.linear.y, going.angular.z = plan.twist or ZERO_TWIST
        return message


def feet_loads_and_shift(
    message: MultiDOFJointState, robot: RobotModel
) -> tuple[tuple[Vector, ...], tuple[float, ...], Pose]:
    """The four feet, their shares of the weight, and the body's shift. Raises TargetError with what is wrong."""
    places = dict(zip(message.joint_names, zip(message.transforms, message.wrench)))
    missing = [name for name in NAMES if name not in places]
    if missing:
        raise TargetError(
            f"there is no {missing[0]}; {', '.join(NAMES)} are wanted, each with its transform and wrench"
        )
    feet = tuple(near_place(places[leg][0].translation) for leg in LEGS)
    loads = _loads([places[leg][1] for leg in LEGS], robot)
    shift, _ = places[NAMES[-1]]
    return feet, loads, Pose(near_place(shift.translation), rotation_of(shift.rotation))


def _loads(wrenches: Sequence[Wrench], robot: RobotModel) -> tuple[float, ...]:
    """The shares of the weight that feet carry by their planned forces. Raises TargetError where one is absurd."""
    weight = robot.masses.total * STANDARD_GRAVITY
    loads = tuple(max(0.0, finite_place(wrench.force)[2]) / weight for wrench in wrenches)
    if max(loads) > MOST_LOAD:
        raise TargetError(
            f"a foot is to carry {max(loads) * weight:.4g} N; the robot weighs {weight:.4g} N, "
            f"at most {MOST_LOAD:g} times that is taken"
        )
    return loads


def plan_of(message: MultiDOFJointState, robot: RobotModel, prefix: str) -> GaitPlan:
    """The feet with their velocities and loads, without a shift. Raises TargetError with what is wrong."""
    check_frame(message.header.frame_id, prefix + "base_footprint")
    places = dict(zip(message.joint_names, zip(message.transforms, message.twist, message.wrench)))
    missing = [leg for leg in LEGS if leg not in places]
    if missing:
        raise TargetError(f"there is no {missing[0]}; {', '.join(LEGS)} are wanted, with transform, twist and wrench")
    found = [places[leg] for leg in LEGS]
    feet = tuple(finite_place(place.translation) for place, _, _ in found)
    velocities = tuple(finite_place(twist.linear) for _, twist, _ in found)
    loads = _loads([wrench for _, _, wrench in found], robot)
    if NAMES[-1] not in places:
        return GaitPlan(feet, velocities, loads, (0.0, 0.0))
    _, going, _ = places[NAMES[-1]]
    (x, y, _), (_, _, yaw) = finite_place(going.linear), finite_place(going.angular)
    return GaitPlan(feet, velocities, loads, (0.0, 0.0), (x, y, yaw))
