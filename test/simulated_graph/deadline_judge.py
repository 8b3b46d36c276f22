"""Judges holds, lowerings and stops by the table of quadleg/safety/deadlines.py: each is due when what it answers has
lasted for its time, and none comes without a cause.

What goes out is seen on the bus as it is published, what a node does by the state that a person hears of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import Any

from quadleg.middleware.simulated_bus import BusPublisher
from quadleg.middleware.topics import nanoseconds
from quadleg.robot.model import LEGS
from quadleg.runtime.node_table import SERVO_OUTPUT
from quadleg.safety.deadlines import (
    FOUND_TIME,
    HOLD_TIME,
    LIMIT_TIME,
    MISSING_FRAMES,
    OUTPUT_IGNORES_TIMES,
    OUTPUT_SILENT_TIME,
    SILENCE_HOLD,
    SILENCE_LOWER,
)
from quadleg.safety.frame_writer import STALLED
from quadleg.safety.reason_codes import FollowingCode, IdleCode, ReasonCode
from quadleg.servos.board_link import LONGEST_PAUSE
from quadleg.teleop.stack_link import Service
from simulated_graph.observed_board import Held
from simulated_graph.people import Person
from simulated_graph.stack import SimulatedProcess, SimulatedStack
from simulated_graph.unsafe_actions import DISCOVERY, Judge, Lasting, count_of

HEARD_WITHIN = 0.4  # s from what a node does to its word about it: a look, a control period, a message that is late
SAID_WITHIN = 0.3  # s from what servo_output does by its own clock to its word about it
SENSED_WITHIN = 0.5  # s from what the supply does to a reading of it
POWERED = ("rising", "active", "hold", "lowering")
STOPPED = ("lowering", "off", "fault")
LOWERED_HOLDS = (ReasonCode.NO_FRAME, ReasonCode.BAD_TARGETS)  # that HOLD_TIME ends
# Holds that nothing but what they name may cause: of others, a message that is late is the cause for a moment.
LASTING_HOLDS = (ReasonCode.BAD_TARGETS, ReasonCode.OVER_CURRENT, ReasonCode.AT_LIMIT)
BLOCKED_BY_POSE = {ReasonCode.INTO_GROUND.value, ReasonCode.PARTS_TOO_NEAR.value}  # by what a person asks for, as well
MOMENT = 0.5  # s that a hold may last for which there is no more cause than messages that are late
# s that what has happened may still stop the robot: one that died is found, and its successor found to ignore commands
UPSET_AFTER = DISCOVERY + max(HOLD_TIME, *OUTPUT_IGNORES_TIMES.values()) + 1.0
SUPPLY_KINDS = ("low", "over")


@dataclass(frozen=True)
class _Want:
    """A state that is due, from when until when (s), and what it is an answer to."""

    code: str
    due: float
    until: float
    states: tuple[str, ...]
    seen: str


class DeadlineJudge:
    """Judges at every `look`; `upset` and `wants` tell it what happens."""

    def __init__(self, stack: SimulatedStack, judge: Judge, person: Person) -> None:
        self._stack = stack
        self._judge = judge
        self._holds, self._watchdog, self._output = (Lasting(judge, stack) for _ in range(3))
        self._person = person
        self._late = HEARD_WITHIN + 2.0 * judge.late
        self._legs: dict[int, set[str]] = {}
        self._last_frame = self._last_command = -inf
        self._upset_until = stack.now
        self._wants: list[_Want] = []
        self._unfit: dict[str, tuple[float, float]] = {}  # by what it is for
        self._state = self._said = ""
        self._hold_caused = False
        self._enabled_at = self._blocked_at = -inf  # s
        self._followed: SimulatedProcess | None = None  # the servo_output that has followed commands
        self._commanded: dict[str, float] = {}
        self._stands_since = stack.now
        stack.bus.observers.append(self._published)
        stack.bus.service_observers.append(self._called)

    # What happens

    def upset(self, seconds: float) -> None:
        """From now on, and for so long, something may stop the robot."""
        self._upset_until = max(self._upset_until, self._stack.now + seconds)

    def wants(self, code: str, within: float, seconds: float, states: tuple[str, ...], seen: str) -> None:
        """For so many seconds from now on something is so that the watchdog has to answer with one of these states,
        within so many, until somebody has it stand."""
        begun = self._stack.now
        self._wants.append(_Want(code, begun + within + self._late, begun + seconds, states, seen))

    def unfit(self, what: str, after: float, seconds: float) -> None:
        """For so many seconds from now on no power may be given for something; that is known after so many."""
        begun = self._stack.now
        self._unfit[what] = begun + after + self._late, begun + seconds

    def fit(self, what: str) -> None:
        """It is no more."""
        self._unfit.pop(what, None)
        self._wants = [want for want in self._wants if want.seen != what]

    # What is published and asked

    def _published(self, publisher: BusPublisher, message: Any) -> None:
        now = self._stack.now
        if publisher.topic.endswith("/joint_targets") and publisher.node_name.endswith("_ik"):
            legs = self._legs.setdefault(nanoseconds(message.header.stamp), set())
            legs.add(publisher.node_name)
            if len(legs) == len(LEGS):
                self._last_frame = now
            if len(self._legs) > 200:
                del self._legs[next(iter(self._legs))]
        elif publisher.topic.endswith("/joint_commands") and publisher.node_name == "joint_watchdog":
            self._last_command = now
            commanded = dict(zip(message.joint_names, message.points[0].positions)) if message.points else {}
            if commanded != self._commanded:
                self._commanded, self._stands_since = commanded, now

    def _called(self, service: str, request: Any, response: Any) -> None:
        name = service.removeprefix(f"{self._stack.namespace}/")
        if name not in (Service.EMERGENCY_STOP.value, Service.ENABLE.value):
            return
        if name == Service.EMERGENCY_STOP.value or not request.data:
            self.upset(HOLD_TIME)
            return
        self._wants = [want for want in self._wants if want.seen in SUPPLY_KINDS]
        self._enabled_at = self._stack.now
        moves_already = self._person.state("joint_watchdog") in ("rising", "active")
        if response and response.success and not moves_already and self._senses():
            for what, (since, until) in self._unfit.items():
                if since < self._stack.now < until:
                    self._judge.violate("power_to_the_unfit", f"enabled while its supply or body is {what}")

    def _senses(self) -> bool:
        """Whether its sensors are read and heard of."""
        return self._judge.bus_sound and all(
            map(self._judge.sound, map(self._stack.process_of, (SERVO_OUTPUT, "joint_watchdog")))
        )

    # Now and then

    def look(self) -> None:
        """Judge what is due; to be called as often as `Judge.look`."""
        stack, judge, now = self._stack, self._judge, self._stack.now
        state = self._person.state("joint_watchdog")
        watchdog, output = stack.process_of("joint_watchdog"), stack.processes[SERVO_OUTPUT]
        bus_sound = judge.bus_sound
        self._judge_cause(state, self._person.state(SERVO_OUTPUT))
        if judge.sound(watchdog):
            gone = output.exit_code() is not None or output.middleware.frozen_until > now
            follows = gone and state == "active"
            self._watchdog(
                "no_hold", follows, OUTPUT_SILENT_TIME + self._late, "active, and servo_output does not live"
            )
            self._judge_watchdog(state, bus_sound and judge.sound(output))
        else:
            self._watchdog.clear()
        if output.alive:
            self._judge_found(output, self._person.state(SERVO_OUTPUT))
        if judge.sound(output):
            self._judge_output(bus_sound)
        else:
            self._output.clear()

    def _judge_watchdog(self, state: str, output_sound: bool) -> None:
        without = self._stack.now - self._last_frame
        blind = state == "active" and without > MISSING_FRAMES / self._stack.options.rate
        self._watchdog("follows_without_frames", blind, self._late, "active without frames")
        code = self._code()
        for lowered in LOWERED_HOLDS:
            held = output_sound and state == "hold" and code == lowered
            since = f"{lowered} {self._enabled_at}"  # who asks to go on begins it anew
            self._watchdog("held_too_long", held, HOLD_TIME + self._late, f"a hold for {lowered.value}", since)
        said = self._person.state(SERVO_OUTPUT)
        for alone, longest in OUTPUT_IGNORES_TIMES.items():
            ignored = output_sound and state in POWERED and said == alone
            seen = f"state is {state}, servo_output {said}"
            self._watchdog("power_left_on", ignored, longest + 2 * self._late, seen, alone)
        for want in self._wants if output_sound else ():
            if want.due < self._stack.now < want.until and state not in want.states:
                self._judge.violate(want.code, f"state is {state}: {want.seen}")

    def _judge_output(self, bus_sound: bool) -> None:
        stack, now = self._stack, self._stack.now
        board = stack.eye.held()
        powered = any(angle is not None for angle in board)
        said = self._person.state(SERVO_OUTPUT)
        silence = now - self._last_command
        alone = bus_sound and powered and said == "following" and silence > SILENCE_HOLD
        self._output("no_hold", alone, self._late, "servo_output follows without commands")
        # Silence is not counted while the board fails, nor until it is tried again.
        unheard = min(silence, now - stack.bus_faults.failed_at - LONGEST_PAUSE)
        output = stack.processes[SERVO_OUTPUT]
        if self._followed is not output:
            unheard = min(unheard, now - output.made_at - FOUND_TIME)
        held = bus_sound and powered and said == "holding" and unheard > SILENCE_LOWER
        self._output("held_too_long", held, SAID_WITHIN + self._judge.late, "servo_output holds without commands")
        # Words about a board that takes nothing do not wait for it.
        stuck = now < stack.bus_faults.stuck_until and powered and said == "following"
        moves = silence < 0.1 and self._person.state("joint_watchdog") in ("rising", "lowering")
        longest = STALLED + SILENCE_HOLD + self._late
        self._output("report_is_wrong", stuck and moves, longest, "following, and the board takes no frame")
        elsewhere = bus_sound and said == "following" and silence < 0.1 and self._differs(board)
        self._output("not_moved", elsewhere, self._late, "the pulses are not those of a command that stays")

    def _judge_found(self, output: SimulatedProcess, said: str) -> None:
        """A servo_output that was started again gives the others time to find it."""
        age = self._stack.now - output.made_at
        if age < HEARD_WITHIN:  # what is heard is the word of the one before
            return
        if said == "following":
            self._followed = output
        status = self._person.statuses.get(SERVO_OUTPUT)
        silent = status and status.reason and status.reason.code == ReasonCode.SILENCE_LASTS
        if said == "lowering" and silent and self._followed is not output and age < SILENCE_LOWER + FOUND_TIME - 0.2:
            self._judge.violate(
                "stopped_without_cause", f"servo_output found the board running, lowers after {age:.1f} s"
            )

    def _differs(self, board: Held) -> bool:
        """Whether the board shows another frame than the last command, to its counts."""
        if self._stack.now - self._stands_since < self._late:
            return False
        for joint, angle in zip(self._stack.robot.joints, board):
            commanded = self._commanded.get(joint.name)
            if (commanded is None) != (angle is None):
                return True
            if commanded is not None and angle is not None and abs(commanded - angle) > 2 * count_of(joint):
                return True
        return False

    def _code(self) -> str:
        status = self._person.statuses.get("joint_watchdog")
        return status.reason.code if status and status.reason else ""

    def _notices(self) -> set[str]:
        status = self._person.statuses.get("joint_watchdog")
        return {notice.code for notice in status.notices} if status else set()

    def _judge_cause(self, state: str, said: str) -> None:
        """Nothing stops a robot but what happens to it or is asked for."""
        before, self._state = self._state, state
        before_said, self._said = self._said, said
        code = self._code()
        if self._notices() & BLOCKED_BY_POSE:
            self._blocked_at = self._stack.now
        # The simulated IMU does not feel the body lean: commanded to, it seems not to follow.
        caused = bool(self._judge.late) or self._stack.now < self._upset_until or code == FollowingCode.TILTING
        caused |= code == ReasonCode.AT_LIMIT and self._stack.now - self._blocked_at < LIMIT_TIME
        # One that had a cause stays, where only `stand` ends it.
        self._hold_caused = state == "hold" and (caused or (before == "hold" and self._hold_caused))
        if caused:
            self._holds.clear()
            return
        sentence = self._sentence("joint_watchdog")
        if before in ("rising", "active", "hold") and state in STOPPED and not self._idles(code):
            self._judge.violate("stopped_without_cause", f"{before}, then {state}: {sentence}")
        held = state == "hold" and not self._hold_caused
        self._holds("hold_without_cause", held, 0.0 if code in LASTING_HOLDS else MOMENT, sentence)
        if before_said == "following" and said in ("holding", "lowering", "stopped"):
            words = self._sentence(SERVO_OUTPUT)
            self._judge.violate("stopped_without_cause", f"servo_output follows, then {said}: {words}")

    def _idles(self, code: str) -> bool:
        """Whether it is lowered because no command came in its time."""
        unasked = self._stack.now - self._enabled_at
        return code == IdleCode.LOWERED and unasked > self._stack.options.idle_time - 0.1

    def _sentence(self, node: str) -> str:
        status = self._person.statuses.get(node)
        return status.sentence if status else ""
