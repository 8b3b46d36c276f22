"""What happened in a recording, one event after the other, each in plain words: what, why, what then, and the cure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import count, pairwise, takewhile

from quadleg.recording.text_messages import Diagnosis
from quadleg.safety.catalogue import FOLLOWING_CODES, Reason
from quadleg.safety.explanation import Explanation, Weight
from quadleg.safety.following_sentences import went_slower
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.reason_codes import ReasonCode
from quadleg.safety.state_machine import State
from quadleg.safety.state_sentences import BY_OUTPUT_STATE, STAND_AGAIN, UNKNOWN

POWERED = ("rising", "active", "hold", "lowering")
_SAME = 3.0  # s: a notice or a complaint that is heard again within this is the same one
_LIMP_AT = 1.5  # s around a stop in which servo_output tells the same as the watchdog


@dataclass(frozen=True)
class StateInterval:
    """One state from `start` to `end` in s, and all that was told in it, at which times in s."""

    start: float
    end: float
    state: str
    told: tuple[tuple[float, NodeStatus], ...] = ()

    @property
    def reason(self) -> Reason | None:
        """The reason that it began with."""
        return self.told[0][1].reason if self.told else None

    @property
    def why(self) -> str:
        """The same with what went on then, as a sentence."""
        return self.told[0][1].sentence if self.told else ""


@dataclass(frozen=True)
class Event:
    """One event from `start` to `end` in s: who said it, its state, the reason in its own words, what that means."""

    start: float
    end: float
    source: str
    state: str
    why: str
    explanation: Explanation

    @property
    def weight(self) -> Weight:
        return self.explanation.weight


@dataclass(frozen=True)
class Complaint:
    """What a node complained of, how often, and from when until when in s."""

    node: str
    level: int
    message: str
    count: int
    first: float
    last: float


def state_intervals(told: Sequence[tuple[float, NodeStatus]], end: float) -> list[StateInterval]:
    """The states that were told, from the first until `end` in s; what is only repeated is left out."""
    changes: list[list[tuple[float, NodeStatus]]] = []
    for time, status in told:
        if not changes or changes[-1][-1][1].state != status.state:
            changes.append([])
        own = changes[-1]
        if not own or (own[-1][1].reason, own[-1][1].notices) != (status.reason, status.notices):
            own.append((time, status))
    ends = [*(own[0][0] for own in changes[1:]), max(end, changes[-1][0][0] if changes else end)]
    return [StateInterval(own[0][0], stop, own[0][1].state, tuple(own)) for own, stop in zip(changes, ends)]


_AT_REST = "the body was down, and the servos were switched off"
# Of a state whose reason is not known by a code: of a recording from before there were codes.
_BY_STATE = {
    "fault": Explanation("the servos were switched off for a fault", weight=Weight.FAULT),
    "hold": Explanation("it held still with power", weight=Weight.TROUBLE),
    "stopped": Explanation("servo_output switched the servos off for a fault", weight=Weight.FAULT),
    "holding": Explanation("servo_output held the servos without the watchdog", weight=Weight.TROUBLE),
    "rising": Explanation("it rose"),
    "active": Explanation("it followed what was asked of it"),
    "lowering": Explanation("it lowered itself"),
    "off": Explanation("no servo had power"),
    "following": Explanation("servo_output followed the watchdog"),
}


def explain(state: str, reason: Reason | None, by_output: bool = False) -> Explanation:
    """What a state and its reason mean; `by_output`: of servo_output's states."""
    known, code = (reason.meaning, reason.code) if reason else (None, "")
    if by_output and code == ReasonCode.AT_REST:
        return Explanation("servo_output had the body down", "it switched the servos off")
    if by_output and (state == "lowering" or (state == "off" and code != ReasonCode.FIRST_PULSE_FAR)):
        return BY_OUTPUT_STATE[state]
    if reason and code == ReasonCode.AT_REST and reason.cause:
        cause = reason.cause.meaning
        if cause and cause.weight >= Weight.TROUBLE:
            return Explanation(f"{_AT_REST}; the lowering before says why", "", STAND_AGAIN)
    if known and state in ("fault", "stopped") and known.weight is not Weight.FAULT:
        return BY_OUTPUT_STATE["stopped"]
    return known or _BY_STATE.get(state, UNKNOWN)


