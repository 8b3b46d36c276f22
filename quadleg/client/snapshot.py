"""What a client knows of a running stack: one frozen snapshot, which is replaced as a whole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import inf
from types import MappingProxyType

from quadleg.safety.node_status import NodeStatus

STILL_ANGLE = 5e-4  # rad between two messages, below which a joint stands still
SILENT_AFTER = 3.0  # s: every node publishes diagnostics once a second (middleware/node.py)
STATE_WORDS: dict[str | None, str] = {"hold": "in hold", "fault": "in fault"}  # the other states are adjectives
WATCHDOG, SERVO_OUTPUT = "joint_watchdog", "servo_output"
OK = b"\x00"  # diagnostic_msgs/DiagnosticStatus.OK


@dataclass(frozen=True)
class NodeReport:
    """The last diagnostics of one node: its sentence, level (of DiagnosticStatus), figures by their keys, and when it
    was heard, in s of the steady clock.
    """

    message: str
    level: bytes
    values: Mapping[str, str]
    heard: float


@dataclass(frozen=True)
class Snapshot:
    """What was last heard of a stack. Angles are in rad by joint name, times in s of the steady clock.

    `statuses` are the nodes' states and codes by node, `diagnostics` what they said last; `still` tells that no joint
    moved between the last two messages of `joint_states`.
    """

    statuses: Mapping[str, NodeStatus] = field(default_factory=lambda: MappingProxyType({}))
    state_since: float = 0.0
    angles: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    still: bool = False
    diagnostics: Mapping[str, NodeReport] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def state(self) -> str | None:
        """The watchdog's state; None where it is not heard."""
        return self._state_of(WATCHDOG)

    @property
    def why(self) -> str:
        """Why it is so, as a sentence."""
        return self._why_of(WATCHDOG)

    @property
    def servo_state(self) -> str | None:
        """servo_output's state; None where it is not heard."""
        return self._state_of(SERVO_OUTPUT)

    @property
    def servo_why(self) -> str:
        """Why it is so, as a sentence."""
        return self._why_of(SERVO_OUTPUT)

    def codes(self, node: str) -> Mapping[str, str]:
        """The codes and figures in a node's last status; empty before the first."""
        status = self.statuses.get(node)
        return status.figures if status else {}

    def _state_of(self, node: str) -> str | None:
        status = self.statuses.get(node)
        return status.state if status else None

    def _why_of(self, node: str) -> str:
        status = self.statuses.get(node)
        return status.sentence if status else ""

    def values(self, node: str) -> Mapping[str, str]:
        """The figures in a node's last diagnostics; empty before the first."""
        report = self.diagnostics.get(node)
        return report.values if report else {}

    def message(self, node: str) -> str:
        """The sentence in a node's last diagnostics."""
        report = self.diagnostics.get(node)
        return report.message if report else f"{node} is not heard"

    def heard(self, node: str) -> float:
        """When a node's last diagnostics came, in s of the steady clock; minus infinity before the first."""
        report = self.diagnostics.get(node)
        return report.heard if report else -inf

    @property
    def robot(self) -> str:
        """The watchdog's state and reason, as a clause."""
        if not self.state:
            return "joint_watchdog is not heard"
        return f"the robot is {STATE_WORDS.get(self.state, self.state)} ({self.why})"

    def condition(self, now: float, nodes: Sequence[str]) -> str:
        """What is known of why something does not happen: state, reason, warnings, and which of `nodes` are silent."""
        parts = [self.robot]
        if self.servo_state != "following":
            said = f"is {self.servo_state} ({self.servo_why})" if self.servo_state else "is not heard"
            parts.append(f"servo_output {said}")
        for node in ("base_motion", "gait"):
            report = self.diagnostics.get(node)
            if report and report.level != OK:
                parts.append(f"{node}: {report.message}")
        never = [node for node in nodes if node not in self.diagnostics]
        if never:
            parts.append(f"no diagnostics of {', '.join(never)}")
        silent = [node for node in nodes if SILENT_AFTER < now - self.heard(node) < inf]
        parts += [f"{node} is silent for {now - self.heard(node):.0f} s" for node in silent]
        return "; ".join(parts)

    # The next snapshot

    def with_status(self, node: str, status: NodeStatus, now: float) -> Snapshot:
        """With a newer status of a node, heard at `now`."""
        statuses = MappingProxyType({**self.statuses, node: status})
        changed = node == WATCHDOG and status.state != self.state
        return replace(self, statuses=statuses, state_since=now if changed else self.state_since)

    def with_angles(self, angles: Mapping[str, float]) -> Snapshot:
        """With the joints' angles, in rad."""
        still = all(abs(angle - self.angles.get(name, inf)) < STILL_ANGLE for name, angle in angles.items())
        return replace(self, angles=MappingProxyType(dict(angles)), still=still)

    def with_reports(self, reports: Mapping[str, NodeReport]) -> Snapshot:
        """With newer diagnostics of some nodes."""
        return replace(self, diagnostics=MappingProxyType({**self.diagnostics, **reports}))
