"""The one table of recorded topics: how each is read as numbers, its columns in a table, its panels, what it tells.

A new signal is one entry in `TOPICS`: reading, export, report and comparison go by it. A new column is one `Columns`.
Times and the ending of modelled columns in an export: time_columns.py.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from quadleg.geometry.arrays import AnyArray
from quadleg.recording.cdr import Rows
from quadleg.recording.text_messages import DIAGNOSTIC_ARRAY, DIAGNOSTIC_STATUS, STRING
from quadleg.robot.model import JOINT_NAMES, LEGS
from quadleg.topic_table import NODES_WITH_STATES

DIAGNOSTICS = "diagnostics"
XYZ, WXYZ = "xyz", "wxyz"
_TWIST = ("linear.x", "linear.y", "angular.z")
_DIAGONAL = slice(0, 36, 7)  # of a covariance (6, 6) by rows: x, y, z, and the rotations about them
_XY = 1  # the place of the covariance of x and y in it


@dataclass(frozen=True)
class Panel:
    """How a report and a comparison draw one number over time: name, unit, the least span of the axis, and a sign."""

    name: str
    unit: str
    span: float
    sign: float = 1.0


@dataclass(frozen=True)
class Columns:
    """One array of a signal as columns of a table.

    `name` is that of each column, in which {joint}, {leg} and {part} stand for those of the array's numbers, and ends
    in the unit. Columns come in the order of joints, then legs, then the table; single numbers last.
    """

    array: str
    name: str
    parts: Sequence[str] = ("",)
    panel: Panel | None = None

    def names(self) -> list[tuple[tuple[int, int], str]]:
        """(place, name) of each column, in the order of the array's numbers."""
        if "{joint}" in self.name:
            return [((0, k), self.name.format(joint=joint)) for k, joint in enumerate(JOINT_NAMES)]
        if "{leg}" in self.name:
            return [((2, k), self.name.format(leg=leg, part=part)) for k, leg in enumerate(LEGS) for part in self.parts]
        rank = 1 if len(self.parts) > 1 else 3
        return [((rank, 0), self.name.format(part=part)) for part in self.parts]


@dataclass(frozen=True)
class RecordedTopic:
    """What is known of one topic, by its name without namespace.

    - `read` gives arrays (n, ...) by name for messages of one shape, in SI units, angles in rad; None for texts;
    - `type`: the only type that it may have, empty where its fields decide;
    - `columns`: its arrays in a table;
    - `state_of`: the node whose state it is in words; that state is a column of the topic's name;
    - `tells`: what a report cannot show without it, empty where it is not missed;
    - `stands`: whether a value counts until it is changed, and not only while it is `COMMAND_FRESH`;
    - `modelled`: the key under which servo_output says whether its numbers are measured or modelled;
    - `in_report`: whether a report reads it, `unused` its arrays that a report does not need.
    """

    read: Callable[[Rows], dict[str, AnyArray]] | None = None
    type: str = ""
    columns: Sequence[Columns] = ()
    state_of: str = ""
    tells: str = ""
    stands: bool = False
    modelled: str = ""
    in_report: bool = True
    unused: Sequence[str] = ()


# Each gives arrays by name for messages of one shape.


def _joints(rows: Rows, names: str, numbers: Mapping[str, str]) -> dict[str, AnyArray]:
    """(n, 12) each, NaN for a joint that is not named or has no such number."""
    places = [(JOINT_NAMES.index(name), k) for k, name in enumerate(rows.texts(names)) if name in JOINT_NAMES]
    found = {}
    for key, path in numbers.items():
        result = np.full((len(rows.numbers), len(JOINT_NAMES)), np.nan)
        if rows.has(path):
            values = rows.values(path)
            if values.ndim != 2:
                raise KeyError(path)
            for joint, k in places:
                if k < values.shape[1]:
                    result[:, joint] = values[:, k]
        found[key] = result
    return found


