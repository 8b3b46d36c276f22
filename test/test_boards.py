"""What every board must do, whatever carries its bytes: a new kind joins by one line in FACTORIES."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import pytest
from firmata_device import board_on_device
from i2c_bus import FakeBus
from sample_robots import inspector, with_sensors

from quadleg.errors import BoardError
from quadleg.hardware.board import Board
from quadleg.hardware.i2c_board import I2cBoard
from quadleg.hardware.pca9685 import PCA9685
from quadleg.servos.board_kinds import BOARD_KINDS, open_board
from quadleg.servos.simulated_sensors import SimulatedIna226, SimulatedMpu6050

ROBOT = with_sensors(inspector())
STILL = (0.0, 0.0, 0.0), (0.0, 0.0, 9.80665)
REST = [(joint.lower + joint.upper) / 2 for joint in ROBOT.joints]


def bus_with_sensors() -> FakeBus:
    bus = FakeBus()
    bus.others = {0x41: SimulatedIna226(0.002, lambda: (6.0, 4.0)), 0x68: SimulatedMpu6050(lambda: STILL)}
    return bus


FACTORIES: dict[str, Callable[[Path], AbstractContextManager[Board]]] = {
    "simulated": lambda folder: open_board(ROBOT, REST),
    "simulated in a file": lambda folder: open_board(ROBOT, REST, folder / "board"),
    "i2c": lambda folder: I2cBoard(ROBOT.board, lambda path, address: bus_with_sensors()),
    "serial": lambda folder: board_on_device(ROBOT, REST),
}


@pytest.fixture(params=FACTORIES)
def board(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Board]:
    """A board with a chip fresh from its power-on reset."""
    with FACTORIES[request.param](tmp_path) as board:
        yield board


def test_the_chip_answers_with_its_reset_values(board: Board) -> None:
    # NXP, PCA9685 data sheet, rev. 4, tables 5, 6 and 9.
    assert [board.read(register, 1) for register in (0x00, 0x01, 0xFE)] == [b"\x11", b"\x04", b"\x1e"]


def test_bytes_written_are_read_back(board: Board) -> None:
    board.write(bytes((0x00, 0x20)))
    frame = bytes((0x30, 0x01, 0x32, 0x03, 1, 2, 3, 4))
    board.write(bytes((0x0A,)) + frame)
    assert board.read(0x0A, 8) == frame
    assert board.read(0x0E, 2) == bytes((1, 2))


def test_messages_of_one_transaction_all_arrive(board: Board) -> None:
    board.write(bytes((0x00, 0x20)), bytes((0x06, 1, 2)), bytes((0x42, 3, 4)))
    assert board.read(0x06, 2) + board.read(0x42, 2) == bytes((1, 2, 3, 4))


def test_a_frame_of_twelve_channels_is_48_bytes_of_registers(board: Board) -> None:
    chip = PCA9685(board, ROBOT.board)
    assert chip.start() is False
    chip.write({channel: 0x133 + channel for channel in range(12)})
    assert board.read(0x06, 64) == bytes.fromhex(
        "00003301 00003401 00003501 00003601 00003701 00003801 "
        "00003901 00003A01 00003B01 00003C01 00003D01 00003E01 "
        "00000010 00000010 00000010 00000010"
    )


def test_a_chip_found_running_is_left_alone(board: Board) -> None:
    first = PCA9685(board, ROBOT.board)
    first.start()
    first.write({0: 300, 7: 400})
    second = PCA9685(board, ROBOT.board)
    assert second.start() is True
    assert {channel: counts for channel, counts in second.read().items() if counts} == {0: 300, 7: 400}


def test_all_off_in_any_state(board: Board) -> None:
    chip = PCA9685(board, ROBOT.board)
    chip.all_off()
    chip.start()
    chip.write(dict.fromkeys(range(16), 300))
    chip.all_off()
    assert chip.read() == dict.fromkeys(range(16))


def test_a_closed_board_says_so(board: Board) -> None:
    board.close()
    board.close()
    with pytest.raises(BoardError, match="open it again"):
        board.write(bytes((0xFD, 0x10)))
    with pytest.raises(BoardError, match="open it again"):
        board.read(0x00, 1)


def test_a_neighbour_answers_with_its_own_registers(board: Board) -> None:
    # INA226 data sheet, table 7-1, and MPU-6050 register map, sections 3, 4.28 and 4.32: ids, and the values after
    # a reset.
    supply, imu = board.neighbour(0x41), board.neighbour(0x68)
    assert [supply.read(register, 2).hex() for register in (0xFE, 0xFF, 0x00)] == ["5449", "2260", "4127"]
    assert [imu.read(register, 1).hex() for register in (0x75, 0x6B)] == ["68", "40"]
    imu.write(bytes((0x6B, 0x01)), bytes((0x19, 7, 3, 8, 8)))
    supply.write(bytes((0x05, 0x0A, 0x00)))
    assert (imu.read(0x19, 4), imu.read(0x6B, 1)) == (bytes((7, 3, 8, 8)), b"\x01")
    assert supply.read(0x05, 2) == b"\x0a\x00"
    assert len(imu.read(0x3B, 14)) == 14
    assert board.read(0x00, 1) == b"\x11"


def test_a_closed_neighbour_lets_the_board_go_on(board: Board) -> None:
    neighbour = board.neighbour(0x68)
    neighbour.close()
    neighbour.close()
    with pytest.raises(BoardError, match="is closed: open it again"):
        neighbour.read(0x75, 1)
    assert board.read(0x00, 1) == b"\x11"
    assert board.neighbour(0x68).read(0x75, 1) == b"\x68"


def test_a_neighbour_ends_with_its_board(board: Board) -> None:
    neighbour = board.neighbour(0x68)
    board.close()
    with pytest.raises(BoardError, match="open it again"):
        neighbour.read(0x75, 1)
    with pytest.raises(BoardError, match="open it again"):
        neighbour.write(bytes((0x6B, 0x01)))


def test_a_neighbour_that_is_not_there_is_told_and_the_board_goes_on(board: Board) -> None:
    neighbour = board.neighbour(0x4F)
    with pytest.raises(BoardError, match="answers at address 0x4F"):
        neighbour.read(0xFE, 2)
    with pytest.raises(BoardError, match="answers at address 0x4F"):
        neighbour.write(bytes((0x00, 0x80, 0x00)))
    assert board.read(0x00, 1) == b"\x11"


def test_every_kind_is_tested_here_and_may_stand_in_a_robot_file() -> None:
    schema = json.loads(files("quadleg.robot_file").joinpath("robot_file.schema.json").read_text(encoding="utf-8"))
    assert schema["properties"]["board"]["properties"]["kind"]["enum"] == list(BOARD_KINDS)
    assert set(BOARD_KINDS) <= set(FACTORIES)


def test_an_unknown_kind_lists_the_known_ones() -> None:
    robot = replace(ROBOT, board=replace(ROBOT.board, kind="wishful"))
    with pytest.raises(BoardError, match=f"'wishful' is not known: use one of {', '.join(sorted(BOARD_KINDS))}"):
        open_board(robot, REST)


def test_a_write_that_is_no_longer_valid_sends_nothing(board: Board) -> None:
    board.write(bytes((0x00, 0x20)))
    board.write(bytes((0x0A, 1, 2, 3, 4)))
    board.write(bytes((0x0A, 5, 6, 7, 8)), valid=lambda: False)
    assert board.read(0x0A, 4) == bytes((1, 2, 3, 4))
    board.write(bytes((0x0A, 5, 6, 7, 8)), valid=lambda: True)
    assert board.read(0x0A, 4) == bytes((5, 6, 7, 8))
