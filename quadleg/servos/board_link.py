"""The twelve joints' link to a board that may fail, be unplugged and come back."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from statistics import median

from quadleg.errors import BoardError, PowerLost
from quadleg.hardware.board import Board
from quadleg.hardware.i2c_board import transfer_clocks
from quadleg.hardware.output_enable import OutputSwitch
from quadleg.hardware.pca9685 import PCA9685
from quadleg.robot.model import Angles, OutputEnable, RobotModel
from quadleg.servos.servo_bank import ServoBank

FIRST_PAUSE, LONGEST_PAUSE = 0.1, 2.0  # s between attempts to open a board that fails
FIRST_ATTEMPTS = 3  # at the start, one right after the other: one disturbed transfer is no reason not to start
DURATIONS_KEPT = 100


class BoardLink:
    """Frames of twelve angles in rad to the board that `opener` opens, which is opened again when it fails.

    `found` is what a running board held at the beginning: angles, None for a limp joint; None as a whole
    where it was not running. `errors` counts the failures, `cuts` the cuts. Only `cut` may be called from more than one
    thread.

    Raises BoardError where the board cannot be opened at first.
    """

    def __init__(
        self,
        robot: RobotModel,
        opener: Callable[[], Board],
        clock: Callable[[], float] = time.monotonic,
        open_switch: Callable[[OutputEnable | None], OutputSwitch] = OutputSwitch,
    ) -> None:
        self._robot = robot
        self._opener = opener
        self._clock = clock
        self._failures = 0
        self._failed = 0.0
        self.cuts = 0
        self._durations: deque[tuple[int, float]] = deque(maxlen=DURATIONS_KEPT)
        self._error: BoardError | None = None
        self.errors = 0
        self.board, self._bank, self.found = self._open_first()
        self._switch = open_switch(robot.board.output_enable)
        if self.found and not self._switch.found_on:
            # The servos have been limp, whatever the registers hold: they must not snap back.
            self._bank.all_off()
            self.found = None

    @property
    def trouble(self) -> str | None:
        """Why the board takes nothing now, and the cure; None while it takes frames."""
        return None if self._error is None else str(self._error)

    def working_board(self) -> Board | None:
        """The board, None while it fails: the link needs the bus alone to have it back."""
        return None if self.trouble else self.board

    @property
    def messages(self) -> int:
        """How many messages the transaction of a whole frame has: one for each run of neighbouring channels."""
        return self._bank.runs

    @property
    def seconds(self) -> float:
        """How long frames take on their way to the chip: the median of the largest of late; 0 before the first."""
        durations = list(self._durations)
        largest = max((channels for channels, _ in durations), default=0)
        return median(taken for channels, taken in durations if channels == largest) if durations else 0.0

    @property
    def bus_speed(self) -> float:
        """The speed of an I2C bus in Hz by how long whole frames take on it; 0 before the first."""
        clocks = transfer_clocks(self.messages, self.messages + 4 * len(self._robot.joints))
        return clocks / self.seconds if self.seconds else 0.0

    def write(
        self, angles: Angles, powered: Sequence[bool], cuts: int, prepare: Callable[[], None] = lambda: None
    ) -> bool:
        """Set the powered joints to their angles and make the others limp; what has not changed is not sent.

        `prepare` is called right before, with the board open.
        `cuts` is the count of cuts that the frame knows of: after another one nothing of it is left on the board,
        and the answer is False. Raises BoardError while the board does not take it, and PowerLost, once, where
        the chip was found at its reset; then all its outputs are off.
        """
        wanted = any(powered)
        if not wanted:
            self._switch.set(False)

        def valid() -> bool:
            return not wanted or cuts == self.cuts

        def send() -> None:
            if not valid():
                return
            if wanted:
                self._switch.set(True, valid)
            prepare()
            begun = self._clock()
            if channels := self._bank.write(angles, powered, valid):
                self._durations.append((channels, self._clock() - begun))
            if not valid():
                self._switch.set(False)
                self._bank.cut()

        self._attempt(send, FIRST_PAUSE if not wanted else LONGEST_PAUSE)
        return valid()

    def check(self) -> None:
        """Look whether the chip still makes pulses as it was told. Raises like `write`."""
        self._attempt(self._look, LONGEST_PAUSE)

    def cut(self) -> None:
        """Every joint limp, ahead of whatever is on its way; from any thread. Raises BoardError where that fails."""
        self.cuts += 1
        try:
            self._switch.set(False)
        finally:
            self._bank.cut()

    def close(self) -> None:
        """Let go of the board, whose outputs go on."""
        self.board.close()

    def _open_first(self) -> tuple[Board, ServoBank, tuple[float | None, ...] | None]:
        for _ in range(FIRST_ATTEMPTS - 1):
            with suppress(BoardError):
                return self._open_as_found()
        return self._open_as_found()

    def _open_as_found(self) -> tuple[Board, ServoBank, tuple[float | None, ...] | None]:
        board, bank, running = self._open()
        try:
            return board, bank, bank.read_back() if running else None
        except BoardError:
            board.close()
            raise

    def _open(self) -> tuple[Board, ServoBank, bool]:
        board = self._opener()
        try:
            chip = PCA9685(board, self._robot.board)
            running = chip.start()
        except BoardError:
            board.close()
            raise
        return board, ServoBank(self._robot, chip), running

    def _look(self) -> None:
        if not self._bank.restart():
            raise PowerLost("the board has lost its power, its registers are those of a power-on reset")

    def _reopen(self) -> None:
        self.board.close()
        self.board, self._bank, running = self._open()
        if not running:
            raise PowerLost("the board has lost its power, it had to be initialised again")

    def _attempt(self, action: Callable[[], None], longest_pause: float) -> None:
        pause = min(FIRST_PAUSE * 2 ** min(self._failures - 2, 10), longest_pause)
        if self._error and self._failures > 1 and self._clock() < self._failed + pause:
            raise BoardError(self._error.found, self._error.cure)
        try:
            # A single failure may be a disturbance, or the loss of power, of which nothing else tells.
            if self._failures > 1:
                self._reopen()
            elif self._failures:
                self._look()
            action()
        except PowerLost:
            self._failures, self._error = 0, None
            raise
        except BoardError as error:
            self.errors += 1
            self._failures += 1
            self._error = error
            self._failed = self._clock()
            raise
        self._failures, self._error = 0, None