def _joint_states(rows: Rows) -> dict[str, AnyArray]:
    return _joints(rows, "name", {"position": "position", "velocity": "velocity", "effort": "effort"})


def _joint_commands(rows: Rows) -> dict[str, AnyArray]:
    stamp = rows.single("header.stamp.sec") + 1e-9 * rows.single("header.stamp.nanosec")
    return {"stamp": stamp, **_joints(rows, "joint_names", {"position": "points[0].positions"})}


def _feet(rows: Rows) -> dict[str, AnyArray]:
    """Of the feet `place` (n, 4, 3), `velocity` (n, 4, 3) and upward `force` (n, 4); of base_link `shift` (n, 3) and
    `turn` (n, 4) as w, x, y, z, and the `twist` (n, 3) of base_footprint."""
    names = rows.texts("joint_names")
    legs = [names.index(leg) for leg in LEGS]
    found = {
        "place": np.stack([rows.vector(f"transforms[{k}].translation") for k in legs], axis=1),
        "velocity": np.stack([rows.vector(f"twist[{k}].linear") for k in legs], axis=1),
        "force": np.stack([rows.single(f"wrench[{k}].force.z") for k in legs], axis=1),
    }
    if "base_link" in names:
        k = names.index("base_link")
        found["shift"] = rows.vector(f"transforms[{k}].translation")
        found["turn"] = rows.vector(f"transforms[{k}].rotation", WXYZ)
        found["twist"] = np.stack([rows.single(f"twist[{k}].{part}") for part in _TWIST], axis=1)
    return found


def _odometry(rows: Rows) -> dict[str, AnyArray]:
    """`variance` and `twist_variance` (n, 6) are along and about x, y, z; `xy` (n,) is the covariance of x and y."""
    covariance = rows.values("pose.covariance", 36)
    return {
        "position": rows.vector("pose.pose.position"),
        "quaternion": rows.vector("pose.pose.orientation", WXYZ),
        "linear": rows.vector("twist.twist.linear"),
        "angular": rows.vector("twist.twist.angular"),
        "variance": covariance[:, _DIAGONAL],
        "xy": covariance[:, _XY],
        "twist_variance": rows.values("twist.covariance", 36)[:, _DIAGONAL],
    }


def _imu(rows: Rows) -> dict[str, AnyArray]:
    return {
        "quaternion": rows.vector("orientation", WXYZ),
        "angular_velocity": rows.vector("angular_velocity"),
        "linear_acceleration": rows.vector("linear_acceleration"),
    }


def _supply(rows: Rows) -> dict[str, AnyArray]:
    return {"voltage": rows.single("voltage"), "current": rows.single("current")}


def _velocity(rows: Rows) -> dict[str, AnyArray]:
    """`twist` (n, 3): forward and left in m/s, turn in rad/s, of a TwistStamped or a Twist."""
    path = "twist." if rows.has("twist.linear.x") else ""
    return {"twist": np.stack([rows.single(path + part) for part in _TWIST], axis=1)}


def _pose(rows: Rows) -> dict[str, AnyArray]:
    return {"position": rows.vector("pose.position"), "quaternion": rows.vector("pose.orientation", WXYZ)}


def _point(rows: Rows) -> dict[str, AnyArray]:
    return {"place": rows.vector("point")}


# The table


def _twist(prefix: str) -> Columns:
    return Columns("twist", f"{prefix}_{{part}}", ("x_m_per_s", "y_m_per_s", "yaw_rad_per_s"))


def _pose_columns(prefix: str) -> list[Columns]:
    return [
        Columns("position", f"{prefix}_{{part}}_m", XYZ),
        Columns("quaternion", f"{prefix}_quaternion_{{part}}", WXYZ),
    ]


def _feet_columns(kind: str) -> list[Columns]:
    return [
        Columns("place", f"{{leg}}_foot_{kind}_{{part}}_m", XYZ),
        Columns("force", f"{{leg}}_foot_{kind}_force_n"),
    ]


_POSES = "which body poses were asked for"
_SPEEDS = "which walking speeds were asked for"

