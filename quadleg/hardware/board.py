"""Interface to whatever carries bytes to the PWM chip. To open one: `open_board` of servos/board_kinds.py.

Subclass `SharedBus` where other chips, as sensors, are on the same bus; else `Board`.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from typing import TypeVar

from quadleg.errors import BoardError

AnyBoard = TypeVar("AnyBoard", bound="Board")


def always() -> bool:
    """Return True: the default of `valid`."""
    return True


class Board(ABC):
    """A connection to one I2C chip; a context manager that closes it."""

    @abstractmethod
    def write(self, *messages: bytes, valid: Callable[[], bool] = always) -> None:
        """Send messages, each a register's address and then data, as one transaction.

        There is a single stop condition, at the end, so the chip's outputs change together. `valid` is called once
        the bus is locked, right before the first byte; if it returns False, nothing is sent. Raises BoardError if the
        chip did not acknowledge them.
        """

    def urgent(self, message: bytes) -> None:
        """Send one message ahead of all that wait, from any thread; the rest of an unfinished `write` is dropped.

        Raises BoardError if the chip did not acknowledge it. A board whose writes are short may just write.
        """
        self.write(message)

    @abstractmethod
    def read(self, register: int, count: int) -> bytes:
        """Read `count` bytes, beginning at a register. Raises BoardError if the chip did not answer."""

    def neighbour(self, address: int) -> Board:
        """Return the connection to another chip on the same bus, which may be used from another thread.

        Closing it leaves this board open; closing this board closes it. Whether a chip is there shows when it is used.
        Raises BoardError if the board is closed or has no bus.
        """
        raise BoardError(
            f"this board has no bus on which a chip at 0x{address:02X} could be", "use a kind of board that has one"
        )

    @abstractmethod
    def close(self) -> None:
        """Close the connection; the chip's outputs go on. Closing twice does no harm."""

    def __enter__(self: AnyBoard) -> AnyBoard:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class SharedBus(Board):
    """A board that also carries bytes to other chips on its bus."""

    @abstractmethod
    def write_to(self, address: int, messages: Sequence[bytes]) -> None:
        """Send messages to another chip and wait until it has them. Raises BoardError if it did not acknowledge."""

    @abstractmethod
    def read_from(self, address: int, register: int, count: int) -> bytes:
        """Read from another chip, as `read` does from this one."""

    def neighbour(self, address: int) -> Board:
        return Neighbour(self, address)


class Neighbour(Board):
    """Connection to another chip on the bus of a board."""

    def __init__(self, board: SharedBus, address: int) -> None:
        self._board: SharedBus | None = board
        self._address = address

    def write(self, *messages: bytes, valid: Callable[[], bool] = always) -> None:
        if valid():
            self._open().write_to(self._address, messages)

    def read(self, register: int, count: int) -> bytes:
        return self._open().read_from(self._address, register, count)

    def neighbour(self, address: int) -> Board:
        return self._open().neighbour(address)

    def close(self) -> None:
        self._board = None

    def _open(self) -> SharedBus:
        if self._board is None:
            raise BoardError(f"the chip at 0x{self._address:02X} is closed", "open it again")
        return self._board
