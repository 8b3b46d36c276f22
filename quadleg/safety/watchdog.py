"""The watchdog between joint targets and servos: it follows frames, and answers requests.

Its states are in state_machine.py, what stops it in stop_judge.py, its deadlines in deadlines.py, its sentences in
catalogue.py. All times are those of a steady clock, in s.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf
from typing import NamedTuple

from quadleg.errors import TargetError
from quadleg.robot.model import RobotModel
from quadleg.safety.catalogue import Reason
from quadleg.safety.deadlines import HOLD_TIME, LIMIT_TIME, LOWERED_WAIT, MISSING_FRAMES
from quadleg.safety.joint_command import Command
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.notice_board import Notice
from quadleg.safety.reason_codes import ReasonCode
from quadleg.safety.state_machine import HoldKind, State
from quadleg.safety.stop_judge import StopJudge

LAST_WORDS = 5  # control periods from the power being off to the end


class Answer(NamedTuple):
    """Whether a request is granted, and the sentence for the caller."""

    done: bool
    reason: Reason


class Watchdog(StopJudge):
    """One robot's watchdog at one control period (s).

    Feed it with `targets` (or `frame`), `output_says`, `supply`, `tilt`, `enable`, `reset` and `tick`, which has to be
    called once a period. `targets` and `tick` give the command to send, or None when there is none. The watches hold
    what is known of every cause of a stop. With an `idle_time` (s) a robot that stands for so long without being
    asked for anything lowers itself; 0: never.
    """

    def __init__(self, robot: RobotModel, period: float, now: float, idle_time: float = 0.0) -> None:
        super().__init__(robot, period, now, idle_time)
        self._robot = robot
        self._period = period
        self._ending = False
        self._last_words = 0
        self._good_in_hold = 0
        self._limited_since = inf  # when a leg reached its limit; infinite if none has
        self._last_sent = -inf
        self._lowered_at = -inf
        self.sent = 0
        self.slowed = 0

    @property
    def notices(self) -> tuple[Reason, ...]:
        """What goes on within the state; the first is that the body does not follow."""
        failing = self._machine.notices.failing if self.state is State.ACTIVE else None
        found: tuple[Reason, ...] = (failing,) if failing else ()
        found += self._machine.notices.others
        if not self.powered and self.output_watch.by_itself:
            found += (Reason.of(ReasonCode.OUTPUT_BY_ITSELF, output=self.output_watch.state),)
        elif not self.powered and (foreign := self.output_watch.foreign_power):
            found += (foreign,)
        return found

    @property
    def why(self) -> str:
        """Reason and notices as sentences."""
        return NodeStatus(self.state.value, self.reason, self.notices).sentence

    @property
    def stop_category(self) -> int | None:
        """The IEC 60204-1 category of the last stop."""
        return self._machine.stop_category

    @property
    def holds(self) -> int:
        return self._machine.holds

    @property
    def finished(self) -> bool:
        """Whether an ending watchdog has taken the power off."""
        return self._ending and not self.powered

    @property
    def ended(self) -> bool:
        """Whether it is finished and has commanded that for LAST_WORDS periods, so that one command arrives."""
        return self._last_words >= LAST_WORDS

    # What comes in

    def targets(
        self, stamp: int, names: Sequence[str], points: Sequence[Sequence[float]], now: float
    ) -> Command | None:
        """Take one leg's joint target; return the command to send if it completes a frame that is followed."""
        try:
            frame = self.target_watch.take(stamp, names, points, now)
        except TargetError as error:
            self._note(Notice.REFUSED, Reason.of(ReasonCode.TARGET_REFUSED, detail=error), now)
            return None
        return None if frame is None else self.frame(frame, now)

    def frame(self, frame: tuple[float, ...], now: float) -> Command | None:
        """Take a whole frame, twelve finite angles (rad), as four joint targets; return the command to send."""
        if self.target_watch.missing(now):
            self._good_in_hold = 0
        self.target_watch.good(now)
        self.idle.targets(frame, now)
        if self.state is State.HOLD and self._machine.hold_kind in (HoldKind.MISSING, HoldKind.SILENT):
            self._good_in_hold += 1
            if self._good_in_hold >= MISSING_FRAMES and not self.output_watch.trouble:
                self._follow(now)
        if self.state is not State.ACTIVE:
            return None
        return self._follow_frame(frame, now)

    def enable(self, on: bool, now: float) -> Answer:
        """Power on (rise, or go on after a hold) or off (lower first)."""
        if not on:
            return self._sit(Reason.of(ReasonCode.ASKED_TO_SIT), now)
        self.idle.begin(now)
        if self.state in (State.RISING, State.ACTIVE):
            return Answer(True, Reason.of(ReasonCode.ALREADY, state=self.state.value))
        refusal = self._refusal()
        if not refusal and not self.powered:
            refusal = self.output_watch.refusal(now)
        if refusal:
            return Answer(False, Reason.of(ReasonCode.REFUSED, refusal))
        if self.state is State.HOLD:
            return self._go_on(now)
        self._judge_anew()
        turned_back = self.state is State.LOWERING
        self._machine.rise(Reason.of(ReasonCode.TURNED_BACK if turned_back else ReasonCode.ENABLED), now)
        return Answer(True, Reason.of(ReasonCode.RISES, height_mm=f"{1000 * self._robot.standing.height:.0f}"))

    def reset(self, now: float) -> Answer:
        """Leave `fault` for `off`."""
        if self.state is not State.FAULT:
            return Answer(True, Reason.of(ReasonCode.NO_FAULT, state=self.state.value))
        self._machine.leave_fault(now)
        return Answer(True, Reason.of(ReasonCode.FAULT_LEFT))

    def end(self, now: float) -> None:
        """Begin the orderly shutdown: lower, then off; nothing enables it again."""
        self._ending = True
        self._sit(Reason.of(ReasonCode.ENDING), now)

    def end_at_once(self, now: float) -> None:
        """Shut down without lowering: power off now."""
        self.end(now)
        self.off_now(Reason.of(ReasonCode.SWITCHED_OFF), now)

    # What goes out

    def tick(self, now: float) -> Command | None:
        """One control period: check deadlines, advance the watchdog's own paths; return the command to send."""
        command = self._step(now)
        self._last_words += self.finished
        return command

    def _step(self, now: float) -> Command | None:
        missing = self.target_watch.assembly.expire(now)
        if missing and self.state is State.ACTIVE:
            self._note(Notice.INCOMPLETE, Reason.of(ReasonCode.FRAME_INCOMPLETE, legs=", ".join(missing)), now)
        self._judge(now)
        if self.state in (State.RISING, State.LOWERING):
            self._advance(now)
        elif self.state is State.ACTIVE:
            self._judge_targets(now)
            if self.state is State.ACTIVE and now - self._last_sent < 1.5 * self._period:
                return None
        elif self.state is State.HOLD:
            self._advance(now)
            if self._machine.hold_kind in (HoldKind.MISSING, HoldKind.BAD) and now - self._machine.since > HOLD_TIME:
                self._machine.lower(Reason.of(ReasonCode.HELD_TOO_LONG, self.reason, seconds=f"{HOLD_TIME:g}"), now)
        if self.state is State.FAULT and self.output_watch.stopped:
            return None  # servo_output keeps the stop for a restarted watchdog: a command would release it
        # A lost supply and a tipped body cut the power in any state.
        cut = self.powered or self.supply_watch.lost or self.tilt_watch.lasts(now)
        if not cut and self.output_watch.unsettled(now):
            return None
        return self._command(now)

    def _command(self, now: float) -> Command:
        self._last_sent = now
        if self.powered:
            self.output_watch.give_power()
        return Command(self._machine.angles, tuple(self._machine.powered))

    def _follow_frame(self, frame: tuple[float, ...], now: float) -> Command:
        limited = self._machine.limits.apply(self._machine.angles, frame)
        self._machine.angles = limited.angles
        self.sent += 1
        if limited.share < 1.0:
            self.slowed += 1
            if not self.supply_watch.over:
                self._note(Notice.SLOWED, Reason.of(ReasonCode.SLOWED), now)
        if not limited.stops:
            self._limited_since = inf
            return self._command(now)
        (stop, *_) = limited.stops
        self._note(Notice.LIMIT, stop, now)
        self._limited_since = min(self._limited_since, now)
        if now - self._limited_since > LIMIT_TIME:
            self._hold(HoldKind.LIMIT, Reason.of(ReasonCode.AT_LIMIT, stop, seconds=f"{LIMIT_TIME:g}"), now)
        return self._command(now)

    # Changes of state

    def _advance(self, now: float) -> None:
        ended = self._machine.advance()
        if self.state is State.RISING:
            if ended:
                self._follow(now)
        elif self._machine.is_lowered:
            if ended:
                self._lowered_at = now
            watch, machine = self.output_watch, self._machine
            if not watch.has_lowered(machine.angles, machine.since) and now - self._lowered_at < LOWERED_WAIT:
                return
            self._machine.switch_off(State.OFF, Reason.of(ReasonCode.AT_REST, self.reason), now, category=1)
            if watch.state is None:
                watch.leave_power()  # it may have stood still: its power is not to be cut once it is heard again

    def _follow(self, now: float) -> None:
        self._machine.follow(now)
        self.target_watch.begin()
        self._limited_since = inf

    def _hold(self, kind: HoldKind, reason: Reason, now: float) -> None:
        super()._hold(kind, reason, now)
        self._good_in_hold = 0

    def _refusal(self) -> Reason | None:
        if self._ending:
            return Reason.of(ReasonCode.ENDING)
        if self.state is State.FAULT:
            return Reason.of(ReasonCode.IN_FAULT, self.reason)
        supply = self.supply_watch
        return supply.lost or supply.low or supply.over or self.tilt_watch.tipped or self.heat.refusal()

    def _go_on(self, now: float) -> Answer:
        self._judge_anew()
        missing = self.target_watch.missing(now) or self.output_watch.trouble
        if missing:
            self._hold(HoldKind.MISSING, missing, now)
            return Answer(True, Reason.of(ReasonCode.HOLDS_ON, missing, seconds=f"{HOLD_TIME:g}"))
        self._follow(now)
        return Answer(True, Reason.of(ReasonCode.GOES_ON))

    def _sit(self, reason: Reason, now: float) -> Answer:
        if not self.powered:
            return Answer(True, Reason.of(ReasonCode.ALREADY, state=self.state.value))
        self._machine.lower(reason, now)
        return Answer(True, Reason.of(ReasonCode.LOWERS))
