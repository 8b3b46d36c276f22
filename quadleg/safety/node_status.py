"""Status of a node for programs: state, reason and notices as codes with their figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import count, takewhile

from quadleg.health import Health
from quadleg.safety.catalogue import FOLLOWING_CODES, Reason
from quadleg.safety.reason_codes import ReasonCode

JOINTS_POWERED = "joints_powered"  # the figure that says how many joints servo_output gives power
_STATE, _REASON, _NOTICE = "state", "reason", "notice_"


@dataclass(frozen=True)
class NodeStatus:
    """A state, why it is so, what goes on within it (the worst first), and other `figures` by name."""

    state: str
    reason: Reason | None = None
    notices: tuple[Reason, ...] = ()
    figures: Mapping[str, str] = field(default_factory=dict)

    def values(self) -> dict[str, str]:
        """Key/value pairs for the message."""
        found = {_STATE: self.state} if self.state else {}
        found |= self.reason.values(_REASON) if self.reason else {}
        for number, notice in enumerate(self.notices, 1):
            found |= notice.values(f"{_NOTICE}{number}")
        return {**found, **self.figures}

    @staticmethod
    def of_health(health: Health) -> NodeStatus:
        """Return the status for a `Health` with codes."""
        reason = Reason.of_fact(health.reason) if health.reason else None
        figures = {key: str(value) for key, value in health.values.items()}
        return NodeStatus(health.state, reason, tuple(map(Reason.of_fact, health.notices)), figures)

    @staticmethod
    def of_text(text: str) -> NodeStatus:
        """The status that `<state>: <sentence>` says: all there is in recordings of before there were codes."""
        state, _, words = text.partition(": ")
        return NodeStatus(state, Reason.of(ReasonCode.TOLD_IN_WORDS, detail=words))

    @property
    def sentence(self) -> str:
        """Reason and notices for people; a body that does not follow comes first, and says what the robot does."""
        notices = [str(notice) for notice in self.notices]
        if self.notices and self.notices[0].code in FOLLOWING_CODES:
            return "; ".join([f"{notices[0]}; it goes slower", *notices[1:]])
        return "; ".join([*([str(self.reason)] if self.reason else []), *notices])

    @staticmethod
    def of_values(values: Mapping[str, str]) -> NodeStatus:
        """Return the status in such pairs; what is missing is empty."""
        keys = takewhile(values.__contains__, (f"{_NOTICE}{number}" for number in count(1)))
        notices = (Reason.of_values(values, key) for key in keys)
        reason = Reason.of_values(values, _REASON)
        return NodeStatus(values.get(_STATE, ""), reason, tuple(filter(None, notices)), values)
