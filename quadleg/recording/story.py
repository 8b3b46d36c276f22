"""One recording as reports and comparisons see it: what it has, whose robot it is, what follows from its numbers."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quadleg.errors import RobotFileError, shortened
from quadleg.kinematics.leg import forward_batch
from quadleg.recording.events import POWERED, Complaint, Event, Spell, complaints, events, spells
from quadleg.recording.reader import Recording
from quadleg.recording.signals import DIAGNOSTICS, Signal, Signals, angles_are, signals_of
from quadleg.recording.text_messages import Diagnosis
from quadleg.recording.walk import spells as runs
from quadleg.robot.load import robot_from_text
from quadleg.robot.model import JOINT_NAMES, Robot

Array = NDArray[Any]
Flags = NDArray[np.bool_]

_NUMBERS = ("joint_states", "joint_commands", "planned_feet", "foot_loads", "odom", "truth/odom", "supply")
_ASKED = ("base_target", "teleop/base_target", "cmd_vel", "teleop/cmd_vel")
_TEXTS = ("state", "servo_state", "walking_limits")
_UNUSED = {
    "joint_states": ("velocity",),
    "planned_feet": ("velocity", "turn"),
    "foot_loads": ("place", "velocity"),
    "odom": ("twist_variance",),
    "truth/odom": ("variance", "xy", "twist_variance"),
}
_BLOCK = 1 << 14  # rows that are worked on at once
_FRESH = 0.5  # s: a command that is not repeated within this counts as none, as in gait/velocity.py
_PAUSE = 1.0  # s of standing that do not end a walk
_TOLD = ("off:", "stopped:", "holding:", "lowering:")  # what servo_output says of its state is among the events
_MOST_COUNTED = 1e15  # no counter of a robot gets there
_LONGEST_NAME = 40  # characters of a gait's
_SMOOTH = 1.0  # s over which a way is evened out before its length is taken

# What is read for a report, and what a report cannot show without it.
HIDDEN = {
    "joint_commands": "what was commanded, and how far the joints were from it",
    "planned_feet": "the plan of the gait: planned speed, footfalls, when it walked",
    "foot_loads": "which feet carried the robot, as the state estimator sees it",
    "odom": "the estimate of where the body was and how fast",
    "truth/odom": "the truth to hold the estimate against (only physics has it)",
    "supply": "voltage and current of the servos",
    "state": "the watchdog's states and reasons: what stopped the robot, and why",
    "servo_state": "what servo_output did by itself",
    "diagnostics": "latency, dropped frames, and what the nodes complained of",
    "base_target": "which body poses were asked for",
    "cmd_vel": "which walking speeds were asked for",
    "walking_limits": "which gait was chosen",
}


@dataclass(frozen=True)
class Ask:
    """What was asked for over time: `times` (n,) in s, `values` (n, k); a row counts until the next."""

    times: NDArray[np.float64]
    values: Array


@dataclass(frozen=True)
class Stretch:
    """A time of walking in one gait, from `start` to `end` in s."""

    start: float
    end: float
    gait: str


@dataclass(frozen=True)
class Estimate:
    """The estimate at n ticks and, where there is one, the truth, both seen from where the robot first stood.

    - `times` (n,) in s;
    - `found`, `true` (n, 3): the place along the ground in m and the heading in rad, in the frame of that beginning;
    - `errors` (n, 6): found less true: ahead, aside, height in m; roll, pitch, heading in rad;
    - `deviations` (n, 6): the standard deviations of these errors, by the estimate itself.
    """

    times: NDArray[np.float64]
    found: Array
    true: Array | None
    errors: Array | None
    deviations: Array


class Story:
    """One recording, read. `robot` is None where none was given and none is in the recording; `notes` say why.

    Raises BadRecording where there is nothing to report.
    """

    def __init__(self, path: Path, robot: Robot | None = None) -> None:
        self.path = path
        self.recording = recording = Recording(path)
        topics: tuple[str, ...] = (*_NUMBERS, *_ASKED, *_TEXTS, DIAGNOSTICS)
        if recording.namespace + "odom" not in recording.topics:
            topics = (*topics, "imu/data")
        self.signals: Signals = signals_of(recording, topics, np.float32, _UNUSED)
        self.notes: list[str] = []
        self.robot = robot or self._recorded_robot()
        self.states: list[Spell] = spells(self.signals.texts.get("state", ()), self.end)
        self.servo_states: list[Spell] = spells(self.signals.texts.get("servo_state", ()), self.end)

    def _recorded_robot(self) -> Robot | None:
        known = self.recording.metadata.get("robot_file", {})
        if not known.get("text"):
            self.notes.append(
                "the recording does not say which robot it is of: joint limits, torque limits, body poses and foot "
                "paths are left out. `--robot FILE` names the robot file"
            )
            return None
        try:
            return robot_from_text(known["text"], known.get("name", "robot"))
        except RobotFileError as error:
            self.notes.append(
                f"the robot file in the recording does not fit this version of quadleg ({error.faults[0].remedy}): "
                f"what needs it is left out. `--robot FILE` names another"
            )
            return None

    # What it is

    @property
    def name(self) -> str:
        """The robot's name, or the file's where there is none."""
        return (self.robot.name if self.robot else self.path.stem).replace("_", " ")

    @property
    def begin(self) -> float:
        """When it began, in s since 1970."""
        return self.recording.begin

    @cached_property
    def start(self) -> float:
        """The time of the first message of any kind, in s."""
        return min(map(min, self._times()))

    @cached_property
    def end(self) -> float:
        """The time of the last one."""
        return max(map(max, self._times()))

    def _times(self) -> Iterator[Sequence[float]]:
        """When the messages of each topic came."""
        yield from (signal.times.tolist() for signal in self.signals.signals.values() if len(signal))
        yield from ([time for time, _ in said] for said in self.signals.texts.values() if said)

    @property
    def angles_are(self) -> str:
        """How joint_states come about: "measured", "modelled", or "" where nobody said."""
        return angles_are(self.recording, self.signals)

    @property
    def supply_is(self) -> str:
        """The same of voltage and current of the servos' supply."""
        return self.signals.told("servo_output", "supply")

    @property
    def missing(self) -> list[tuple[str, str]]:
        """(topic, what that hides) for each that the recording does not have."""
        return [(topic, hidden) for topic, hidden in HIDDEN.items() if not self._has(topic)]

    def _has(self, topic: str) -> bool:
        signals = self.signals
        if topic == DIAGNOSTICS:
            return bool(signals.diagnostics)
        return any(name in signals.signals or name in signals.texts for name in (topic, f"teleop/{topic}"))

    # What happened

    @cached_property
    def events(self) -> list[Event]:
        """All events in the order of time."""
        told = [d for d in self.signals.diagnostics if d.node == "joint_watchdog"]
        following, heat, idle = (
            [(d.time, d.values[key]) for d in told if key in d.values] for key in ("following", "servo_heat", "idle")
        )
        return events(self.states, self.servo_states, following, heat, idle)

    @cached_property
    def complaints(self) -> list[Complaint]:
        """What the nodes complained of, apart from what the events say."""
        told = [d for d in self.signals.diagnostics if d.level and d.node != "joint_watchdog"]
        return complaints([(d.time, d.node, d.level, d.message) for d in told if not d.message.startswith(_TOLD)])

    def powered(self, times: Array) -> Flags:
        """(n,) whether the watchdog had power on the servos; always, where nobody said."""
        if not self.states:
            return np.ones(len(times), bool)
        return self._in(times, POWERED)

    def active(self, times: Array) -> Flags:
        """(n,) whether the robot followed what was asked."""
        return self._in(times, ("active",)) if self.states else np.ones(len(times), bool)

    def _in(self, times: Array, names: Sequence[str]) -> Flags:
        begun = np.searchsorted([spell.start for spell in self.states], times, side="right")
        inside = np.array([False, *(spell.state in names for spell in self.states)])
        return inside[begun]

    # Joints

    @property
    def joints(self) -> Signal:
        """joint_states: all else is shown beside it."""
        return self.signals.signals["joint_states"]

    @cached_property
    def commanded(self) -> Array | None:
        """(n, 12) in rad: the last command before each of the joint_states; NaN where a joint was limp, or none came
        for half a second."""
        commands = self.signals.get("joint_commands")
        return None if commands is None else commands.held("position", self.joints.times, _FRESH)

    @cached_property
    def tracking(self) -> Array | None:
        """(n, 12) in rad: the joint angles less what was last commanded, NaN where a joint was limp or had just got its
        first pulse: it then comes from wherever a hand had put it."""
        if self.commanded is None:
            return None
        errors: Array = self.joints["position"] - self.commanded
        errors[~self.powered(self.joints.times) | self._first_pulses(self.joints.times)] = np.nan
        return errors

    @property
    def worst_tracking(self) -> Array:
        """(n,) in rad: the largest of the twelve, without its sign; NaN where all are, or nothing was commanded."""
        result = np.full(len(self.joints), np.nan, np.float32)
        if self.tracking is not None:
            known = ~np.isnan(self.tracking).all(axis=1)
            result[known] = np.nanmax(np.abs(self.tracking[known]), axis=1)
        return result

    def _first_pulses(self, times: Array) -> Flags:
        """(n,) whether the servos were getting their first pulses, one after the other."""
        result = np.zeros(len(times), bool)
        for spell in self.states:
            pulses = [time for time, why in spell.said if why.startswith("first pulses")]
            if pulses:
                after = (time for time, _ in spell.said if time > pulses[-1])
                first, end = np.searchsorted(times, (spell.start, next(after, spell.end)))
                result[first:end] = True
        return result

    @cached_property
    def torques(self) -> Array | None:
        """(n, 12) in N·m, None where joint_states have no effort."""
        effort = self.joints["effort"]
        return None if np.isnan(effort).all() else effort

    def feet_at(self, angles: Array) -> Array:
        """(n, 4, 3) in m: the foot centres in base_link at joint angles (n, 12); the robot must be known."""
        assert self.robot
        own = angles.astype(float)
        return np.stack(
            [forward_batch(leg, own[:, 3 * i : 3 * i + 3]) for i, leg in enumerate(self.robot.legs)], axis=1
        )

    # Body

    @cached_property
    def pose_asked(self) -> Ask | None:
        """(k, 6): x, y, height in m, roll, pitch, yaw in rad, of base_link in base_footprint; teleop's and others'."""
        found = [self.signals.get(topic) for topic in ("base_target", "teleop/base_target")]
        parts = [(s.times, np.hstack((s["position"], _rpy(s["quaternion"])))) for s in found if s is not None]
        return _asked(parts)

    @cached_property
    def pose_done(self) -> Array | None:
        """(n, 6) at joint_states, as `pose_asked`: where the legs carried the body, by the joint angles and the planned
        feet, less the planned sway; without a plan, over feet that stand where they stand by the robot file. NaN
        without power, and while it walks: feet in the air tell nothing of the body."""
        if self.robot is None:
            return None
        planned, times = self.signals.get("planned_feet"), self.joints.times
        stands = self.powered(times) & ~self.walking(times) & ~self._first_pulses(times)
        result = np.full((len(times), 6), np.nan, np.float32)
        for first in range(0, len(times), _BLOCK):
            own = np.arange(first, min(first + _BLOCK, len(times)))[stands[first : first + _BLOCK]]
            ground, shift = np.array(self.robot.standing.feet), np.zeros(3)
            if planned is not None:
                ground = planned.held("place", times[own])
                shift = planned.held("shift", times[own]) if "shift" in planned.values else shift
            rotations, places = _fitted(self.feet_at(self.joints["position"][own]), ground)
            result[own] = np.hstack((places - shift, _rpy_of(rotations)))
        return result

    @cached_property
    def speed_asked(self) -> Ask | None:
        """(k, 3): ahead and left in m/s, turn in rad/s; zero once nobody has asked for half a second."""
        found = [self.signals.get(topic) for topic in ("cmd_vel", "teleop/cmd_vel")]
        ask = _asked([(s.times, s["twist"]) for s in found if s is not None])
        if ask is None:
            return None
        ends = np.flatnonzero(np.diff(ask.times, append=np.inf) > _FRESH)
        times = np.concatenate((ask.times, ask.times[ends] + _FRESH))
        values = np.concatenate((ask.values, np.zeros((len(ends), 3))))
        order = np.argsort(times, kind="stable")
        return Ask(times[order], values[order])

    def speed(self, topic: str) -> tuple[Array, Array] | None:
        """(times, (n, 3)) of `planned_feet`, `odom` or `truth/odom`: ahead, left in m/s, turn in rad/s."""
        signal = self.signals.get(topic)
        if signal is None:
            return None
        if topic == "planned_feet":
            return (signal.times, signal["twist"]) if "twist" in signal.values else None
        return signal.times, np.column_stack((signal["linear"][:, :2], signal["angular"][:, 2]))

    def attitude(self, topic: str) -> Array | None:
        """(n, 3) in rad: roll, pitch, yaw by `odom`, `truth/odom` or `imu/data`."""
        signal = self.signals.get(topic)
        return None if signal is None else _rpy(signal["quaternion"])

    # Walking

    @cached_property
    def stretches(self) -> list[Stretch]:
        """When it walked by the plan, one gait each."""
        planned = self.signals.get("planned_feet")
        if planned is None:
            return []
        moving = (planned["force"] == 0.0).any(axis=1)
        moving &= self.active(planned.times)
        times, found = planned.times, list[Stretch]()
        for first, end in runs(moving):
            start, stop = float(times[first]), float(times[min(end, len(times) - 1)])
            gait = self._gait_at(start)
            if found and start - found[-1].end < _PAUSE and found[-1].gait == gait:
                found[-1] = Stretch(found[-1].start, stop, gait)
            else:
                found.append(Stretch(start, stop, gait))
        return found

    def _gait_at(self, time: float) -> str:
        told = self.signals.texts.get("walking_limits", [])
        count = bisect_right(told, time, key=lambda each: each[0])
        said = told[count - 1][1] if count else ""
        return shortened(said.partition("\n")[0].removeprefix("gait:").strip(), _LONGEST_NAME)

    def walking(self, times: Array) -> Flags:
        """(n,) whether it walked by the plan."""
        if not self.stretches:
            return np.zeros(len(times), bool)
        begun = np.searchsorted([stretch.start for stretch in self.stretches], times, side="right") - 1
        until = np.array([stretch.end for stretch in self.stretches])
        inside: Flags = (begun >= 0) & (times <= until[begun])
        return inside

    def way(self, topic: str) -> tuple[Array, Array] | None:
        """(times, (n, 2) in m) along the ground of base_footprint, by `odom` or `truth/odom`: base_link's less the
        planned sway, evened out over a second."""
        signal = self.signals.get(topic)
        if signal is None:
            return None
        places = signal["position"][:, :2].astype(float)
        planned = self.signals.get("planned_feet")
        if planned is not None and "shift" in planned.values:
            sway, yaw = planned.held("shift", signal.times), _rpy(signal["quaternion"])[:, 2]
            c, s = np.cos(yaw), np.sin(yaw)
            turned = np.column_stack((c * sway[:, 0] - s * sway[:, 1], s * sway[:, 0] + c * sway[:, 1]))
            places -= np.nan_to_num(turned)
        return signal.times, evened(signal.times, places, _SMOOTH)

    @cached_property
    def estimate(self) -> Estimate | None:
        """The estimate and, where it was recorded, the truth; None without an estimate, or without power throughout."""
        found, true = self.signals.get("odom"), self.signals.get("truth/odom")
        if found is None or not self.powered(found.times).any():
            return None
        stood = self.active(found.times)
        begun = stood if stood.any() else self.powered(found.times)
        ticks = slice(int(np.argmax(begun)), None)
        times = found.times[ticks]
        places, turns = _from_beginning(found["position"][ticks], found["quaternion"][ticks])
        deviations = _deviations(found["variance"][ticks], found["xy"][ticks], places, found["quaternion"][ticks][0])
        way = np.column_stack((places[:, :2], np.unwrap(_rpy(turns)[:, 2])))
        limp = ~self.powered(times)  # whoever carries a limp robot about is not followed
        deviations[limp] = way[limp] = np.nan
        if true is None:
            return Estimate(times, way, None, None, deviations)
        nearest = np.clip(np.searchsorted(true.times, times), 0, len(true) - 1)
        true_places, true_turns = _from_beginning(true["position"][nearest], true["quaternion"][nearest])
        errors = np.hstack((places - true_places, _between(turns, true_turns)))
        errors[limp] = np.nan
        true_way = np.column_stack((true_places[:, :2], np.unwrap(_rpy(true_turns)[:, 2])))
        true_way[limp] = np.nan
        return Estimate(times, way, true_way, errors, deviations)

    # What nodes say in numbers

    def said(self, node: str, key: str) -> tuple[Array, Array]:
        """(times, values) that a node told in its diagnostics under a key."""
        told = [(d.time, _number(d.values[key])) for d in self._by_node.get(node, ()) if d.values.get(key)]
        times, values = np.array(told, float).reshape(-1, 2).T
        known = np.isfinite(values)
        return times[known], values[known]

    @cached_property
    def temperatures(self) -> tuple[Array, Array] | None:
        """(times in s, (n, 12) in °C): the watchdog's estimates of the servos' temperatures; None where it told none.

        They follow from a model of the current; nothing measures them.
        """
        told = [
            (d.time, [_number(word) for word in d.values.get("servo_temperatures_c", "").split()])
            for d in self._by_node.get("joint_watchdog", ())
        ]
        sound = [(time, row) for time, row in told if len(row) == len(JOINT_NAMES) and np.isfinite(row).all()]
        if not sound:
            return None
        return np.array([time for time, _ in sound]), np.array([row for _, row in sound])

    @cached_property
    def _by_node(self) -> dict[str, list[Diagnosis]]:
        found: dict[str, list[Diagnosis]] = {}
        for diagnosis in self.signals.diagnostics:
            found.setdefault(diagnosis.node, []).append(diagnosis)
        return found

    def counted(self, node: str, key: str) -> int | None:
        """How much a node's counter rose, also where the node was started again; None where it was not told."""
        _, values = self.said(node, key)
        if not len(values):
            return None
        rises = np.diff(values)
        return int(np.where(rises < 0, values[1:], rises).sum())


