"""A recording as numbers over time: one `Signal` a topic, with the arrays of `signal_table.TOPICS`."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from functools import partial
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quadleg.errors import MessageError, RecordingError, shortened
from quadleg.geometry.arrays import AnyArray
from quadleg.recording.cdr import Rows, rows_of
from quadleg.recording.reader import Batch, RecordedChannel, Recording
from quadleg.recording.signal_table import STATE_TEXTS, TOPICS
from quadleg.recording.text_messages import (
    DIAGNOSTIC_ARRAY,
    DIAGNOSTIC_STATUS,
    Diagnosis,
    diagnostics_decoder,
    status_decoder,
    text_decoder,
)
from quadleg.robot.model import JOINT_NAMES, MEASURED, MODELLED
from quadleg.safety.node_status import NodeStatus

TextDecoder = Callable[[float, bytes], list[Any]]


@dataclass(frozen=True)
class Signal:
    """The n messages of one topic: `times` (n,) in s since the recording's begin, and `values` by name, (n, ...)."""

    times: NDArray[np.float64]
    values: Mapping[str, AnyArray]

    def __getitem__(self, name: str) -> AnyArray:
        return self.values[name]

    def __len__(self) -> int:
        return len(self.times)

    def held(self, name: str, times: AnyArray, longest: float = np.inf) -> AnyArray:
        """(len(times), ...) the last values before each time; NaN before the first, and `longest` s after each."""
        last = np.searchsorted(self.times, times, side="right") - 1
        found: AnyArray = self.values[name][np.maximum(last, 0)]
        found[(last < 0) | (times - self.times[last] > longest)] = np.nan
        return found


@dataclass
class Signals:
    """The contents of a recording that reports and tables need; a topic that it does not have is missing.

    - `signals`: by the topic's name without namespace, as `joint_states`;
    - `texts`: of the topics of texts, (time in s, text) each;
    - `diagnostics`: one after the other;
    - `statuses`: by node, one after the other;
    - `unknown_joints`: joints that no robot of quadleg has;
    - `unexpected`: topics with messages that are not what a robot of quadleg says there, with their types; those are
      left out;
    - `skipped`: how many messages of a topic are damaged, or of more shapes than are looked for.
    """

    signals: dict[str, Signal] = field(default_factory=dict)
    texts: dict[str, list[tuple[float, str]]] = field(default_factory=dict)
    diagnostics: list[Diagnosis] = field(default_factory=list)
    statuses: dict[str, list[Diagnosis]] = field(default_factory=dict)
    unknown_joints: set[str] = field(default_factory=set)
    unexpected: dict[str, str] = field(default_factory=dict)
    skipped: Counter[str] = field(default_factory=Counter)

    def states(self, node: str) -> list[tuple[float, NodeStatus]]:
        """(time in s, status) each that a node told; of recordings without codes, what its texts tell."""
        if node in self.statuses:
            return [(status.time, NodeStatus.of_values(status.values)) for status in self.statuses[node]]
        return [(time, NodeStatus.of_text(text)) for time, text in self.texts.get(STATE_TEXTS[node], ())]

    def get(self, topic: str) -> Signal | None:
        """The signal of a topic, None where it was not recorded."""
        return self.signals.get(topic)

    def first_value(self, node: str, key: str) -> str:
        """Return the first value in a node's diagnostics under a key; empty if there is none."""
        values = (d.values[key] for d in self.diagnostics if d.node == node and key in d.values)
        return next(values, "")


def angles_are(recording: Recording, signals: Signals) -> str:
    """Return how joint_states come about: `measured`, `modelled`, or empty if the recording does not say."""
    noted = recording.metadata.get("joint_angles", {}).get("kind", "")
    said = noted or signals.first_value("servo_output", "joint_angles")
    return said if said in (MEASURED, MODELLED) else ""


NOTHING: Mapping[str, Collection[str]] = MappingProxyType({})


