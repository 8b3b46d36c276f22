"""Qualities of service and message details that several nodes share."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import import_module
from math import hypot, isfinite
from typing import TYPE_CHECKING, Any

from builtin_interfaces.msg import Time
from geometry_msgs.msg import Point, Quaternion, Vector3
from rcl_interfaces.msg import Parameter, ParameterType, ParameterValue
from rclpy.qos import DurabilityPolicy, QoSProfile, ReliabilityPolicy

from quadleg.errors import TargetError
from quadleg.geometry.transforms import Pose
from quadleg.middleware.interface import RawMessage
from quadleg.robot.model import JOINT_NAMES
from quadleg.safety.joint_command import ALL, command_of
from quadleg.topic_table import SERVICES, TOPICS

if TYPE_CHECKING:  # servo_output would wait for it at its start, and has no use for it
    from nav_msgs.msg import Odometry

LATEST = QoSProfile(depth=1)
LATCHED = QoSProfile(depth=1, durability=DurabilityPolicy.TRANSIENT_LOCAL)
JOINT_STATES = QoSProfile(depth=10)

STATE_SEPARATOR = ": "
NO_ANGLES = (0.0,) * len(JOINT_NAMES)
KNOWN_TILT = 0.02  # rad, the standard deviation of roll and pitch: without an IMU they are taken for level, no more
FARTHEST = 1.0  # m from its frame's origin: no foot and no body of this kind of robot goes so far
FARTHEST_ODOMETRY = 1e6  # m: no such robot walks so far


def class_of(type_name: str) -> Any:
    """The class of `package/msg/Name` or `package/srv/Name`.

    Raises ImportError or AttributeError where this computer has none.
    """
    package, kind, name = type_name.split("/")
    return getattr(import_module(f"{package}.{kind}"), name)


def published(topic: str) -> tuple[Any, str, QoSProfile]:
    """The arguments of `create_publisher` for a topic of the table: class, name and quality of service."""
    entry = TOPICS[topic]
    return class_of(entry.type), topic, _profile(entry.depth, entry.latched, entry.reliable)


def heard(topic: str, depth: int | None = None) -> tuple[Any, str, QoSProfile]:
    """The same for a subscription, with room for `depth` messages where that is not the table's."""
    entry = TOPICS[topic]
    return class_of(entry.type), topic, _profile(depth or entry.depth, entry.latched, entry.heard_reliable)


def service(name: str) -> tuple[Any, str]:
    """The arguments of `create_service` and `create_client` for a service of the table: class and name."""
    return class_of(SERVICES[name]), name


def _profile(depth: int, latched: bool, reliable: bool) -> QoSProfile:
    return QoSProfile(
        depth=depth,
        durability=DurabilityPolicy.TRANSIENT_LOCAL if latched else DurabilityPolicy.VOLATILE,
        reliability=ReliabilityPolicy.RELIABLE if reliable else ReliabilityPolicy.BEST_EFFORT,
    )


def nanoseconds(stamp: Time) -> int:
    """A stamp as one number, which names a frame."""
    return stamp.sec * 1_000_000_000 + stamp.nanosec


def text_parameter(name: str, value: str) -> Parameter:
    """A text as the value of a node's parameter, for `<node>/set_parameters`."""
    return Parameter(name=name, value=ParameterValue(type=ParameterType.PARAMETER_STRING, string_value=value))


def check_frame(found: str, wanted: str) -> None:
    """Raises TargetError unless a message is in the wanted frame."""
    if found != wanted:
        raise TargetError(f"frame_id is '{found}'; it must be '{wanted}'")


def finite_place(point: Point | Vector3) -> tuple[float, float, float]:
    """The coordinates in m; raises TargetError where one is not finite."""
    place = (point.x, point.y, point.z)
    if not all(map(isfinite, place)):
        raise TargetError(f"place {place} is not finite; it must be three numbers in metres")
    return place


def near_place(point: Point | Vector3) -> tuple[float, float, float]:
    """The same; raises TargetError too where it is farther away than any part of such a robot."""
    place = finite_place(point)
    if max(map(abs, place)) > FARTHEST:
        raise TargetError(f"place {place} is more than {FARTHEST:g} m away; the robot moves some centimetres")
    return place


def rotation_of(q: Quaternion) -> tuple[float, float, float, float]:
    """The unit quaternion (w, x, y, z); raises TargetError where it is none."""
    norm = hypot(q.w, q.x, q.y, q.z)
    if not isfinite(norm) or norm < 1e-6:
        raise TargetError(
            f"orientation ({q.w}, {q.x}, {q.y}, {q.z}) is no rotation; it must be a quaternion, level is w = 1"
        )
    return q.w / norm, q.x / norm, q.y / norm, q.z / norm


def known_pose(said: Odometry) -> Pose | None:
    """The pose that an estimate says, None where it says that it does not know what is level, or nothing of use."""
    covariance = said.pose.covariance
    if max(covariance[21], covariance[28]) > KNOWN_TILT**2:  # of roll and of pitch
        return None
    try:
        place, turn = finite_place(said.pose.pose.position), rotation_of(said.pose.pose.orientation)
    except TargetError:
        return None
    return Pose(place, turn) if max(map(abs, place)) < FARTHEST_ODOMETRY else None


def join_state(state: str, why: str) -> str:
    """A state with its reason, `<state>: <why>`."""
    return f"{state}{STATE_SEPARATOR}{why}"


def led_angles(command: RawMessage) -> Sequence[float] | None:
    """The twelve angles of a message of `joint_commands` that powers all joints; None of any other.

    What is no command servo_output refuses too, and says so.
    """
    message = command.read()
    try:
        read = command_of(message.joint_names, [point.positions for point in message.points], NO_ANGLES)
    except TargetError:
        return None
    return read.angles if read.powered == ALL else None
