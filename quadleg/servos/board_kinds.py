"""The kinds of boards, and how to open the one that a robot file names."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from quadleg.errors import BoardError
from quadleg.hardware.board import Board
from quadleg.robot.model import Angles, RobotModel


def _open_simulated(robot: RobotModel, rest: Angles, memory: Path | None, seed: int) -> Board:
    # Imported only when opened, like every board: each brings a library that the others do without.
    from quadleg.servos.simulated_board import SimulatedBoard

    return SimulatedBoard(robot, rest, memory, seed)


def _open_i2c(robot: RobotModel, rest: Angles, memory: Path | None, seed: int) -> Board:
    from quadleg.hardware.i2c_board import I2cBoard

    return I2cBoard(robot.board)


def _open_serial(robot: RobotModel, rest: Angles, memory: Path | None, seed: int) -> Board:
    from quadleg.hardware.serial_board import SerialBoard

    return SerialBoard(robot.board)


BOARDS: dict[str, Callable[[RobotModel, Angles, Path | None, int], Board]] = {
    "simulated": _open_simulated,
    "i2c": _open_i2c,
    "serial": _open_serial,
}


def open_board(robot: RobotModel, rest: Angles, memory: Path | None = None, seed: int = 0) -> Board:
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