def _number(text: str) -> float:
    """The number that a text is; NaN for another text, or one too large to be counted."""
    try:
        value = float(text)
    except ValueError:
        return np.nan
    return value if abs(value) < _MOST_COUNTED else np.nan


def evened(times: Array, values: Array, seconds: float) -> Array:
    """(n, k): the running mean of values (n, k) over so many seconds around each of their times (n,)."""
    first = np.searchsorted(times, times - seconds / 2)
    end = np.searchsorted(times, times + seconds / 2, side="right")
    sums = np.vstack((np.zeros((1, values.shape[1])), np.cumsum(values.astype(float), axis=0)))
    result: Array = (sums[end] - sums[first]) / (end - first)[:, None]
    return result


def _asked(parts: list[tuple[Array, Array]]) -> Ask | None:
    if not parts:
        return None
    times = np.concatenate([times for times, _ in parts])
    order = np.argsort(times, kind="stable")
    return Ask(times[order], np.concatenate([values for _, values in parts])[order])


def _rpy(quaternions: Array) -> Array:
    """(n, 3) in rad: roll, pitch, yaw of unit quaternions (n, 4), w first, about fixed x, y, z as in REP-103."""
    w, x, y, z = quaternions.astype(float).T
    roll = np.arctan2(2 * (w * x + y * z), 1 - 2 * (x * x + y * y))
    pitch = np.arcsin(np.clip(2 * (w * y - x * z), -1.0, 1.0))
    return np.column_stack((roll, pitch, np.arctan2(2 * (w * z + x * y), 1 - 2 * (y * y + z * z))))