TOPICS: dict[str, RecordedTopic] = {
    "state": RecordedTopic(
        type=STRING,
        state_of="joint_watchdog",
        tells="the watchdog's states and reasons: what stopped the robot",
    ),
    "servo_state": RecordedTopic(type=STRING, state_of="servo_output", tells="what servo_output did by itself"),
    "joint_commands": RecordedTopic(
        _joint_commands,
        columns=[Columns("position", "{joint}_command_rad")],
        tells="what was commanded, and how far the joints were from it",
    ),
    "joint_states": RecordedTopic(
        _joint_states,
        columns=[
            Columns("position", "{joint}_angle_rad"),
            Columns("velocity", "{joint}_speed_rad_per_s"),
            Columns("effort", "{joint}_torque_nm"),
        ],
        modelled="joint_angles",
        unused=["velocity"],
    ),
    "cmd_vel": RecordedTopic(_velocity, columns=[_twist("cmd_vel")], tells=_SPEEDS),
    "teleop/cmd_vel": RecordedTopic(_velocity, columns=[_twist("teleop_cmd_vel")]),
    "base_target": RecordedTopic(_pose, columns=_pose_columns("base_target"), stands=True, tells=_POSES),
    "teleop/base_target": RecordedTopic(_pose, columns=_pose_columns("teleop_base_target")),
    "planned_feet": RecordedTopic(
        _feet,
        columns=[_twist("planned_velocity"), *_feet_columns("planned")],
        tells="the plan of the gait: planned speed, footfalls, when it walked",
        unused=["velocity", "turn"],
    ),
    "foot_loads": RecordedTopic(
        _feet,
        columns=_feet_columns("estimated"),
        tells="which feet carried the robot, as the state estimator sees it",
        unused=["place", "velocity"],
    ),
    "odom": RecordedTopic(
        _odometry,
        columns=[
            *_pose_columns("odom"),
            Columns("linear", "odom_velocity_{part}_m_per_s", XYZ),
            Columns("angular", "odom_rate_{part}_rad_per_s", XYZ),
        ],
        tells="the estimate of where the body was and how fast",
        unused=["twist_variance"],
    ),
    "truth/odom": RecordedTopic(
        _odometry,
        columns=_pose_columns("truth"),
        tells="the truth to hold the estimate against (only physics has it)",
        unused=["variance", "xy", "twist_variance"],
    ),
    "imu/data": RecordedTopic(
        _imu,
        columns=[
            Columns("angular_velocity", "imu_rate_{part}_rad_per_s", XYZ),
            Columns("linear_acceleration", "imu_acceleration_{part}_m_per_s2", XYZ),
        ],
        in_report=False,  # but for one without an estimate
    ),
    "supply": RecordedTopic(
        _supply,
        columns=[
            Columns("voltage", "supply_voltage_v", panel=Panel("voltage", "V", 1.0)),
            # By the message's definition a current that is drawn is negative.
            Columns("current", "supply_current_a", panel=Panel("current", "A", 1.0, sign=-1.0)),
        ],
        tells="voltage and current of the servos",
        modelled="supply",
    ),
    **{f"{leg}/foot_target": RecordedTopic(_point, in_report=False) for leg in LEGS},
    **{f"{node}/status": RecordedTopic(type=DIAGNOSTIC_STATUS) for node in NODES_WITH_STATES},
    DIAGNOSTICS: RecordedTopic(
        type=DIAGNOSTIC_ARRAY, tells="latency, dropped frames, and what the nodes complained of"
    ),
    "walking_limits": RecordedTopic(type=STRING, tells="which gait was chosen"),
    "robot_description": RecordedTopic(type=STRING, in_report=False),
}

# The topics that tell the nodes' states in words, by node.
STATE_TEXTS = {topic.state_of: name for name, topic in TOPICS.items() if topic.state_of}
# What a report cannot show without a topic.
HIDDEN = {name: topic.tells for name, topic in TOPICS.items() if topic.tells}
