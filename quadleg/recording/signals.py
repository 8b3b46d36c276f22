"""What a recording says, as numbers over time: one `Signal` a topic, with arrays by the names in `READERS`."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quadleg.errors import MessageError, RecordingError, shortened
from quadleg.recording.cdr import Rows, rows_of
from quadleg.recording.reader import Batch, Recording, Topic
from quadleg.recording.text_messages import Diagnosis, diagnoses_of, text_of
from quadleg.robot.model import JOINT_NAMES, LEGS, MEASURED, MODELLED

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

    def held(self, name: str, times: Array, longest: float = np.inf) -> Array:
        """(len(times), ...) the last values before each time; NaN before the first, and `longest` s after each."""
        last = np.searchsorted(self.times, times, side="right") - 1
        found: Array = self.values[name][np.maximum(last, 0)]
        found[(last < 0) | (times - self.times[last] > longest)] = np.nan
        return found


@dataclass
class Signals:
    """All of a recording that reports and tables need; a topic that it does not have is missing.

    - `signals`: by the topic's name without namespace, as `joint_states`;
    - `texts`: of the topics of `TEXTS`, (time in s, text) each;
    - `diagnostics`: one after the other;
    - `strangers`: joints that no robot of quadleg has;
    - `odd`: topics with messages that are left out, since they are not what a robot of quadleg says there, with their
      types;
    - `left_out`: how many messages of a topic are damaged, or of more shapes than are looked for.
    """

    signals: dict[str, Signal] = field(default_factory=dict)
    texts: dict[str, list[tuple[float, str]]] = field(default_factory=dict)
    diagnostics: list[Diagnosis] = field(default_factory=list)
    strangers: set[str] = field(default_factory=set)
    odd: dict[str, str] = field(default_factory=dict)
    left_out: Counter[str] = field(default_factory=Counter)

    def get(self, topic: str) -> Signal | None:
        """The signal of a topic, None where it was not recorded."""
        return self.signals.get(topic)

    def told(self, node: str, key: str) -> str:
        """What a node first told in its diagnostics under a key; empty where it told nothing."""
        values = (d.values[key] for d in self.diagnostics if d.node == node and key in d.values)
        return next(values, "")


def angles_are(recording: Recording, signals: Signals) -> str:
    """How its joint_states come about: `measured`, `modelled`, or empty where nobody said."""
    noted = recording.metadata.get("joint_angles", {}).get("kind", "")
    said = noted or signals.told("servo_output", "joint_angles")
    return said if said in (MEASURED, MODELLED) else ""


# Each gives arrays by name for messages of one shape: (n, ...), in SI units, angles in rad.


def _joints(rows: Rows, names: str, numbers: Mapping[str, str]) -> dict[str, Array]:
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
        "force": np.stack([rows.single(f"wrench[{k}].force.z") for k in legs], axis=1),
    }
    if "base_link" in names:
        k = names.index("base_link")
        found["shift"] = rows.vector(f"transforms[{k}].translation")
        found["turn"] = rows.vector(f"transforms[{k}].rotation", QUATERNION)
        found["twist"] = np.stack([rows.single(f"twist[{k}].{part}") for part in _TWIST], axis=1)
    return found


def _odometry(rows: Rows) -> dict[str, Array]:
    """`variance` and `twist_variance` (n, 6) are along and about x, y, z; `xy` (n,) is the covariance of x and y."""
    covariance = rows.values("pose.covariance", 36)
    return {
        "position": rows.vector("pose.pose.position"),
        "quaternion": rows.vector("pose.pose.orientation", QUATERNION),
        "linear": rows.vector("twist.twist.linear"),
        "angular": rows.vector("twist.twist.angular"),
        "variance": covariance[:, _DIAGONAL],
        "xy": covariance[:, _XY],
        "twist_variance": rows.values("twist.covariance", 36)[:, _DIAGONAL],
    }


def _imu(rows: Rows) -> dict[str, Array]:
    return {
        "quaternion": rows.vector("orientation", QUATERNION),
        "angular_velocity": rows.vector("angular_velocity"),
        "linear_acceleration": rows.vector("linear_acceleration"),
    }


def _supply(rows: Rows) -> dict[str, Array]:
    return {"voltage": rows.single("voltage"), "current": rows.single("current")}


def _velocity(rows: Rows) -> dict[str, Array]:
    """`twist` (n, 3): forward and left in m/s, turn in rad/s, of a TwistStamped or a Twist."""
    path = "twist." if rows.has("twist.linear.x") else ""
    return {"twist": np.stack([rows.single(path + part) for part in _TWIST], axis=1)}


def _pose(rows: Rows) -> dict[str, Array]:
    return {"position": rows.vector("pose.position"), "quaternion": rows.vector("pose.orientation", QUATERNION)}


def _point(rows: Rows) -> dict[str, Array]:
    return {"place": rows.vector("point")}


def _stamp(rows: Rows) -> Array:
    return rows.single("header.stamp.sec") + 1e-9 * rows.single("header.stamp.nanosec")


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
_TYPES = dict.fromkeys(TEXTS, "std_msgs/msg/String") | {DIAGNOSTICS: "diagnostic_msgs/msg/DiagnosticArray"}
NOTHING: Mapping[str, Collection[str]] = MappingProxyType({})


def signals_of(
    recording: Recording,
    topics: Collection[str] = (*READERS, *TEXTS, DIAGNOSTICS),
    kind: Any = float,
    unused: Mapping[str, Collection[str]] = NOTHING,
) -> Signals:
    """All that a recording has of these topics, its numbers as numpy's `kind`, without the `unused` arrays by topic.

    Raises RecordingError where it has no joint_states, or none of a robot with these joints.
    """
    result = Signals()
    space = recording.namespace
    if f"{space}joint_states" not in recording.topics:
        have = shortened(", ".join(sorted(recording.topics)), 300)
        raise RecordingError(f"{recording.path} has no joint_states, which all else is shown beside; it has {have}")
    found: dict[str, _Growing] = defaultdict(_Growing)
    for batches in recording.batches({space + topic for topic in topics}):
        for topic, batch in batches.items():
            name = topic.name.removeprefix(space)
            if topic.type != _TYPES.get(name, topic.type):
                result.odd[name] = topic.type
            elif name in TEXTS or name == DIAGNOSTICS:
                _take_texts(result, name, batch)
            else:
                _take_numbers(result, found[name], name, topic, batch, kind, unused.get(name, ()))
    result.signals.update((name, growing.signal()) for name, growing in found.items() if len(growing))
    states = result.get("joint_states")
    if states is None or np.isnan(states["position"]).all():
        joints = shortened(", ".join(sorted(result.strangers)[:3]) or "none")
        raise RecordingError(
            f"{recording.path} has another robot's joint_states: {joints}; names as {JOINT_NAMES[0]} would be right"
        )
    return result


def _take_texts(result: Signals, name: str, batch: Batch) -> None:
    for time, data in zip(batch.times, batch.data):
        try:
            if name == DIAGNOSTICS:
                result.diagnostics += diagnoses_of(time, data)
            else:
                result.texts.setdefault(name, []).append((time, text_of(data)))
        except MessageError:
            result.left_out[name] += 1


def _take_numbers(
    result: Signals, found: _Growing, name: str, topic: Topic, batch: Batch, kind: Any, unused: Collection[str]
) -> None:
    times = np.array(batch.times)
    result.left_out[name] += len(times)
    for rows in rows_of(topic.type, topic.definition, batch.data):
        result.left_out[name] -= len(rows.numbers)
        if name == "joint_states":
            result.strangers |= set(rows.texts("name")) - set(JOINT_NAMES)
        try:
            read = {key: value for key, value in READERS[name](rows).items() if key not in unused}
        except (KeyError, ValueError):  # it has no such fields, or is not of legs with these names
            result.odd[name] = topic.type
            continue
        kinds = {key: _finite(value, float if key == "stamp" else kind) for key, value in read.items()}
        found.add(times[rows.numbers], kinds)


def _finite(values: Array, kind: Any) -> Array:
    """The values as numpy's `kind`; NaN for what is infinite, or is so as this kind: no sensor measures that."""
    with np.errstate(over="ignore"):
        result = values.astype(kind, copy=False)
    infinite = np.isinf(result)
    return np.where(infinite, np.nan, result).astype(kind, copy=False) if infinite.any() else result


