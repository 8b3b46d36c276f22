"""What a recording says, as numbers over time: one `Signal` a topic, with arrays by the names in `READERS`."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from struct import Struct
from types import MappingProxyType
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
_LENGTH = Struct("<I")
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
    - `strangers`: joints that no robot of quadleg has;
    - `odd`: topics with messages that are left out, since they are not what a robot of quadleg says there, with their
      types.
    """

    signals: dict[str, Signal] = field(default_factory=dict)
    texts: dict[str, list[tuple[float, str]]] = field(default_factory=dict)
    diagnostics: list[Diagnosis] = field(default_factory=list)
    strangers: set[str] = field(default_factory=set)
    odd: dict[str, str] = field(default_factory=dict)

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
    return noted or signals.told("servo_output", "joint_angles")


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
_TYPES = dict.fromkeys(TEXTS, "std_msgs/msg/String") | {DIAGNOSTICS: "diagnostic_msgs/msg/DiagnosticArray"}
NOTHING: Mapping[str, Collection[str]] = MappingProxyType({})


def signals_of(
    recording: Recording,
    topics: Collection[str] = (*READERS, *TEXTS, DIAGNOSTICS),
    kind: Any = float,
    unused: Mapping[str, Collection[str]] = NOTHING,
) -> Signals:
    """All that a recording has of these topics, its numbers as numpy's `kind`, without the `unused` arrays by topic.

    Raises BadRecording where it has no joint_states, or none of a robot with these joints.
    """
    result = Signals()
    space = recording.namespace
    if f"{space}joint_states" not in recording.topics:
        have = ", ".join(sorted(recording.topics))
        raise BadRecording(f"{recording.path} has no joint_states, which all else is shown beside; it has {have}")
    found: dict[str, _Growing] = defaultdict(_Growing)
    for batches in recording.batches({space + topic for topic in topics}):
        for topic, batch in batches.items():
            name = topic.name.removeprefix(space)
            if topic.type != _TYPES.get(name, topic.type):
                result.odd[name] = topic.type
            elif name in TEXTS:
                result.texts.setdefault(name, []).extend(zip(batch.times, map(text_of, batch.data)))
            elif name == DIAGNOSTICS:
                for time, data in zip(batch.times, batch.data):
                    result.diagnostics += diagnoses_of(time, data)
            else:
                times, left_out = np.array(batch.times), unused.get(name, ())
                for rows in rows_of(topic.type, topic.definition, batch.data):
                    if name == "joint_states":
                        result.strangers |= set(rows.texts("name")) - set(JOINT_NAMES)
                    try:
                        read = {key: value for key, value in READERS[name](rows).items() if key not in left_out}
                    except (KeyError, ValueError):  # it has no such fields, or is not of legs with these names
                        result.odd[name] = topic.type
                        continue
                    kinds = {
                        key: value.astype(float if key == "stamp" else kind, copy=False) for key, value in read.items()
                    }
                    found[name].add(times[rows.numbers], kinds)
    result.signals.update((name, growing.signal()) for name, growing in found.items())
    states = result.get("joint_states")
    if states is None or np.isnan(states["position"]).all():
        joints = ", ".join(sorted(result.strangers)[:3]) or "none"
        raise BadRecording(
            f"{recording.path} has another robot's joint_states: {joints}; names as {JOINT_NAMES[0]} would be right"
        )
    return result


class _Growing:
    """A signal in the making: each array grows in place, so that a long recording is never in memory twice."""

    def __init__(self) -> None:
        self._size = 0
        self._times = np.empty(0)
        self._values: dict[str, Array] = {}

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


# std_msgs/String and diagnostic_msgs/DiagnosticArray differ in their texts from message to message. CDR as in cdr.py.


def text_of(data: bytes) -> str:
    return _string(data, 4)[0]


def _string(data: bytes, at: int) -> tuple[str, int]:
    begin = at + -at % 4 + 4
    (length,) = _LENGTH.unpack_from(data, begin - 4)
    return _decoded(data[begin : begin + length - 1 if length else begin]), begin + length


@lru_cache(4096)
def _decoded(text: bytes) -> str:
    """Most texts come again and again: one of each is enough."""
    return text.decode("utf-8", "replace")


def diagnoses_of(time: float, data: bytes) -> list[Diagnosis]:
    _, at = _string(data, 12)  # behind the header's stamp, its frame
    at += -at % 4
    (count,) = _LENGTH.unpack_from(data, at)
    at += 4
    found = []
    for left in reversed(range(count)):
        level = data[at]
        name, at = _string(data, at + 1)
        message, at = _string(data, at)
        _, at = _string(data, at)
        values = _Pairs(data, at)
        found.append(Diagnosis(time, name.rpartition(": ")[2].rpartition("/")[2], level, message, values))
        if left:
            _, at = _pairs(data, at)
    return found


def _pairs(data: bytes, at: int) -> tuple[dict[str, str], int]:
    at += -at % 4
    (count,) = _LENGTH.unpack_from(data, at)
    at += 4
    found = {}
    for _ in range(count):
        key, at = _string(data, at)
        found[key], at = _string(data, at)
    return found, at


class _Pairs(Mapping[str, str]):
    """The values in a diagnosis, read once somebody asks for one: of most nobody does."""

    __slots__ = ("_at", "_data", "_known")

    def __init__(self, data: bytes, at: int) -> None:
        self._data, self._at = data, at
        self._known: dict[str, str] | None = None

    def _read(self) -> dict[str, str]:
        if self._known is None:
            self._known, _ = _pairs(self._data, self._at)
        return self._known

    def __getitem__(self, key: str) -> str:
        return self._read()[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._read())

    def __len__(self) -> int:
        return len(self._read())
