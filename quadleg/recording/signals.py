"""What a recording says, as numbers over time: one `Signal` a topic, with arrays by the names in `READERS`."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from struct import unpack_from
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quadleg.errors import BadRecording
from quadleg.recording.cdr import Rows, rows_of
from quadleg.recording.reader import Recording
from quadleg.robot.model import JOINT_NAMES, LEGS

Array = NDArray[Any]

QUATERNION = "wxyz"
_TWIST = ("linear.x", "linear.y", "angular.z")
_DIAGONAL = slice(0, 36, 7)  # of a covariance (6, 6) by rows: x, y, z, and the rotations about them
_XY = 1  # the place of the covariance of x and y in it


@dataclass(frozen=True)
class Signal:
    """The n messages of one topic: `times` (n,) in s since the recording's begin, and `values` by name, (n, ...)."""

    times: NDArray[np.float64]
    values: Mapping[str, Array]

    def __getitem__(self, name: str) -> Array:
        return self.values[name]

    def __len__(self) -> int:
        return len(self.times)


@dataclass(frozen=True)
class Diagnosis:
    """What a node said of itself: `level` is 0 for well, 1 for a warning, 2 for an error."""

    time: float
    node: str
    level: int
    message: str
    values: Mapping[str, str]


@dataclass
class Signals:
    """All of a recording that reports and tables need; a topic that it does not have is missing.

    - `signals`: by the topic's name without namespace, as `joint_states`;
    - `texts`: of the topics of `TEXTS`, (time in s, text) each;
    - `diagnostics`: one after the other;
    - `strangers`: joints that no robot of quadleg has.
    """

    signals: dict[str, Signal] = field(default_factory=dict)
    texts: dict[str, list[tuple[float, str]]] = field(default_factory=dict)
    diagnostics: list[Diagnosis] = field(default_factory=list)
    strangers: set[str] = field(default_factory=set)

    def get(self, topic: str) -> Signal | None:
        """The signal of a topic, None where it was not recorded."""
        return self.signals.get(topic)


# Each gives arrays by name for messages of one shape: (n, ...), in SI units, angles in rad.


def _joints(rows: Rows, names: str, numbers: Mapping[str, str]) -> dict[str, Array]:
    """(n, 12) each, NaN for a joint that is not named or has no such number."""
    places = [(JOINT_NAMES.index(name), k) for k, name in enumerate(rows.texts(names)) if name in JOINT_NAMES]
    found = {}
    for key, path in numbers.items():
        result = np.full((len(rows.numbers), len(JOINT_NAMES)), np.nan)
        if rows.has(path):
            values = rows.values(path)
            for joint, k in places:
                if k < values.shape[1]:
                    result[:, joint] = values[:, k]
        found[key] = result
    return found


def _joint_states(rows: Rows) -> dict[str, Array]:
    return _joints(rows, "name", {"position": "position", "velocity": "velocity", "effort": "effort"})


def _joint_commands(rows: Rows) -> dict[str, Array]:
    return {"stamp": _stamp(rows), **_joints(rows, "joint_names", {"position": "points[0].positions"})}


def _feet(rows: Rows) -> dict[str, Array]:
    """Of the feet `place` (n, 4, 3), `velocity` (n, 4, 3) and upward `force` (n, 4); of base_link `shift` (n, 3) and
    `turn` (n, 4) as w, x, y, z, and the `twist` (n, 3) of base_footprint."""
    names = rows.texts("joint_names")
    legs = [names.index(leg) for leg in LEGS]
    found = {
        "place": np.stack([rows.vector(f"transforms[{k}].translation") for k in legs], axis=1),
        "velocity": np.stack([rows.vector(f"twist[{k}].linear") for k in legs], axis=1),
        "force": np.stack([rows.values(f"wrench[{k}].force.z") for k in legs], axis=1),
    }
    if "base_link" in names:
        k = names.index("base_link")
        found["shift"] = rows.vector(f"transforms[{k}].translation")
        found["turn"] = rows.vector(f"transforms[{k}].rotation", QUATERNION)
        found["twist"] = np.stack([rows.values(f"twist[{k}].{part}") for part in _TWIST], axis=1)
    return found


def _odometry(rows: Rows) -> dict[str, Array]:
    """`variance` and `twist_variance` (n, 6) are along and about x, y, z; `xy` (n,) is the covariance of x and y."""
    covariance = rows.values("pose.covariance")
    return {
        "position": rows.vector("pose.pose.position"),
        "quaternion": rows.vector("pose.pose.orientation", QUATERNION),
        "linear": rows.vector("twist.twist.linear"),
        "angular": rows.vector("twist.twist.angular"),
        "variance": covariance[:, _DIAGONAL],
        "xy": covariance[:, _XY],
        "twist_variance": rows.values("twist.covariance")[:, _DIAGONAL],
    }


def _imu(rows: Rows) -> dict[str, Array]:
    return {
        "quaternion": rows.vector("orientation", QUATERNION),
        "angular_velocity": rows.vector("angular_velocity"),
        "linear_acceleration": rows.vector("linear_acceleration"),
    }


