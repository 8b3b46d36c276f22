"""A test's own eye on a simulated board: its registers, whatever is wrong with the bus, and its servos."""

from __future__ import annotations

from collections.abc import Callable

from quadleg.hardware.board import Board, always
from quadleg.hardware.pca9685 import PCA9685
from quadleg.kinematics.body_pose import all_forward
from quadleg.robot.model import RobotModel
from quadleg.servos.servo_bank import ServoBank
from quadleg.servos.simulated_board import SimulatedBoard


class _RegisterReader(Board):
    """Reads the chip though its bus is broken: the eye is no part of it."""

    def __init__(self, board: SimulatedBoard) -> None:
        self._board = board

    def write(self, *messages: bytes, valid: Callable[[], bool] = always) -> None:
        raise AssertionError("only servo_output writes")

    def read(self, register: int, count: int) -> bytes:
        return self._board.registers()[register : register + count]

    def close(self) -> None:
        """The board stays open."""


class BoardEye:
    """What a simulated board of a robot shows."""

    def __init__(self, robot: RobotModel, board: SimulatedBoard) -> None:
        self._robot = robot
        self._board = board
        self._bank = ServoBank(robot, PCA9685(_RegisterReader(board), robot.board))

    def held(self) -> tuple[float | None, ...]:
        """The angle in rad of each joint's pulse, None where it has none."""
        return self._bank.read_back()

    def height(self) -> float:
        """How high the body is over its lowest foot, in m, by the servos' true angles."""
        lowest = min(z for _, _, z in all_forward(self._robot, self._board.angles()))
        return self._robot.legs[0].foot_radius - lowest
