"""The board on an I2C bus: exact bytes, one transaction a frame, and a cure for each trouble."""

from __future__ import annotations

import errno
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from i2c_bus import FakeBus
from sample_robots import digger, inspector

from quadleg.errors import BoardError
from quadleg.hardware.i2c_board import I2cBoard, own
from quadleg.hardware.pca9685 import PCA9685
from quadleg.servos.servo_bank import ServoBank

SETTINGS = inspector().board


@pytest.fixture
def bus() -> FakeBus:
    return FakeBus()


@pytest.fixture
def board(bus: FakeBus) -> I2cBoard:
    return I2cBoard(SETTINGS, lambda path, address: bus)


def test_scattered_channels_are_still_one_transaction(bus: FakeBus) -> None:
    robot = digger()
    bus.address = robot.board.address
    chip = PCA9685(I2cBoard(robot.board, lambda path, address: bus), robot.board)
    chip.start()
    bus.transactions.clear()
    ServoBank(robot, chip).write([(j.lower + j.upper) / 2 for j in robot.joints], [True] * 12)
    ((*messages,),) = bus.transactions
    assert len(messages) == 5
    assert sum(map(len, messages)) == 5 + 4 * 12


def test_the_bus_number_is_that_of_the_robot_file() -> None:
    opened = []
    I2cBoard(replace(SETTINGS, i2c_bus=4), lambda path, address: opened.append((path, address)) or FakeBus())
    assert opened == [("/dev/i2c-4", 0x40)]


@pytest.mark.parametrize(
    ("number", "cure"),
    [
        (errno.ENOENT, "/dev/i2c-1 is not there: switch the I2C bus on .* modprobe i2c-dev"),
        (errno.EACCES, r"may not be opened by you: `sudo usermod -aG i2c \$USER`, then log in again"),
    ],
)
def test_what_keeps_the_bus_from_opening_is_told_with_its_cure(number: int, cure: str) -> None:
    def refuse(path: str, address: int) -> None:
        raise OSError(number, "refused", path)

    with pytest.raises(BoardError, match=cure):
        I2cBoard(SETTINGS, refuse)


@pytest.mark.parametrize(
    ("number", "cure"),
    [
        (errno.EREMOTEIO, "no chip answers at address 0x40 on /dev/i2c-1: check the logic supply .*`i2cdetect -y 1`"),
        (errno.ENXIO, "no chip answers at address 0x40"),
        (errno.ETIMEDOUT, "SDA or SCL is held low: check the wiring"),
        (errno.EIO, "failed: check the plugs"),
        (errno.EAGAIN, "two masters .*: check the wiring"),
        (errno.EOVERFLOW, "as the test wants it: check the plugs"),
    ],
)
def test_what_fails_in_a_transfer_is_told_with_its_cure(bus: FakeBus, board: I2cBoard, number: int, cure: str) -> None:
    bus.failures = [number, number]
    with pytest.raises(BoardError, match=cure):
        board.write(b"\x00\x20")
    with pytest.raises(BoardError, match=cure):
        board.read(0x00, 1)
    assert board.read(0x00, 1) == b"\x11"


def test_another_chip_at_the_address_is_told(bus: FakeBus, board: I2cBoard, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bus.chip, "write", lambda data, now: None)  # keeps nothing, as a sensor would not
    with pytest.raises(BoardError, match="address 0x40 does not keep what is written: it should be a PCA9685"):
        PCA9685(board, SETTINGS).start()


def test_too_many_messages_for_the_kernel_are_refused(bus: FakeBus, board: I2cBoard) -> None:
    with pytest.raises(BoardError, match="42 at most"):
        board.write(*[b"\x00\x20"] * 43)
    assert not bus.transactions


def test_one_process_at_a_time_owns_an_address(tmp_path: Path) -> None:
    file = tmp_path / "bus"
    file.touch()
    code = (
        "import sys; from quadleg.hardware.i2c_board import own; bus = open(sys.argv[1], 'r+b'); "
        "own(bus.fileno(), int(sys.argv[2]))"
    )

    def another(address: int) -> int:
        command = [sys.executable, "-c", code, str(file), str(address)]
        return subprocess.run(command, capture_output=True, check=False).returncode

    with file.open("r+b") as bus:
        own(bus.fileno(), 0x40)
        assert another(0x40) != 0
        assert another(0x41) == 0
    assert another(0x40) == 0