_USUAL_OFF = (ReasonCode.AT_REST, ReasonCode.NO_COMMAND_YET, ReasonCode.ENDING, ReasonCode.OUTPUT_ENDING)


def events(states: Sequence[StateInterval], servo_states: Sequence[StateInterval]) -> list[Event]:
    """All events in the order of time: the watchdog's states, what went on within them, and what servo_output did by
    itself."""
    found = [event for interval in states for event in _of_interval(interval)]
    stops = [interval.start for interval in states if interval.state == State.FAULT]
    for before, interval in pairwise(servo_states):
        told = interval.state == "stopped" and any(abs(interval.start - stop) < _LIMP_AT for stop in stops)
        by_itself = before.state in ("holding", "lowering")
        usual = interval.reason is not None and interval.reason.code in _USUAL_OFF
        if told or interval.state == "following" or (interval.state == "off" and not by_itself and usual):
            continue
        explanation = explain(interval.state, interval.reason, by_output=True)
        found.append(Event(interval.start, interval.end, "servo_output", interval.state, interval.why, explanation))
    return sorted(found, key=lambda event: event.start)


def _of_interval(interval: StateInterval) -> Iterator[Event]:
    yield Event(
        interval.start, interval.end, "watchdog", interval.state, interval.why, explain(interval.state, interval.reason)
    )
    known = _codes(interval.reason) if interval.state == State.HOLD else set()  # the reasons for the hold itself
    going_on: dict[Explanation, Event] = {}
    for (time, status), (until, _) in pairwise([*interval.told, (interval.end, NodeStatus(""))]):
        for notice in status.notices:
            explanation = notice.meaning
            if explanation is None or notice.code in known:
                continue
            if notice.code in FOLLOWING_CODES:
                explanation = went_slower(explanation)
            before = going_on.get(explanation)
            if before and time - before.end < _SAME:
                begun, why = before.start, before.why
            else:
                if before:
                    yield before
                begun, why = time, str(notice)
            going_on[explanation] = Event(begun, until, "watchdog", interval.state, why, explanation)
    yield from going_on.values()


def _codes(reason: Reason | None) -> set[str]:
    """The codes of a reason and of what caused it."""
    if reason is None:
        return set()
    own = {reason.code} | _codes(reason.cause)
    return own | {ReasonCode.TARGET_REFUSED.value} if reason.code == ReasonCode.BAD_TARGETS else own


def complaints(diagnostics: Iterable[Diagnosis]) -> list[Complaint]:
    """The warnings and errors among what nodes said, each node's of the same code together; what a status tells is
    left out."""
    found: dict[tuple[str, int, str], Complaint] = {}
    for said in diagnostics:
        for code, message in _complaints_of(said):
            key = (said.node, said.level, code)
            known = found.get(key)
            times, first = (known.count, known.first) if known else (0, said.time)
            text = known.message if known else message
            found[key] = Complaint(said.node, said.level, text, times + 1, first, said.time)
    return sorted(found.values(), key=lambda complaint: (-complaint.level, complaint.first))


def _complaints_of(said: Diagnosis) -> list[tuple[str, str]]:
    """Codes and sentences of what a node complains of; without a code the sentence stands for it."""
    if not said.level:
        return []
    status = NodeStatus.of_values(said.values)
    if found := [fact for fact in (status.reason, *status.notices) if fact]:
        return [(fact.code, str(fact)) for fact in found]
    # As recordings have them from before the catalogue had these sentences.
    keys = takewhile(said.values.__contains__, (f"complaint_{number}" for number in count(1)))
    if told := [(said.values[key], said.values.get(f"{key}.says", "")) for key in keys]:
        return told
    if said.node == "servo_output" and "servo_state" in said.values:
        return []  # its status tells it
    return [(said.message, said.message)]
