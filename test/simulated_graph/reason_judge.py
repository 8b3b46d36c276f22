"""Judges what the watchdog and servo_output give as reasons: each says that something has been so for a time, and what
the node has heard shows whether it has. None comes too early, and nothing goes on that only a person may let go on.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import inf, isfinite, nan
from typing import Any

from quadleg.middleware.simulated_bus import BusPublisher, BusSubscription
from quadleg.middleware.topics import nanoseconds
from quadleg.robot.model import LEGS
from quadleg.runtime.node_table import SERVO_OUTPUT
from quadleg.safety.catalogue import FOLLOWING_CODES
from quadleg.safety.deadlines import (
    FOUND_TIME,
    HOLD_TIME,
    LOW_TIME,
    MISSING_FRAMES,
    OUTPUT_IGNORES_TIMES,
    OUTPUT_SILENT_TIME,
    OVER_TIME,
    SILENCE_HOLD,
    SILENCE_LOWER,
    STOPPED_TIME,
)
from quadleg.safety.following_sentences import FOLLOWING_SENTENCES
from quadleg.safety.node_status import JOINTS_POWERED, NodeStatus
from quadleg.safety.reason_codes import FollowingCode, ReasonCode
from quadleg.safety.supply_watch import LOST_SHARE
from quadleg.teleop.stack_link import Service
from simulated_graph.stack import SimulatedProcess, SimulatedStack
from simulated_graph.unsafe_actions import Judge

WATCHDOG = "joint_watchdog"
SPREAD = 0.9  # of a control period from a frame's first target to its last: surely in time
ASKED_BEFORE = 2.0  # s that a request may be on its way
READ_WITHIN = 0.5  # s from a reading of the supply or the IMU to what comes of it
SETTLED = 1.0  # s that a process has run without a pause: what it hears is what is published
TOLD_WITHIN = 0.4  # s from a reading to a notice of what comes of it
BY_IMU = {FollowingCode.TILTING, FollowingCode.SINKING, FollowingCode.SLIPPING, FollowingCode.LEG_CAUGHT}
# Holds that end by a person's word alone.
ENDED_BY_HAND = {ReasonCode.BAD_TARGETS, ReasonCode.AT_LIMIT, ReasonCode.OVER_CURRENT, *FOLLOWING_SENTENCES}


@dataclass
class _Said:
    """What a node said last, since when (s), and by which of its processes."""

    state: str = ""
    code: str = ""
    since: float = inf
    process: SimulatedProcess | None = None
    notices: frozenset[str] = frozenset()
    powered: bool = False  # whether joints had power, as far as it said


class ReasonJudge:
    """Hears what the two nodes hear, and what they say, on the bus of a stack."""

    def __init__(self, stack: SimulatedStack, judge: Judge) -> None:
        self._stack = stack
        self._judge = judge
        self._period = 1.0 / stack.options.rate
        self._watchdog, self._output = _Said(), _Said()
        self._legs: dict[int, dict[str, float]] = {}
        self._frames: list[tuple[float, float]] = []  # the last that the watchdog heard: when, over what time (s)
        self._command_heard = -inf  # when servo_output heard the last (s)
        self._output_heard = -inf  # when the watchdog heard anything of servo_output (s)
        self._output_silent = False  # whether it heard nothing for long since its last status
        self._output_state, self._output_since = "", inf  # as the watchdog heard it, since when (s)
        self._low_since = self._over_since = inf
        self._lost_heard = self._imu_heard = self._joints_heard = -inf
        self._power_commanded = -inf  # when servo_output heard the last command that names joints (s)
        self._enable_asked = self._reset_asked = -inf
        self._stops_asked: list[float] = []
        self._stopped_at = -inf  # when the last stop that was answered had been asked for (s)
        self._stranger_commands = -inf
        stack.bus.observers.append(self._published)
        stack.bus.heard_observers.append(self._heard_by_node)
        stack.bus.service_observers.append(self._called)

    # What is heard

    def _called(self, service: str, request: Any, response: Any) -> None:
        name = service.removeprefix(f"{self._stack.namespace}/")
        if name == Service.ENABLE.value and request.data:
            self._enable_asked = self._stack.now
        elif name == Service.RESET.value:
            self._reset_asked = self._stack.now
        elif name == Service.EMERGENCY_STOP.value:
            if response is None:
                self._stops_asked.append(self._stack.now)
            elif self._stops_asked:
                self._stopped_at = self._stops_asked.pop(0)

    def _heard_by_node(self, subscription: BusSubscription, publisher: BusPublisher, message: Any) -> None:
        name = subscription.topic.removeprefix(f"{self._stack.namespace}/")
        if subscription.node_name == SERVO_OUTPUT and name == "joint_commands":
            if message.joint_names:
                self._power_commanded = self._stack.now
            if publisher.node_name == WATCHDOG:
                self._command_heard = self._stack.now
            else:  # it may be refused, and one without joints releases a stop
                self._stranger_commands = self._stack.now
        elif subscription.node_name != WATCHDOG:
            return
        elif name == "joint_targets":
            self._hear_target(publisher, message)
        elif name == "supply":
            self._hear_supply(message)
        elif name == "imu/data":
            self._imu_heard = self._stack.now
        elif name == "joint_states":
            self._joints_heard = self._stack.now
            self._hear_output(None)
        elif name == "servo_output/status":
            self._hear_output(message)

    def _hear_target(self, publisher: BusPublisher, message: Any) -> None:
        now = self._stack.now
        if not all(map(isfinite, message.points[0].positions if message.points else (nan,))):
            return
        came = self._legs.setdefault(nanoseconds(message.header.stamp), {})
        came[publisher.node_name] = now
        if len(came) == len(LEGS):
            self._frames = [*self._frames[-9:], (now, now - min(came.values()))]
        if len(self._legs) > 200:
            del self._legs[next(iter(self._legs))]

    def _hear_supply(self, message: Any) -> None:
        supply, now = self._stack.robot.supply, self._stack.now
        low, over = message.voltage < supply.low_voltage, -message.current > supply.rated_current
        self._low_since = min(self._low_since, now) if low else inf
        self._over_since = min(self._over_since, now) if over else inf
        if not message.present or message.voltage < LOST_SHARE * supply.voltage:
            self._lost_heard = now

    def _hear_output(self, message: Any) -> None:
        now = self._stack.now
        self._output_silent |= now - self._output_heard > OUTPUT_SILENT_TIME
        self._output_heard = now
        if message is None:
            return
        self._output_silent = False
        state = _status_of(message).state
        if state != self._output_state:
            self._output_state, self._output_since = state, now

    # What is said

    def _published(self, publisher: BusPublisher, message: Any) -> None:
        if publisher.node_name == WATCHDOG and publisher.topic.endswith(f"/{WATCHDOG}/status"):
            process = self._stack.process_of(WATCHDOG)
            self._watchdog = self._heard(self._watchdog, message, process, self._judge_watchdog)
        elif publisher.node_name == SERVO_OUTPUT and publisher.topic.endswith(f"/{SERVO_OUTPUT}/status"):
            process = self._stack.processes[SERVO_OUTPUT]
            self._output = self._heard(self._output, message, process, self._judge_output)

    def _heard(
        self, before: _Said, message: Any, process: SimulatedProcess, judge: Callable[[_Said, _Said], None]
    ) -> _Said:
        status = _status_of(message)
        now = self._stack.now
        notices = frozenset(notice.code for notice in status.notices)
        powered = status.figures.get(JOINTS_POWERED, "0") != "0"
        said = _Said(status.state, status.reason.code if status.reason else "", now, process, notices, powered)
        if said.state == before.state and said.process is before.process:
            said.since = before.since
        settled = process.awake_since() < min(now, before.since) - SETTLED and process.middleware.slowness == 1.0
        if settled and before.process is process:
            if (said.state, said.code) != (before.state, before.code):
                judge(before, said)
            for code in notices - before.notices:
                self._judge_notice(code)
        for reason in (status.reason, *status.notices):
            if reason and reason.code in FOLLOWING_CODES and "nan" in reason.figures.get("figure", ""):
                self._judge.violate("reason_is_wrong", f"{said.state}: {reason}")
        return said

    def _judge_notice(self, code: str) -> None:
        """What a sensor is to have told, it has told a moment ago."""
        heard = {FollowingCode.JOINT_STUCK.value: self._joints_heard, **dict.fromkeys(BY_IMU, self._imu_heard)}
        silent = self._stack.now - heard.get(code, inf)
        if silent > TOLD_WITHIN:
            self._judge.violate("reason_is_wrong", f"{code}, and its sensor is silent for {silent:.2f} s")

    # What it comes to

    def _judge_watchdog(self, before: _Said, said: _Said) -> None:
        now, lasted = self._stack.now, self._stack.now - before.since
        slack = 2 * self._period
        last_frame = max((when for when, spread in self._frames if spread < SPREAD * self._period), default=-inf)
        checks: dict[tuple[str, str], Callable[[], bool]] = {
            ("hold", ReasonCode.NO_FRAME): lambda: now - last_frame > MISSING_FRAMES * self._period,
            ("hold", ReasonCode.OUTPUT_SILENT): lambda: (
                self._output_silent or now - self._output_heard > OUTPUT_SILENT_TIME
            ),
            ("hold", ReasonCode.OVER_CURRENT): lambda: before.state != "rising" and now - self._over_since > OVER_TIME,
            ("lowering", ReasonCode.OVER_CURRENT): lambda: (
                now - self._over_since > OVER_TIME + (0.0 if before.state == "rising" else HOLD_TIME)
            ),
            ("lowering", ReasonCode.SUPPLY_LOW): lambda: now - self._low_since > LOW_TIME,
            ("lowering", ReasonCode.HELD_TOO_LONG): lambda: before.state == "hold" and lasted > HOLD_TIME - slack,
            ("fault", ReasonCode.SUPPLY_LOST): lambda: now - self._lost_heard < READ_WITHIN,
            ("fault", ReasonCode.SUPPLY_ABSENT): lambda: now - self._lost_heard < READ_WITHIN,
            ("lowering", FollowingCode.TILTING): lambda: now - self._imu_heard < READ_WITHIN,
            ("lowering", FollowingCode.SINKING): lambda: now - self._imu_heard < READ_WITHIN,
            ("hold", FollowingCode.JOINT_STUCK): lambda: now - self._joints_heard < READ_WITHIN,
            ("lowering", FollowingCode.JOINT_STUCK): lambda: now - self._joints_heard < READ_WITHIN,
            ("off", ReasonCode.OUTPUT_IGNORES): lambda: (
                now - self._output_since > OUTPUT_IGNORES_TIMES.get(self._output_state, inf)
            ),
        }
        self._judge_reason(before, said, checks)
        if said.state != before.state:
            self._judge_going_on(before, said)

    def _judge_reason(self, before: _Said, said: _Said, checks: dict[tuple[str, str], Callable[[], bool]]) -> None:
        """By the check, if there is one, for a state with this code."""
        is_so = checks.get((said.state, said.code))
        if is_so and not is_so():
            lasted = self._stack.now - before.since
            self._judge.violate("reason_is_wrong", f"{before.state} for {lasted:.2f} s, then {said.state}: {said.code}")

    def _judge_going_on(self, before: _Said, said: _Said) -> None:
        """What only a person may let go on, and what only good frames may."""
        seen = f"{before.state} ({before.code}), then {said.state} ({said.code})"
        asked = self._enable_asked > before.since - ASKED_BEFORE
        rises = said.state == "rising" and before.state in ("off", "lowering")
        held = before.state == "hold" and before.code in ENDED_BY_HAND and said.state == "active"
        if (rises or held) and not asked:
            self._judge.violate("goes_on_unasked", f"{seen}; without `enable`")
        if before.state == "fault" and self._reset_asked < before.since - ASKED_BEFORE:
            self._judge.violate("goes_on_unasked", f"{seen}; without `reset`")
        waits = before.state == "hold" and before.code == ReasonCode.NO_FRAME and said.state == "active"
        if waits and self._enable_asked < before.since - ASKED_BEFORE:
            good = self._good_in_a_row(before.since)
            # It went on a period or two before it says so, and may have heard of the output since.
            known = self._stack.now - self._output_since > 2 * self._period
            if good < MISSING_FRAMES or (known and self._output_state != "following"):
                self._judge.violate("goes_on_unasked", f"{seen}; {good} good frames, output {self._output_state}")

    def _good_in_a_row(self, since: float) -> int:
        """How many frames have come since then (s), of the last ones between which none were missing."""
        count, next_one = 0, inf
        for when, _ in reversed(self._frames):
            if when < since or (count and next_one - when > (MISSING_FRAMES + 0.5) * self._period):
                break
            count, next_one = count + 1, when
        return count

    def _judge_output(self, before: _Said, said: _Said) -> None:
        now, lasted = self._stack.now, self._stack.now - before.since
        slack = 2 * self._period
        faults = self._stack.bus_faults
        by_silence = SILENCE_LOWER + FOUND_TIME if before.code == ReasonCode.FOUND_RUNNING else SILENCE_LOWER
        already = 0.0 if before.code == ReasonCode.FOUND_RUNNING else SILENCE_HOLD
        silent_for = by_silence - already - slack
        sound = now - faults.failed_at > SILENCE_LOWER
        checks: dict[tuple[str, str], Callable[[], bool]] = {
            ("holding", ReasonCode.WATCHDOG_SILENT): lambda: not sound or now - self._command_heard > SILENCE_HOLD,
            ("holding", ReasonCode.BOARD_FAILS): lambda: (
                now - faults.failing_since > SILENCE_HOLD or now < faults.stuck_until + 1.0
            ),
            # What a chip without power has lost was nothing where no joint had power.
            ("stopped", ReasonCode.BOARD_POWER_LOST): lambda: before.powered or now - self._power_commanded < 0.5,
            # While the board fails, silence is not counted.
            ("lowering", ReasonCode.SILENCE_LASTS): lambda: (
                before.state == "holding"
                and lasted > silent_for
                and (before.code != ReasonCode.BOARD_FAILS or now - faults.failed_at > silent_for)
            ),
        }
        self._judge_reason(before, said, checks)
        powered = any(angle is not None for angle in self._stack.eye.held())
        if before.state == "lowering" and said.state in ("following", "holding") and powered:
            self._judge.violate("lowering_is_given_up", f"servo_output lowers ({before.code}), then {said.state}")
        if before.state == "stopped" and said.state != "stopped":
            self._judge_end_of_stop(max(before.since, self._stopped_at), said)

    def _judge_end_of_stop(self, stopped: float, said: _Said) -> None:
        """A stop lasts until everyone has heard of it, and then until a reset; `stopped`: when the last came (s)."""
        lasted = self._stack.now - stopped
        seen = f"after {lasted:.2f} s {said.state} ({said.code})"
        if lasted < STOPPED_TIME - 2 * self._period:
            self._judge.violate("stop_ends_too_soon", seen)
        elif self._reset_asked < stopped - ASKED_BEFORE and self._stranger_commands < stopped:
            self._judge.violate("stop_ends_too_soon", f"{seen}; without `reset`")


def _status_of(message: Any) -> NodeStatus:
    return NodeStatus.of_values({pair.key: pair.value for pair in message.values})
