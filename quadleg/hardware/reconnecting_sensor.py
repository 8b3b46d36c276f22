"""A sensor that may fail, be unplugged and come back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Generic, Protocol, TypeVar

from quadleg.errors import BoardError
from quadleg.hardware.board import Board

Reading_co = TypeVar("Reading_co", covariant=True)

FIRST_PAUSE, LONGEST_PAUSE = 0.1, 2.0  # s between attempts to start a sensor that fails


class Driver(Protocol[Reading_co]):
    """What every sensor's driver can do; both raise BoardError."""

    def start(self) -> None: ...

    def read(self) -> Reading_co | None: ...


class ReconnectingSensor(Generic[Reading_co]):
    """Reads one sensor by the driver that `make` makes on the board, and starts it anew when it fails.

    `trouble` says why it says nothing now, `failures` counts how often in all.
    """

    def __init__(self, make: Callable[[Board], Driver[Reading_co]]) -> None:
        self._make = make
        self._on: Board | None = None
        self._driver: Driver[Reading_co] | None = None
        self._in_a_row = 0
        self._again = 0.0
        self.trouble: str | None = None
        self.failures = 0

    def read(self, board: Board, now: float) -> Reading_co | None:
        """What it says at `now` (s, of a steady clock), None where it says nothing new. `board` may be another one
        than before: it was opened anew."""
        if board is not self._on:
            self._on, self._driver, self._again = board, None, now
        if self._driver is None and now < self._again:
            return None
        try:
            if self._driver is None:
                driver = self._make(board)
                driver.start()
                self._driver = driver
            reading = self._driver.read()
        except BoardError as error:
            self._driver = None
            self._again = now + min(FIRST_PAUSE * 2.0 ** min(self._in_a_row, 10), LONGEST_PAUSE)
            self._in_a_row += 1
            self.failures += 1
            self.trouble = str(error)
            return None
        if reading is not None:
            self._in_a_row, self.trouble = 0, None
        return reading
