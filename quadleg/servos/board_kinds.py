"""The one table of board kinds: how the computer reaches the PWM board, and all that differs by it.

A new kind: "Add a board" of DEVELOPERS.md; its name also stands in robot_file/robot_file.schema.json.
The kind that moves nothing is `SIMULATED` of robot/model.py; every other counts as a real board. The chip on the board
is a PCA9685 for every kind: there is no table of PWM chips (hardware/pca9685.py).
"""

from __future__ import annotations

import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import NamedTuple

from quadleg.errors import BoardError
from quadleg.hardware.board import Board
from quadleg.hardware.bus_timing import BusTiming, I2cTiming, SerialTiming
from quadleg.robot.model import SIMULATED, Angles, BoardSettings, RobotModel


class SimulationOptions(NamedTuple):
    """What only the simulated board needs: the file that is its memory (None: it ends with this process), the seed of
    the servos' first places, and a steady clock in s."""

    memory: Path | None = None
    seed: int = 0
    clock: Callable[[], float] = time.monotonic


class BoardLocation(NamedTuple):
    """What a person has to say of where a board is: the robot file's key for it in `board`, the question of `quadleg
    new` with its name in a file of answers and the usual answer, why an answer is wrong (empty: it is not), and how
    the place is called, by the answer."""

    key: str
    asked_as: str
    question: str
    usual: str
    fault: Callable[[str], str]
    place: str
    read: Callable[[str], int | str] = str


class BoardKind(ABC):
    """One way to reach the PWM board. Boards are imported only when opened: each needs a library that the others do
    not."""

    # For `quadleg new`: the choice in words, what it asks, other keys of `board`, and the control rate with its reason.
    words: str
    location: BoardLocation | None = None
    usual_keys: Mapping[str, int] = {}
    usual_rate_hz = 50
    rate_note = ""
    # Whether the time that frames take shows the speed of its I2C bus: nothing else takes part of it.
    shows_bus_speed = False

    @abstractmethod
    def open(self, robot: RobotModel, rest: Angles, simulation: SimulationOptions) -> Board:
        """Open the board of a robot, whose resting angles are `rest` (rad, 12). Raises BoardError."""

    def timing(self, settings: BoardSettings) -> BusTiming:
        """Return how long frames and readings take on its bus."""
        return I2cTiming(settings)

    def i2c_bus(self, settings: BoardSettings) -> int | None:
        """Return the number of the computer's I2C bus that it is on, None where it is on none."""
        return None

    def serial_port(self, settings: BoardSettings) -> str | None:
        """Return the serial port that it is plugged into, None where it is on none."""
        return None


def _bus_fault(answer: str) -> str:
    good = answer.isdecimal() and int(answer) <= 255
    return "" if good else f"'{answer}' is no bus: 0 to 255 would be right"


def _port_fault(answer: str) -> str:
    good = answer.isprintable() and " " not in answer
    return "" if good else f"'{answer}' is no port: a name without spaces, as /dev/ttyACM0, would be right"


class _Simulated(BoardKind):
    """Registers in memory; its times are those of a board on I2C."""

    words = "nothing yet: a simulated board"

    def open(self, robot: RobotModel, rest: Angles, simulation: SimulationOptions) -> Board:
        from quadleg.servos.simulated_board import SimulatedBoard

        return SimulatedBoard(robot, rest, *simulation)


class _I2c(BoardKind):
    """The I2C bus of this computer."""

    words = "the I2C bus of this computer"
    location = BoardLocation(
        "i2c_bus", "bus", "Number of the bus, as 1 in /dev/i2c-1", "1", _bus_fault, "/dev/i2c-{}", int
    )
    shows_bus_speed = True

    def open(self, robot: RobotModel, rest: Angles, simulation: SimulationOptions) -> Board:
        from quadleg.hardware.i2c_board import I2cBoard

        return I2cBoard(robot.board)

    def i2c_bus(self, settings: BoardSettings) -> int | None:
        return settings.i2c_bus


class _Serial(BoardKind):
    """A microcontroller on a serial port, with Firmata firmware."""

    words = "a microcontroller on a serial port, with Firmata firmware"
    location = BoardLocation("port", "port", "Serial port", "/dev/ttyACM0", _port_fault, "the port {}")
    usual_keys = MappingProxyType({"baud": 57600})  # of the stock firmware
    usual_rate_hz = 25
    rate_note = "what a serial link at 57600 baud can carry"

    def open(self, robot: RobotModel, rest: Angles, simulation: SimulationOptions) -> Board:
        from quadleg.hardware.serial_board import SerialBoard

        return SerialBoard(robot.board)

    def timing(self, settings: BoardSettings) -> BusTiming:
        return SerialTiming(settings)

    def serial_port(self, settings: BoardSettings) -> str | None:
        return settings.port


# The robot file's names, in the order in which `quadleg new` offers them.
BOARD_KINDS: dict[str, BoardKind] = {SIMULATED: _Simulated(), "i2c": _I2c(), "serial": _Serial()}


def board_kind(name: str) -> BoardKind:
    """Return the entry of the table. Raises BoardError for an unknown name."""
    try:
        return BOARD_KINDS[name]
    except KeyError:
        raise BoardError(f"board kind {name!r} is not known", f"use one of {', '.join(sorted(BOARD_KINDS))}") from None


def open_board(
    robot: RobotModel,
    rest: Angles,
    memory: Path | None = None,
    seed: int = 0,
    clock: Callable[[], float] = time.monotonic,
) -> Board:
    """Open the board that the robot file names.

    `rest` (12) are the resting angles in rad; `memory`, `seed` and `clock` are `SimulationOptions`. Raises BoardError
    for an unknown kind or a board that cannot be opened.
    """
    return board_kind(robot.board.kind).open(robot, rest, SimulationOptions(memory, seed, clock))
