"""Writes servo_output's frames to the board in a thread of its own, so that timing never waits for the bus."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from quadleg.errors import BoardError, PowerLost
from quadleg.health import ERROR, OK, WARN
from quadleg.robot.model import RobotModel
from quadleg.safety.catalogue import Reason
from quadleg.safety.joint_command import NONE
from quadleg.safety.joint_limits import JointLimits
from quadleg.safety.reason_codes import ReasonCode
from quadleg.safety.shared_output import OutputView, SharedOutput
from quadleg.servos.board_kinds import board_kind
from quadleg.servos.board_link import BoardLink
from quadleg.servos.simulated_hand import SimulatedHand

CHECK_PERIOD = 0.25  # s between looks at the chip where no frame changes
BUSY = 0.8  # share of a control period that a frame may take on its way to the board
STALLED = 0.1  # s for which a write may take until the board counts as failing

FrameAngles = tuple[float, ...]
Powered = tuple[bool, ...]


class BoardListener(Protocol):
    """Callbacks about the board, from any thread."""

    def log(self, level: bytes, sentence: str) -> None:
        """A level of health.py and what a person should know."""

    def say_state(self, again: bool = False) -> None:
        """The state may have changed; `again`: it is to be said even where it has not."""

    def frame_written(self, stamp: int | None) -> None:
        """A frame is on the board, the first to carry the command with this stamp (ns), if any."""


class FrameWriter:
    """Writes what the output shows, at most one frame behind: of several that wait, the newest.

    `clock` gives s of a steady clock, `listener` hears of the board, `hand` is that of a simulated robot. `written`
    counts frames, `modelled` is where the servos were sent last (rad).
    """

    def __init__(
        self,
        robot: RobotModel,
        period: float,
        output: SharedOutput,
        link: BoardLink,
        clock: Callable[[], float],
        listener: BoardListener,
        hand: SimulatedHand | None = None,
    ) -> None:
        self._robot = robot
        self._period = period
        self._output = output
        self._link = link
        self._clock = clock
        self._listener = listener
        self._hand = hand
        self._limits = JointLimits(robot, period)
        self._last: tuple[FrameAngles, Powered] | None = None
        self._waits_since: float | None = None
        self._checked = 0.0
        self._said_trouble = False
        self.modelled = list(output.view().angles)
        self.written = 0
        self.ended = False  # whether, in an end, no command powers a joint again

    @property
    def held(self) -> tuple[Sequence[float], Sequence[bool]]:
        """The angles (rad) that the servos were sent to, and which have power."""
        view = self._output.view()
        return self._last or (view.angles, view.powered)

    @property
    def board_trouble(self) -> str:
        """Return what keeps the board from taking frames in time, in words; empty if nothing does."""
        if self._link.trouble:
            return f"the board fails: {self._link.trouble}"
        if self._link.seconds <= BUSY * self._period:
            return ""
        takes, period = 1000 * self._link.seconds, 1000 * self._period
        slow = f"a frame takes {takes:.1f} ms on its way to the board, and a control period is {period:.1f} ms"
        if board_kind(self._robot.board.kind).shows_bus_speed:
            speed, wanted = self._link.bus_speed / 1000, self._robot.board.bus_speed / 1000
            slow += f"; the bus runs at about {speed:.0f} kHz, the robot file says {wanted:.0f}"
        return f"{slow}: raise the speed of the bus or port in the computer's settings, or lower control.rate_hz"

    # From any thread

    def has_news(self) -> bool:
        """Whether the output shows another frame than the last one written, which waits from now on."""
        view = self._output.view()
        if (view.angles, view.powered) == self._last:
            return False
        if self._waits_since is None:
            self._waits_since = self._clock()
        return True

    def check_stall(self, now: float) -> None:
        """Treat a write that takes longer than STALLED as a failing board."""
        waits = self._waits_since
        if waits is not None and now - waits > STALLED and self._link.trouble is None:
            self._note_failure(f"a frame is on its way for more than {STALLED:g} s", now)

    def cut(self) -> str:
        """Full-off, ahead of what is on its way; why the board did not take it, empty where it did. `write` repeats it
        until it does."""
        try:
            self._link.cut()
        except BoardError as error:
            self._listener.log(ERROR, f"the pulses could not be switched off: {error}")
            return str(error)
        return ""

    # The writing thread

    def write(self) -> None:
        """Write the newest frame, and check the chip every CHECK_PERIOD."""
        try:
            cuts = self._link.cuts  # before the frame: a stop between the two leaves it without power or refused
            frame = self._output.next_frame()
            self._write(self._within_reach(frame.angles, frame.powered), frame.powered, cuts)
            self._listener.frame_written(frame.stamp)
            if self._clock() - self._checked > CHECK_PERIOD:
                self._checked = self._clock()
                self._link.check()
            self._note_success()
            self.ended = frame.ending and not any(frame.powered)
        except PowerLost as error:
            self._note_power_lost(error)
        except BoardError as error:
            self._note_failure(str(error), self._clock())

    def _within_reach(self, angles: FrameAngles, powered: Powered) -> FrameAngles:
        """At most a frame's way from what was written: two commands may have come between two writes."""
        if self._last is None:
            return angles
        before = [w if on and was else a for a, on, w, was in zip(angles, powered, *self._last)]
        return self._limits.slow(before, angles)[0]

    def _write(self, angles: FrameAngles, powered: Powered, cuts: int) -> None:
        if (angles, powered) == self._last and self._link.trouble is None:
            self._waits_since = None
            return
        before = self._last[1] if self._last else NONE

        def place_legs() -> None:
            if self._hand and any(on and not was for on, was in zip(powered, before)):
                self._hand.before_pulses(angles, powered, before)

        if not self._link.write(angles, powered, cuts, place_legs):
            return
        self._waits_since = None
        self._last = (angles, powered)
        self.written += 1
        for i, on in enumerate(powered):
            if on:
                self.modelled[i] = angles[i]

    def _note_success(self) -> None:
        self._output.board_takes(self._clock())
        if self._said_trouble:
            self._listener.log(OK, "the board takes frames again")
            self._said_trouble = False

    def _note_failure(self, why: str, now: float) -> None:
        def held(view: OutputView) -> Sequence[float | None]:
            last = self._last
            return [angle if on else None for angle, on in zip(*last)] if last else view.angles

        self._output.board_fails(why, held, now)
        if not self._said_trouble:
            self._said_trouble = True
            self._listener.log(ERROR, f"the board fails: {why}")

    def _note_power_lost(self, error: PowerLost) -> None:
        self._waits_since = None
        self._last = None
        if self._output.power_lost(Reason.of(ReasonCode.BOARD_POWER_LOST, detail=error.found), self._clock()):
            self._listener.say_state(again=True)
        else:
            self._listener.log(WARN, f"{error.found}; no servo had power")
