"""What carries the bytes to the PWM chip and back: the common shape of all boards, and how to open one."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import TypeVar

from quadleg.errors import BoardError
from quadleg.robot.model import Angles, Robot

AnyBoard = TypeVar("AnyBoard", bound="Board")


def always() -> bool:
    """Nothing makes it invalid."""
    return True


class Board(ABC):
    """A way to one I2C chip. A context manager that closes itself."""

    @abstractmethod
    def write(self, *messages: bytes, valid: Callable[[], bool] = always) -> None:
        """Send messages, each a register's address and then data, as one transaction.

        There is a single stop condition, at the end, so the chip's outputs change together. `valid` is asked once
        the bus is taken, right before the first byte: where it says no, nothing is sent. Raises BoardError if the
        chip did not take them.
        """

    def urgent(self, message: bytes) -> None:
        """Send one message ahead of all that waits, from any thread. What of an unfinished `write` was not sent is not.

        Raises BoardError if the chip did not take it. A board whose writes are short need not do more than write.
        """
        self.write(message)

    @abstractmethod
    def read(self, register: int, count: int) -> bytes:
        """Read `count` bytes, beginning at a register. Raises BoardError if the chip did not answer."""

    def neighbour(self, address: int) -> Board:
        """The way to another chip on the same bus, by its address; it may be used from another thread.

        Closing it lets this board go on; closing this board ends it. Whether a chip is there shows when it is used.
        Raises BoardError where the board is closed, or has no bus.
        """
        raise BoardError(f"this board has no bus on which a chip at 0x{address:02X} could be")

    @abstractmethod
    def close(self) -> None:
        """Let go of the board, whose outputs go on. Closing twice does no harm."""

    def __enter__(self: AnyBoard) -> AnyBoard:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _open_simulated(robot: Robot, rest: Angles, memory: Path | None, seed: int) -> Board:
    # Imported only when opened, like every board: each brings a library that the others do without.
    from quadleg.servos.simulated import SimulatedBoard

    return SimulatedBoard(robot, rest, memory, seed)


def _open_i2c(robot: Robot, rest: Angles, memory: Path | None, seed: int) -> Board:
    from quadleg.servos.i2c import I2cBoard

    return I2cBoard(robot.board)


def _open_serial(robot: Robot, rest: Angles, memory: Path | None, seed: int) -> Board:
    from quadleg.servos.serial_board import SerialBoard

    return SerialBoard(robot.board)


BOARDS: dict[str, Callable[[Robot, Angles, Path | None, int], Board]] = {
    "simulated": _open_simulated,
    "i2c": _open_i2c,
    "serial": _open_serial,
}


def open_board(robot: Robot, rest: Angles, memory: Path | None = None, seed: int = 0) -> Board:
    """Open the board that the robot file names.

    A simulated board needs the twelve resting angles in rad, the file that is its memory (None: it ends
    with this process) and the seed of the servos' first places; other boards pass them over. Raises
    BoardError for an unknown kind or a board that cannot be opened.
    """
    try:
        opener = BOARDS[robot.board.kind]
    except KeyError:
        raise BoardError(
            f"board kind {robot.board.kind!r} is not known: one of {', '.join(sorted(BOARDS))} would be right"
        ) from None
    return opener(robot, rest, memory, seed)
