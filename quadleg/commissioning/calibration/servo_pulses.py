"""One servo at a time, moved slowly by pulses: the same board, chip driver and output switch as under `run`.

All pulses are in s. Only `cut` may be called from another thread.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from math import ceil, copysign, floor, radians

from quadleg.errors import BoardError, PowerLost
from quadleg.hardware.board import Board
from quadleg.hardware.output_enable import OutputSwitch
from quadleg.hardware.pca9685 import COUNTS, PCA9685
from quadleg.robot.model import BoardSettings, OutputEnable, Servo
from quadleg.servos.pulse_conversion import counts_from_pulse, pulse_from_counts

SPEED = radians(30)  # rad/s: slow enough to take a finger away
SETTLE = 0.8  # s that a cold servo gets to answer its first pulse, at its own speed


class Stopped(Exception):
    """A person has cut the pulses in the middle of a move."""


class Pulses:
    """Opens the board; `found` lists the channels on which it makes pulses already.

    `turned` is the pulse to which the servo has really turned: it stops short by its deadband, on the side it came
    from. `opener` opens the board, again after each `lost`. Raises BoardError where that fails.
    """

    def __init__(
        self,
        settings: BoardSettings,
        opener: Callable[[], Board],
        sleep: Callable[[float], None] = time.sleep,
        open_switch: Callable[[OutputEnable | None], OutputSwitch] = OutputSwitch,
    ) -> None:
        self._settings = settings
        self._opener = opener
        self._sleep = sleep
        self._switch = open_switch(settings.output_enable)
        self._cuts = self._obeyed = 0
        self._live: int | None = None
        self._last: dict[int, float] = {}
        self.turned = 0.0
        self.found = self._open()

    @property
    def live(self) -> int | None:
        """The channel that gets pulses; None: no servo is powered."""
        return self._live if self._cuts == self._obeyed else None

    @property
    def count(self) -> float:
        """The time in s of one count: the chip's finest step."""
        return self._chip.period / COUNTS

    def at(self, servo: Servo) -> float:
        """The pulse that a servo has, or had last; in the middle of its kind's range before its first."""
        return self._last.get(servo.channel, sum(servo.kind.pulse_range) / 2)

    def go(self, servo: Servo, pulse: float) -> None:
        """Bring one servo to a pulse, within its stops, no faster than `SPEED`; all others are limp.

        A servo that was limp first gets the pulse that it had last, which it answers at full speed. Raises Stopped
        where `cut` came between, and BoardError where the board takes nothing.
        """
        cuts = self._obeyed
        self._halt_if_cut(cuts)
        if not self._chip.running():
            self._live = None
            raise PowerLost("the board has lost its power, its outputs are off")
        if self._live != servo.channel:
            self.off()
            self._switch.set(True, lambda: cuts == self._cuts)
            self.turned = self._put(servo, self.at(servo), cuts)
            self._live = servo.channel
            self._sleep(SETTLE)
        nearest = servo.kind.deadband
        step = abs(servo.pulse_per_radian) * SPEED * self._chip.period
        here = self.at(servo)
        while True:
            here = pulse if abs(pulse - here) <= step else here + copysign(step, pulse - here)
            wire = self._put(servo, here, cuts)
            self.turned = min(max(self.turned, wire - nearest), wire + nearest)
            self._sleep(self._chip.period)
            if here == pulse:
                return

    def _put(self, servo: Servo, pulse: float, cuts: int) -> float:
        """Send a pulse; the one that is really on the wire, in whole counts. The stops are rounded inwards."""
        low, high = (stop / self.count for stop in servo.stops)
        counts = min(max(counts_from_pulse(pulse, self._chip.period), ceil(low)), floor(high))
        self._halt_if_cut(cuts)
        self._chip.write({servo.channel: counts}, lambda: cuts == self._cuts)
        wire = self._last[servo.channel] = pulse_from_counts(counts, self._chip.period)
        self._halt_if_cut(cuts)
        return wire

    def _halt_if_cut(self, cuts: int) -> None:
        """Raise Stopped, once, where there was a cut after the one that is obeyed; what came after it is cut too."""
        if cuts != self._cuts:
            self._live, self._obeyed = None, self._cuts
            self._chip.cut()
            raise Stopped

    def off(self) -> None:
        """No pulse on any channel. Raises BoardError where the board does not take it."""
        self._live = None
        try:
            self._switch.set(False)
        finally:
            self._chip.all_off()

    def cut(self) -> None:
        """No pulse on any channel, ahead of what is on its way; from any thread."""
        self._cuts += 1
        try:
            self._switch.set(False)
        finally:
            self._chip.cut()

    def again(self) -> None:
        """Open the board once more after it has failed. Raises BoardError where that fails too."""
        self._board.close()
        self._open()

    def close(self) -> bool:
        """All pulses off, and let go of the board; whether it took that."""
        try:
            self.off()
        except BoardError:
            return False
        finally:
            self._board.close()
        return True

    def _open(self) -> list[int]:
        self._board = self._opener()
        try:
            self._chip = PCA9685(self._board, self._settings, self._sleep)
            if not self._chip.start():
                self._live = None
                return []
            return [channel for channel, counts in self._chip.read().items() if counts is not None]
        except BoardError:
            self._board.close()
            raise
