"""The MPU-6050's registers and its driver, by register map (rev. 4.2) and product specification (rev. 3.4)."""

from __future__ import annotations

from dataclasses import replace
from math import degrees, radians

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from i2c_bus import FakeBus
from sample_robots import digger, inspector, with_sensors

from quadleg.errors import BoardError
from quadleg.geometry.vectors import ZERO_VECTOR, Vector
from quadleg.hardware.i2c_board import I2cBoard
from quadleg.hardware.mpu6050 import SETTLING, STUCK, Mpu6050
from quadleg.robot.model import ImuChip
from quadleg.servos.simulated_sensors import SimulatedMpu6050, at_rest

G = 9.80665
ROBOT = with_sensors(inspector())
BIAS = (radians(1.5), radians(-0.5), radians(0.25))


class Mpu6050Rig:
    """A driver whose chip feels what the test wants, over the bytes of an I2C bus."""

    def __init__(
        self, gyro: Vector = ZERO_VECTOR, acceleration: Vector = (0.0, 0.0, G), bias: Vector = ZERO_VECTOR
    ) -> None:
        self.motion = gyro, acceleration
        self.chip = SimulatedMpu6050(lambda: self.motion, bias)
        self.bus = FakeBus()
        self.bus.others = {0x68: self.chip}
        board = I2cBoard(ROBOT.board, lambda path, address: self.bus)
        self.registers = board.neighbour(0x68)
        self.driver = Mpu6050(self.registers, ImuChip("mpu6050", 0x68, bias))

    def settle(self) -> None:
        """Start it and read until it has samples to give."""
        self.driver.start()
        gyro, (x, y, z) = self.motion
        for k in range(SETTLING):
            self.motion = gyro, (x - 0.01 * (k + 1), y, z)
            assert self.driver.read() is None
        self.motion = gyro, (x, y, z)


def test_it_sleeps_until_it_is_woken() -> None:
    # Register map, section 3: PWR_MGMT_1 is 0x40 after a reset, WHO_AM_I 0x68.
    bench = Mpu6050Rig()
    assert (bench.registers.read(0x6B, 1), bench.registers.read(0x75, 1)) == (b"\x40", b"\x68")
    assert bench.registers.read(0x3B, 14) == bytes(14)


def test_it_is_set_up_in_these_bytes_and_no_others() -> None:
    # PLL with the gyro's x axis (4.28); no divider, low-pass 3, 500 °/s, 4 g (4.2 to 4.5).
    bench = Mpu6050Rig()
    bench.driver.start()
    written = [message.hex() for transaction in bench.bus.transactions for message in transaction if len(message) > 1]
    assert written == ["6b01", "1900030808"]


def test_a_sample_is_one_transaction() -> None:
    bench = Mpu6050Rig()
    bench.settle()
    bench.bus.transactions.clear()
    assert bench.driver.read()
    assert bench.bus.transactions == [(b"\x3b",)]


def test_the_bytes_mean_what_the_register_map_says() -> None:
    # 4.17 and 4.19: 8192 counts a g at 4 g, 65.5 a °/s at 500 °/s, high byte first; 4.18: 36.53 °C + counts / 340.
    bench = Mpu6050Rig((radians(100), radians(-10), 0.0), (0.5 * G, -0.25 * G, G))
    bench.driver.start()
    words = np.frombuffer(bench.registers.read(0x3B, 14), ">i2").tolist()
    assert words == [4096, -2048, 8192, round((25 - 36.53) * 340), 6550, -655, 0]


axis = st.floats(-1.0, 1.0)


@given(st.tuples(axis, axis, axis), st.tuples(axis, axis, axis))
def test_what_it_says_is_what_is_there(turn: Vector, force: Vector) -> None:
    gyro = tuple(radians(450) * value for value in turn)
    acceleration = tuple(3.9 * G * value for value in force)
    bench = Mpu6050Rig(gyro, acceleration, BIAS)  # type: ignore[arg-type]
    bench.settle()
    reading = bench.driver.read()
    assert reading
    # The bias is in the bytes and out of what the driver says.
    assert reading.gyro == pytest.approx(gyro, abs=radians(0.51 / 65.5))
    assert reading.acceleration == pytest.approx(acceleration, abs=0.51 / 8192 * G)


def test_beyond_its_range_it_says_the_end_of_it() -> None:
    bench = Mpu6050Rig((radians(900), radians(-900), 0.0), (0.0, 0.0, 6 * G))
    bench.settle()
    reading = bench.driver.read()
    assert reading
    assert degrees(reading.gyro[0]) == pytest.approx(500, abs=0.5)
    assert degrees(reading.gyro[1]) == pytest.approx(-500, abs=0.5)
    assert reading.acceleration[2] == pytest.approx(4 * G, rel=1e-3)


@pytest.mark.parametrize("identity", [0x00, 0x70, 0xFF])
def test_another_chip_is_told(identity: int, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Mpu6050Rig()
    monkeypatch.setattr(bench.chip, "read", lambda register, count: bytes((identity,)) * count)
    words = f"what answers at 0x68 is no MPU-6050: it says 0x{identity:02X}, where 0x68 would be right"
    with pytest.raises(BoardError, match=words):
        bench.driver.start()


def test_a_chip_that_keeps_nothing_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Mpu6050Rig()
    monkeypatch.setattr(bench.chip, "write", lambda message: None)
    with pytest.raises(BoardError, match="does not keep what is written"):
        bench.driver.start()


def test_a_chip_that_was_without_power_sleeps_and_is_woken() -> None:
    bench = Mpu6050Rig()
    bench.settle()
    assert bench.driver.read()
    bench.chip.lose_power()
    with pytest.raises(BoardError, match="0x68 sleeps: it was without power"):
        bench.driver.read()
    bench.settle()
    assert bench.driver.read()


def test_a_chip_that_always_says_the_same_says_nothing_and_is_told() -> None:
    bench = Mpu6050Rig()
    bench.settle()
    assert bench.driver.read()
    bench.chip.stuck = True
    assert [bench.driver.read() for _ in range(STUCK - 1)] == [None] * (STUCK - 1)
    with pytest.raises(BoardError, match="always says the same"):
        bench.driver.read()


def test_nothing_but_ones_is_no_sample(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Mpu6050Rig()
    bench.settle()
    monkeypatch.setattr(bench.chip, "read", lambda register, count: b"\xff" * count)
    with pytest.raises(BoardError, match="nothing but ones"):
        bench.driver.read()


def test_at_rest_it_feels_gravity_in_its_own_axes() -> None:
    # The digger's IMU lies turned by a right angle about the vertical, and this one on its side as well.
    robot = digger()
    frame = robot.frames[0]
    assert np.mean([at_rest(robot, k)()[1] for k in range(50)], axis=0) == pytest.approx([0, 0, G], abs=0.02)
    tipped = replace(robot, frames=(replace(frame, rpy=(radians(90), 0.0, 0.0)),))
    # Rolled by 90°, the sensor's y axis is the body's z axis.
    assert np.mean([at_rest(tipped, k)()[1] for k in range(50)], axis=0) == pytest.approx([0, G, 0], abs=0.02)