class _Growing:
    """A signal in the making: each array grows in place, so that a long recording is never in memory twice."""

    def __init__(self) -> None:
        self._size = 0
        self._times = np.empty(0)
        self._values: dict[str, Array] = {}

    def __len__(self) -> int:
        return self._size

    def add(self, times: Array, values: Mapping[str, Array]) -> None:
        """More rows; what they do not have is NaN."""
        begin, self._size = self._size, self._size + len(times)
        if self._size > len(self._times):
            room = max(2 * len(self._times), self._size)
            for own in (self._times, *self._values.values()):
                own.resize((room, *own.shape[1:]), refcheck=False)
        for key, value in values.items():
            if key not in self._values:
                self._values[key] = np.empty((len(self._times), *value.shape[1:]), value.dtype)
                self._values[key][:begin] = np.nan
        self._times[begin : self._size] = times
        for key, own in self._values.items():
            own[begin : self._size] = values.get(key, np.nan)

    def signal(self) -> Signal:
        """All rows, in the order of time."""
        for own in (self._times, *self._values.values()):
            own.resize((self._size, *own.shape[1:]), refcheck=False)
        if (np.diff(self._times) < 0).any():
            order = np.argsort(self._times, kind="stable")
            self._times = self._times[order]
            for key in self._values:
                self._values[key] = self._values[key][order]
        return Signal(self._times, self._values)
