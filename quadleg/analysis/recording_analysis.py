"""One recording as reports and comparisons see it: what it has, whose robot it is, what follows from its numbers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from quadleg.analysis.body_analysis import BodyAnalysis
from quadleg.analysis.events import Complaint, Event, complaints, events, state_intervals
from quadleg.analysis.joint_analysis import JointAnalysis
from quadleg.analysis.state_history import StateHistory
from quadleg.errors import RobotFileError
from quadleg.geometry.arrays import AnyArray
from quadleg.recording.reader import Recording
from quadleg.recording.signal_table import DIAGNOSTICS, HIDDEN, STATE_TEXTS, TOPICS, Panel
from quadleg.recording.signals import Signals, angles_are, signals_of
from quadleg.recording.text_messages import Diagnosis
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.robot_file.load import robot_from_text

_MOST_COUNTED = 1e15  # no counter of a robot gets there


@dataclass(frozen=True)
class PanelCurve:
    """The numbers that a panel of the table of topics shows: `times` (n,) in s and `values` (n,)."""

    panel: Panel
    times: AnyArray
    values: AnyArray


class RecordingAnalysis:
    """One recording, read. `robot` is None where none was given and none is in the recording; `notes` say why.

    Raises RecordingError where there is nothing to report.
    """

    def __init__(self, path: Path, robot: RobotModel | None = None) -> None:
        self.path = path
        self.recording = recording = Recording(path)
        topics = [name for name, topic in TOPICS.items() if topic.in_report]
        if recording.namespace + "odom" not in recording.topics:
            topics.append("imu/data")
        unused = {name: topic.unused for name, topic in TOPICS.items()}
        self.signals: Signals = signals_of(recording, topics, np.float32, unused)
        self.notes: list[str] = []
        self.robot = robot or self._recorded_robot()
        watchdog, output = (state_intervals(self.signals.states(node), self.end) for node in STATE_TEXTS)
        self.states = StateHistory(watchdog, output)
        self.joints = JointAnalysis(self.signals, self.robot, self.states)
        self.body = BodyAnalysis(self.signals, self.robot, self.states, self.joints)

    def _recorded_robot(self) -> RobotModel | None:
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
    def angle_source(self) -> str:
        """How joint_states come about: "measured", "modelled", or "" where the recording does not say."""
        return angles_are(self.recording, self.signals)

    @property
    def supply_source(self) -> str:
        """The same of voltage and current of the servos' supply."""
        return self.signals.first_value("servo_output", "supply")

    @cached_property
    def panels(self) -> dict[str, PanelCurve]:
        """What the table of topics gives a panel and the recording has, by the panels' names, in the order of those."""
        found = {}
        for topic, known in TOPICS.items():
            signal = self.signals.get(topic)
            for own in known.columns:
                if own.panel and signal and not np.isnan(signal[own.array]).all():
                    values = own.panel.sign * signal[own.array]
                    found[own.panel.name] = PanelCurve(own.panel, signal.times, values)
        return dict(sorted(found.items()))

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
        return events(self.states.watchdog, self.states.servo_output)

    @cached_property
    def complaints(self) -> list[Complaint]:
        """What the nodes complained of, apart from what the events say."""
        return complaints(d for d in self.signals.diagnostics if d.node != "joint_watchdog")

    # What nodes say in numbers

    def reported(self, node: str, key: str) -> tuple[AnyArray, AnyArray]:
        """(times, values) that a node told in its diagnostics under a key."""
        told = [(d.time, _number(d.values[key])) for d in self._by_node.get(node, ()) if d.values.get(key)]
        times, values = np.array(told, float).reshape(-1, 2).T
        known = np.isfinite(values)
        return times[known], values[known]

    @cached_property
    def temperatures(self) -> tuple[AnyArray, AnyArray] | None:
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

    def counter_rise(self, node: str, key: str) -> int | None:
        """How much a node's counter rose, also where the node was started again; None where it was not told."""
        _, values = self.reported(node, key)
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