def _supply(rows: Rows) -> dict[str, Array]:
    return {"voltage": rows.values("voltage"), "current": rows.values("current")}


def _velocity(rows: Rows) -> dict[str, Array]:
    """`twist` (n, 3): forward and left in m/s, turn in rad/s, of a TwistStamped or a Twist."""
    path = "twist." if rows.has("twist.linear.x") else ""
    return {"twist": np.stack([rows.values(path + part) for part in _TWIST], axis=1)}


def _pose(rows: Rows) -> dict[str, Array]:
    return {"position": rows.vector("pose.position"), "quaternion": rows.vector("pose.orientation", QUATERNION)}


def _point(rows: Rows) -> dict[str, Array]:
    return {"place": rows.vector("point")}


def _stamp(rows: Rows) -> Array:
    return rows.values("header.stamp.sec") + 1e-9 * rows.values("header.stamp.nanosec")


READERS: dict[str, Callable[[Rows], dict[str, Array]]] = {
    "joint_states": _joint_states,
    "joint_commands": _joint_commands,
    "planned_feet": _feet,
    "foot_loads": _feet,
    "odom": _odometry,
    "truth/odom": _odometry,
    "imu/data": _imu,
    "supply": _supply,
    "cmd_vel": _velocity,
    "teleop/cmd_vel": _velocity,
    "base_target": _pose,
    "teleop/base_target": _pose,
    **{f"{leg}/foot_target": _point for leg in LEGS},
}
TEXTS = ("state", "servo_state", "walking_limits", "robot_description")
DIAGNOSTICS = "diagnostics"


def signals_of(
    recording: Recording, topics: Collection[str] = (*READERS, *TEXTS, DIAGNOSTICS), kind: Any = float
) -> Signals:
    """All that a recording has of these topics, its numbers as numpy's `kind`.

    Raises BadRecording where it has no joint_states, or none of a robot with these joints.
    """
    result = Signals()
    space = recording.namespace
    if f"{space}joint_states" not in recording.topics:
        have = ", ".join(sorted(recording.topics))
        raise BadRecording(f"{recording.path} has no joint_states, which all else is shown beside; it has {have}")
    parts: dict[str, list[tuple[Array, dict[str, Array]]]] = defaultdict(list)
    for batches in recording.batches({space + topic for topic in topics}):
        for topic, batch in batches.items():
            name = topic.name.removeprefix(space)
            if name in TEXTS:
                result.texts.setdefault(name, []).extend(zip(batch.times, map(text_of, batch.data)))
            elif name == DIAGNOSTICS:
                for time, data in zip(batch.times, batch.data):
                    result.diagnostics += diagnoses_of(time, data)
            else:
                for rows in rows_of(topic.type, topic.definition, batch.data):
                    if name == "joint_states":
                        result.strangers |= set(rows.texts("name")) - set(JOINT_NAMES)
                    values = {key: value.astype(kind, copy=False) for key, value in READERS[name](rows).items()}
                    parts[name].append((np.array(batch.times)[rows.numbers], values))
    for name, found in parts.items():
        result.signals[name] = _joined(found)
    states = result.get("joint_states")
    if states is None or np.isnan(states["position"]).all():
        joints = ", ".join(sorted(result.strangers)[:3]) or "none"
        raise BadRecording(
            f"{recording.path} has another robot's joint_states: {joints}; names as {JOINT_NAMES[0]} would be right"
        )
    return result


def _joined(parts: list[tuple[Array, dict[str, Array]]]) -> Signal:
    """All parts as one, in the order of time."""
    times = np.concatenate([times for times, _ in parts])
    keys = {key: None for _, values in parts for key in values}
    order = np.argsort(times, kind="stable")
    joined = {}
    for key in keys:
        like = next(values[key] for _, values in parts if key in values)
        fill = [values.get(key, np.full((len(t), *like.shape[1:]), np.nan, like.dtype)) for t, values in parts]
        joined[key] = np.concatenate(fill)[order]
    return Signal(times[order], joined)


# std_msgs/String and diagnostic_msgs/DiagnosticArray differ in their texts from message to message. CDR as in cdr.py.


def text_of(data: bytes) -> str:
    return _string(data, 4)[0]


def _string(data: bytes, at: int) -> tuple[str, int]:
    at += -at % 4
    (length,) = unpack_from("<I", data, at)
    begin = at + 4
    return data[begin : begin + max(length - 1, 0)].decode("utf-8", "replace"), begin + length


def diagnoses_of(time: float, data: bytes) -> list[Diagnosis]:
    _, at = _string(data, 12)  # behind the header's stamp, its frame
    at += -at % 4
    (count,) = unpack_from("<I", data, at)
    at += 4
    found = []
    for _ in range(count):
        level = data[at]
        name, at = _string(data, at + 1)
        message, at = _string(data, at)
        _, at = _string(data, at)
        at += -at % 4
        (pairs,) = unpack_from("<I", data, at)
        at += 4
        values = {}
        for _ in range(pairs):
            key, at = _string(data, at)
            values[key], at = _string(data, at)
        found.append(Diagnosis(time, name.rpartition(": ")[2].rpartition("/")[2], level, message, values))
    return found