def _rpy_of(rotations: Array) -> Array:
    """The same of matrices (n, 3, 3)."""
    pitch = -np.arcsin(np.clip(rotations[:, 2, 0], -1.0, 1.0))
    roll = np.arctan2(rotations[:, 2, 1], rotations[:, 2, 2])
    return np.column_stack((roll, pitch, np.arctan2(rotations[:, 1, 0], rotations[:, 0, 0])))


def _products(a: Array, b: Array) -> Array:
    """(n, 4): the turns `b`, then `a`, as quaternions (n, 4) with w first."""
    (aw, ax, ay, az), (bw, bx, by, bz) = a.T, b.T
    return np.column_stack(
        (
            aw * bw - ax * bx - ay * by - az * bz,
            aw * bx + ax * bw + ay * bz - az * by,
            aw * by - ax * bz + ay * bw + az * bx,
            aw * bz + ax * by - ay * bx + az * bw,
        )
    )


def _between(found: Array, true: Array) -> Array:
    """(n, 3): the rotation vectors from true to found attitudes, quaternions (n, 4), to the third order of angle."""
    turn = _products(found, true * [1.0, -1.0, -1.0, -1.0])
    result: Array = 2 * turn[:, :1] * turn[:, 1:]
    return result


def _fitted(base: Array, ground: Array) -> tuple[Array, Array]:
    """Rotations (n, 3, 3) and places (n, 3) of base_link that best fit feet in it (n, 4, 3) to the same on the ground.

    Least squares by singular values: Umeyama, IEEE PAMI 13 (1991) 376.
    """
    ground = np.broadcast_to(ground, base.shape).astype(float)
    known = np.isfinite(base).all(axis=(1, 2)) & np.isfinite(ground).all(axis=(1, 2))
    rotations, places = np.full((len(base), 3, 3), np.nan), np.full((len(base), 3), np.nan)
    own, below = base[known], ground[known]
    own_middle, below_middle = own.mean(axis=1), below.mean(axis=1)
    products = (below - below_middle[:, None]).transpose(0, 2, 1) @ (own - own_middle[:, None])
    left, _, right = np.linalg.svd(products)
    left[:, :, 2] *= np.linalg.det(left @ right)[:, None]  # a rotation, and no reflection
    rotations[known] = turned = left @ right
    places[known] = below_middle - (turned @ own_middle[..., None])[..., 0]
    return rotations, places


