"""The output supervisor for several threads: every change under one lock, every view consistent.

All times are those of a steady clock, in s.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from quadleg.safety.catalogue import Reason
from quadleg.safety.joint_command import Command
from quadleg.safety.output_supervisor import OutputState, OutputSupervisor
from quadleg.safety.reason_codes import ReasonCode


@dataclass(frozen=True)
class OutputView:
    """An `OutputSupervisor` at one moment: state with its reason, the twelve angles (rad) and which joints have power.

    `stamp` (ns) is that of a command that no frame has carried yet, else None; `ending`: no joint without power gets
    any again.
    """

    state: OutputState
    reason: Reason
    angles: tuple[float, ...]
    powered: tuple[bool, ...]
    slowed: int
    stamp: int | None
    ending: bool


class SharedOutput:
    """An `OutputSupervisor` that threads share. The lock is held for no longer than its arithmetic takes: nothing
    waits for a board, a log or a message while it holds it, so a stop never waits either.
    """

    def __init__(self, output: OutputSupervisor) -> None:
        self._output = output
        self._lock = threading.Lock()
        self._stamp: int | None = None
        self._ending = False

    def view(self) -> OutputView:
        with self._lock:
            return self._look()

    def next_frame(self) -> OutputView:
        """Return the output for a frame to the board, which carries the stamp from here on."""
        with self._lock:
            view, self._stamp = self._look(), None
            return view

    def _look(self) -> OutputView:
        o = self._output
        return OutputView(o.state, o.reason, o.angles, o.powered, o.slowed, self._stamp, self._ending)

    def follow(self, command: Command, stamp: int, now: float) -> bool:
        """Take the watchdog's command with its stamp (ns); return whether it is followed."""
        with self._lock:
            if self._ending and not any(self._output.powered):
                return False
            followed = self._output.command(command, now)
            if followed:
                self._stamp = stamp
            return followed

    def stop(self, reason: Reason, now: float) -> None:
        """Stop of category 0. The pulses are to be cut after this: no frame has power any more."""
        with self._lock:
            self._output.stop(reason, now)

    def power_lost(self, reason: Reason, now: float) -> bool:
        """Stop of category 0 where a joint had power; return whether one had."""
        with self._lock:
            had = any(self._output.powered)
            if had:
                self._output.stop(reason, now)
            return had

    def end(self, lower: bool, now: float) -> None:
        """Begin the end of servo_output; with `lower` by a stop of category 1, else the watchdog lowers."""
        with self._lock:
            self._ending = True
            if lower:
                self._output.lower(Reason.of(ReasonCode.OUTPUT_ENDING), now)

    def end_now(self, now: float) -> None:
        """End without power: category 0, and no fault. The pulses are to be cut after this."""
        with self._lock:
            self._ending = True
            self._output.off(Reason.of(ReasonCode.SWITCHED_OFF), now)

    def tick(self, now: float) -> None:
        with self._lock:
            self._output.tick(now)

    def board_fails(self, why: str, held: Callable[[OutputView], Sequence[float | None]], now: float) -> None:
        """The board takes nothing; `held` gives the angles (rad) that it shows, None for a limp joint."""
        with self._lock:
            self._output.board_fails(why, held(self._look()), now)

    def board_takes(self, now: float) -> None:
        with self._lock:
            self._output.board_takes(now)
