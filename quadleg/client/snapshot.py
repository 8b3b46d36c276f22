"""What a client knows of a running stack: one frozen snapshot, which is replaced as a whole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import inf
from types import MappingProxyType

STILL_ANGLE = 5e-4  # rad between two messages, below which a joint stands still
SILENT_AFTER = 3.0  # s: every node publishes diagnostics once a second (middleware/node.py)
STATE_WORDS: dict[str | None, str] = {"hold": "in hold", "fault": "in fault"}  # the other states are adjectives
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

    `why` is the sentence that came with `state`, `servo_why` that with `servo_state`; `still` tells that no joint
    moved between the last two messages of `joint_states`; `diagnostics` are by node.
    """

    state: str | None = None
    state_since: float = 0.0
    why: str = ""
    servo_state: str | None = None
    servo_why: str = ""
    angles: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    still: bool = False
    diagnostics: Mapping[str, NodeReport] = field(default_factory=lambda: MappingProxyType({}))

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

    def with_state(self, state: str, why: str, now: float) -> Snapshot:
        """With the watchdog's state and reason."""
        return replace(self, state=state, why=why, state_since=self.state_since if state == self.state else now)

    def with_servo_state(self, state: str, why: str) -> Snapshot:
        """With the state of servo_output and its reason."""
        return replace(self, servo_state=state, servo_why=why)

    def with_angles(self, angles: Mapping[str, float]) -> Snapshot:
        """With the joints' angles, in rad."""
        still = all(abs(angle - self.angles.get(name, inf)) < STILL_ANGLE for name, angle in angles.items())
        return replace(self, angles=MappingProxyType(dict(angles)), still=still)

    def with_reports(self, reports: Mapping[str, NodeReport]) -> Snapshot:
        """With newer diagnostics of some nodes."""
        return replace(self, diagnostics=MappingProxyType({**self.diagnostics, **reports}))