def _from_beginning(places: Array, quaternions: Array) -> tuple[Array, Array]:
    """The same seen from the first place along the ground and the first heading; heights stay."""
    yaw = _rpy(quaternions[:1])[0, 2]
    c, s = np.cos(yaw), np.sin(yaw)
    turn = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    back = np.array([[np.cos(yaw / 2), 0.0, 0.0, -np.sin(yaw / 2)]])
    return (places - places[0] * [1.0, 1.0, 0.0]) @ turn.T, _products(back, quaternions.astype(float))


def _deviations(variance: Array, xy: Array, way: Array, first: Array) -> Array:
    """(n, 6): the standard deviations of what has come since the beginning, along and about its axes, from variances
    (n, 6) and covariances `xy` (n,) in the fixed frame, the way (n, 3), and the `first` attitude.

    The errors of place and heading that it had at the beginning do not count, nor does what has come of that heading
    since, as in course.py; of how place and heading go together at the beginning nothing is known, which matters little
    for a robot that stands.
    """
    yaw = _rpy(first[None])[0, 2]
    c, s = np.cos(yaw), np.sin(yaw)
    variance, xy = variance.astype(float), xy.astype(float)
    since = variance.copy()
    since[:, 0] = c * c * variance[:, 0] + s * s * variance[:, 1] + 2 * s * c * xy
    since[:, 1] = s * s * variance[:, 0] + c * c * variance[:, 1] - 2 * s * c * xy
    begun = since[0].copy()
    since[:, 0] -= begun[0] + way[:, 1] ** 2 * begun[5]
    since[:, 1] -= begun[1] + way[:, 0] ** 2 * begun[5]
    since[:, 5] -= begun[5]
    return np.sqrt(np.maximum(since, 0.0))
