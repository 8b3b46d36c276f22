"""The connection of a script to a running stack: what is heard of it, as one frozen snapshot."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from math import isfinite
from types import MappingProxyType
from typing import Any

from quadleg.client.listener import ANSWER_WITHIN, HEARD_WITHIN, GuardedListener
from quadleg.client.snapshot import SERVO_OUTPUT, WATCHDOG, NodeReport, Snapshot
from quadleg.client.spinner import Spinner
from quadleg.health import DIAGNOSTICS_LATE
from quadleg.runtime.node_table import GRAPH
from quadleg.safety.node_status import NodeStatus

TOLD = ("gait", "base_motion", WATCHDOG, SERVO_OUTPUT)  # whose diagnostics a status waits for
WITH_STATE = (WATCHDOG, SERVO_OUTPUT)  # whose status too
FOUND_WITHIN = 4.0  # s: a node takes up to 3 s to be found
NEEDED = tuple(entry.name for entry in GRAPH)


class StackConnection(GuardedListener):
    """One running stack, found by its `namespace`.

    `on_angles` is called with the joints' angles (rad) and their stamp (s of the system clock), `on_state` with the
    watchdog's state, `on_plan` with each message of `planned_feet` while the robot walks. They run on the listener's
    thread. One that raises is taken off, and the call that waits, or the next one, raises CallbackFailed.

    Raises RosMissing without ROS, and StackNotFound where no stack is found within five seconds.
    """

    def __init__(self, namespace: str = "", spinner: Spinner | None = None) -> None:
        super().__init__(namespace, spinner)

        from quadleg.middleware.status_topic import hear_status

        self._now = Snapshot()  # replaced under the lock, read without
        self.on_angles: Callable[[Mapping[str, float], float], None] | None = None
        self.on_state: Callable[[str], None] | None = None
        self.on_plan: Callable[[Any], None] | None = None
        hear_status(self.subscribe, WATCHDOG, self._on_watchdog_status)
        hear_status(self.subscribe, SERVO_OUTPUT, self._on_servo_status)
        self.listen("joint_states", self._on_joint_states)
        self.listen("diagnostics", self._on_diagnostics, 10)
        self.start()
        try:
            # Not more than this: an emergency stop must not wait for a node that has died.
            self.wait(self._anyone, HEARD_WITHIN, self._who_is_missing, condition=False)
        except BaseException:  # an interrupt too: the thread must not outlive the interpreter
            self.close()
            raise

    # What is known

    @property
    def last(self) -> Snapshot:
        """What was last heard, without waiting."""
        return self._now

    def status(self) -> Snapshot:
        """What the stack says of itself now, after its next diagnostics."""
        before, begun = self._now, self.steady_time()

        def told(node: str) -> bool:
            heard = self._now.heard(node)
            known = isfinite(heard) and (node not in WITH_STATE or node in self._now.statuses)
            within = DIAGNOSTICS_LATE if known else FOUND_WITHIN
            return (known and heard > before.heard(node)) or self.steady_time() - begun > within

        self.wait(lambda: all(map(told, TOLD)), ANSWER_WITHIN, lambda: "no diagnostics")
        return self._now

    def condition(self) -> str:
        """The watchdog's state and reason, the warnings of nodes, and which of them are silent."""
        return self._now.condition(self.steady_time(), NEEDED)

    def wait_for(self, *states: str, within: float = 30.0) -> None:
        """Return when the watchdog's state is one of these; raises StackNotFound when it is not in time."""
        self.wait(lambda: self._now.state in states, within, lambda: f"not {' or '.join(states)} within {within:g} s")

    def _anyone(self) -> bool:
        return self._now.state is not None or self._now.servo_state is not None

    def _who_is_missing(self) -> str:
        if not self._anyone():
            return "no running stack is heard; start one in another terminal: quadleg run"
        heard = {"joint_watchdog": self._now.state, "servo_output": self._now.servo_state}
        missing = [node for node, state in heard.items() if state is None] or ["base_motion"]
        return f"a stack is heard, but not its {missing[0]}; is it running?"

    # What comes in, on the listener's thread

    def _replace(self, change: Callable[[Snapshot], Snapshot]) -> Snapshot:
        with self._lock:
            self._now = change(self._now)
            return self._now

    def _stir(self) -> None:
        """Forget that the joints stand still: a target goes out."""
        self._replace(lambda now: replace(now, still=False))

    def _on_watchdog_status(self, status: NodeStatus) -> None:
        self._replace(lambda now: now.with_status(WATCHDOG, status, self.steady_time()))
        self.tell("on_state", status.state)

    def _on_servo_status(self, status: NodeStatus) -> None:
        self._replace(lambda now: now.with_status(SERVO_OUTPUT, status, self.steady_time()))

    def _on_joint_states(self, message: Any) -> None:
        angles = dict(zip(message.name, message.position))
        now = self._replace(lambda now: now.with_angles(angles))
        self.tell("on_angles", now.angles, message.header.stamp.sec + 1e-9 * message.header.stamp.nanosec)

    def _on_diagnostics(self, message: Any) -> None:
        heard = self.steady_time()
        reports = {
            status.name.removeprefix("quadleg: "): NodeReport(
                status.message, status.level, MappingProxyType({pair.key: pair.value for pair in status.values}), heard
            )
            for status in message.status
        }
        self._replace(lambda now: now.with_reports(reports))