def signals_of(
    recording: Recording,
    topics: Collection[str] = TOPICS,
    kind: Any = float,
    unused: Mapping[str, Collection[str]] = NOTHING,
) -> Signals:
    """Read these topics of a recording, numbers as numpy's `kind`, without the `unused` arrays by topic.

    Raises RecordingError if it has no joint_states, or none of a robot with these joints.
    """
    result = Signals()
    space = recording.namespace
    if f"{space}joint_states" not in recording.topics:
        have = shortened(", ".join(sorted(recording.topics)), 300)
        raise RecordingError(f"{recording.path} has no joint_states, which all else is shown beside; it has {have}")
    found: dict[str, SignalBuilder] = defaultdict(SignalBuilder)
    for batches in recording.batches({space + topic for topic in topics}):
        for topic, batch in batches.items():
            name = topic.name.removeprefix(space)
            known = TOPICS[name]
            if known.type not in ("", topic.type):
                result.unexpected[name] = topic.type
            elif known.read:
                read = partial(_numbers, known.read, kind, frozenset(unused.get(name, ())))
                _take_numbers(result, found[name], name, topic, batch, read)
            else:
                _take_texts(result, name, topic, batch)
    result.signals.update((name, builder.signal()) for name, builder in found.items() if len(builder))
    states = result.get("joint_states")
    if states is None or np.isnan(states["position"]).all():
        joints = shortened(", ".join(sorted(result.unknown_joints)[:3]) or "none")
        raise RecordingError(
            f"{recording.path} has another robot's joint_states: {joints}; names as {JOINT_NAMES[0]} would be right"
        )
    return result


def _take_texts(result: Signals, name: str, topic: RecordedChannel, batch: Batch) -> None:
    """Add texts, diagnoses or statuses; damaged messages are counted."""
    into, decoder = _texts_of(result, name, topic.type)
    try:
        decode = decoder(topic.definition)
    except MessageError:
        result.skipped[name] += len(batch.data)
        return
    for time, data in zip(batch.times, batch.data):
        try:
            into += decode(time, data)
        except MessageError:
            result.skipped[name] += 1


def _texts_of(result: Signals, name: str, kind: str) -> tuple[list[Any], Callable[[str], TextDecoder]]:
    """Where messages of a type go, and the maker of what decodes them."""
    if kind == DIAGNOSTIC_ARRAY:
        return result.diagnostics, diagnostics_decoder
    if kind == DIAGNOSTIC_STATUS:
        return result.statuses.setdefault(name.removesuffix("/status"), []), status_decoder
    return result.texts.setdefault(name, []), _timed


def _timed(definition: str) -> TextDecoder:
    text_of = text_decoder(definition)
    return lambda time, data: [(time, text_of(data))]


def _take_numbers(
    result: Signals,
    found: SignalBuilder,
    name: str,
    topic: RecordedChannel,
    batch: Batch,
    read: Callable[[Rows], dict[str, AnyArray]],
) -> None:
    times = np.array(batch.times)
    result.skipped[name] += len(times)
    for rows in rows_of(topic.type, topic.definition, batch.data):
        result.skipped[name] -= len(rows.numbers)
        if name == "joint_states":
            result.unknown_joints |= set(rows.texts("name")) - set(JOINT_NAMES)
        try:
            found.add(times[rows.numbers], read(rows))
        except (KeyError, ValueError):  # it has no such fields, or is not of legs with these names
            result.unexpected[name] = topic.type


def _numbers(
    read: Callable[[Rows], dict[str, AnyArray]], kind: Any, unused: Collection[str], rows: Rows
) -> dict[str, AnyArray]:
    """What `read` gives, without the `unused`, as numpy's `kind`."""
    return {
        key: _finite(value, float if key == "stamp" else kind) for key, value in read(rows).items() if key not in unused
    }


def _finite(values: AnyArray, kind: Any) -> AnyArray:
    """The values as numpy's `kind`; NaN for what is infinite, or is so as this kind: no sensor measures that."""
    with np.errstate(over="ignore"):
        result = values.astype(kind, copy=False)
    infinite = np.isinf(result)
    return np.where(infinite, np.nan, result).astype(kind, copy=False) if infinite.any() else result


class SignalBuilder:
    """A signal in the making: each array grows in place, so that a long recording is never in memory twice."""

    def __init__(self) -> None:
        self._size = 0
        self._times = np.empty(0)
        self._values: dict[str, AnyArray] = {}

    def __len__(self) -> int:
        return self._size

    def add(self, times: AnyArray, values: Mapping[str, AnyArray]) -> None:
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


def skipped(recording: Recording, signals: Signals) -> list[str]:
    """What `signals_of` left out of a recording: how much, where and why; empty where all was read."""
    said = []
    if recording.damage:
        place, why = next(iter(recording.damage.items()))
        parts = "1 part of the file is" if recording.lost == 1 else f"{recording.lost} parts of the file are"
        said.append(f"{parts} damaged and left out; at byte {place}: {shortened(why)}")
    for topic, count in signals.skipped.items():
        if count:
            said.append(f"{count} messages of {topic} are damaged, or of too many shapes; they are left out")
    for topic, kind in signals.unexpected.items():
        said.append(f"{topic} has messages ({shortened(kind)}) that no robot of quadleg says there; they are left out")
    if signals.unknown_joints:
        unknown = shortened(", ".join(sorted(signals.unknown_joints)), 200)
        said.append(f"joint_states also name {unknown}, which is left out")
    return said
