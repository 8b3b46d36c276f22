"""The INA226's registers and its driver, by the data sheet (SBOS547B)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from i2c_bus import FakeBus
from sample_robots import inspector, with_sensors

from quadleg.dynamics.servo_motors import SupplyCurrentModel
from quadleg.errors import BoardError
from quadleg.hardware.i2c_board import I2cBoard
from quadleg.hardware.ina226 import MEASURING, SHUNT_RANGE, STUCK, Ina226, calibration
from quadleg.hardware.pca9685 import PCA9685
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import PowerSensor
from quadleg.servos.servo_bank import ServoBank
from quadleg.servos.simulated_board import SimulatedBoard
from quadleg.servos.simulated_sensors import SimulatedIna226

ROBOT = with_sensors(inspector())
SHUNT = 0.002


class Ina226Rig:
    """A driver whose chip feels what the test wants, over the bytes of an I2C bus."""

    def __init__(self, voltage: float = 6.0, current: float = 4.0, shunt: float = SHUNT) -> None:
        self.chip = SimulatedIna226(shunt, lambda: (voltage, current))
        self.bus = FakeBus()
        self.bus.others = {0x41: self.chip}
        board = I2cBoard(ROBOT.board, lambda path, address: self.bus)
        self.driver = Ina226(board.neighbour(0x41), PowerSensor("ina226", 0x41, shunt))
        self.registers = board.neighbour(0x41)

    def word(self, register: int) -> int:
        return int.from_bytes(self.registers.read(register, 2), "big")


def test_the_calibration_is_that_of_the_data_sheets_example() -> None:
    # Section 7.5: 10 A nominal over 2 mΩ; 15 A at most asks for 457.7 µA, 1 mA is chosen.
    assert calibration(0.002, 1e-3) == 2560
    # The finest LSB, which gives the current register what the shunt's has, asks for the same of every shunt.
    assert calibration(0.002, 2.5e-6 / 0.002) == calibration(0.1, 2.5e-6 / 0.1) == 2048


def test_the_registers_are_those_of_the_data_sheets_example() -> None:
    # Section 8.2, the worked example: 10 A at 11.98 V over 2 mΩ.
    bench = Ina226Rig(11.98, 10.0)
    bench.registers.write(bytes((0x05, 0x0A, 0x00)))
    assert bench.word(0x01) == 0x1F40  # shunt: 20 mV of 2.5 µV
    assert bench.word(0x02) == 0x2570  # bus: 11.98 V of 1.25 mV
    assert bench.word(0x04) == 0x2710  # current: 10 000 of 1 mA
    assert bench.word(0x03) == 0x12B8  # power: 4792 of 25 mW, 119.82 W


def test_it_averages_for_about_as_long_as_a_reading_waits() -> None:
    # Section 7.6.1: bits 11-9 are averages 1, 4, 16, 64, ..., bits 8-6 and 5-3 conversion times, 2-0 the mode.
    averages = (1, 4, 16, 64, 128, 256, 512, 1024)[MEASURING >> 9 & 7]
    times = (140e-6, 204e-6, 332e-6, 588e-6, 1.1e-3, 2.116e-3, 4.156e-3, 8.244e-3)
    voltage, current = times[MEASURING >> 6 & 7], times[MEASURING >> 3 & 7]
    assert MEASURING & 7 == 7  # shunt and bus, continuous
    assert 0.03 < averages * (voltage + current) < 0.04


def test_it_is_set_up_in_these_bytes_and_no_others() -> None:
    bench = Ina226Rig()
    bench.driver.start()
    written = [message.hex() for transaction in bench.bus.transactions for message in transaction if len(message) > 1]
    assert written == ["050800", "060400", "004527"]


@given(st.floats(0.0, 36.0), st.floats(-40.0, 40.0), st.sampled_from([0.0005, 0.002]))
def test_what_it_says_is_what_is_there(voltage: float, current: float, shunt: float) -> None:
    bench = Ina226Rig(voltage, current, shunt)
    bench.driver.start()
    reading = bench.driver.read()
    assert reading is not None
    assert reading.voltage == pytest.approx(voltage, abs=1.25e-3 / 2 + 1e-9)
    # Whichever way round the shunt is: servos only draw.
    assert reading.current == pytest.approx(abs(current), abs=2.5e-6 / shunt / 2 + 1e-9)


def test_beyond_its_range_it_says_the_end_of_it() -> None:
    bench = Ina226Rig(6.0, 50.0)
    bench.driver.start()
    reading = bench.driver.read()
    assert reading
    assert reading.current == pytest.approx(SHUNT_RANGE / SHUNT, rel=1e-4) == pytest.approx(40.96)


@pytest.mark.parametrize(("answer", "said"), [(b"\xff\xff", "0xFFFF and 0xFFFF"), (b"\x00\x00", "0x0000 and 0x0000")])
def test_another_chip_is_told(answer: bytes, said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Ina226Rig()
    monkeypatch.setattr(bench.chip, "read", lambda register, count: answer[:count])
    words = f"what answers at 0x41 is no INA226: it says {said}, where 0x5449 and 0x2260 would be right"
    with pytest.raises(BoardError, match=words):
        bench.driver.start()


def test_a_chip_that_keeps_nothing_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Ina226Rig()
    monkeypatch.setattr(bench.chip, "write", lambda message: None)
    with pytest.raises(BoardError, match="does not keep what is written: register 0x05 has 0x0000, not 0x0800"):
        bench.driver.start()


def test_a_chip_that_was_without_power_is_told_and_started_again() -> None:
    bench = Ina226Rig()
    bench.driver.start()
    bench.chip.lose_power()
    with pytest.raises(BoardError, match="was without power"):
        bench.driver.read()
    bench.driver.start()
    assert bench.driver.read() == pytest.approx((6.0, 4.0), abs=1e-3)


def test_all_ones_in_the_middle_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Ina226Rig()
    bench.driver.start()
    monkeypatch.setattr(bench.chip, "read", lambda register, count: b"\xff" * count)
    with pytest.raises(BoardError, match="not as it was set up"):
        bench.driver.read()


def test_a_chip_that_measures_nothing_new_is_told() -> None:
    bench = Ina226Rig()
    bench.driver.start()
    first = bench.driver.read()
    bench.chip.stuck = True
    assert [bench.driver.read() for _ in range(STUCK - 1)] == [first] * (STUCK - 1)
    with pytest.raises(BoardError, match="answers but measures nothing new"):
        bench.driver.read()


def test_the_simulated_board_feels_what_the_pose_draws() -> None:
    now = [1000.0]
    standing = stance_angles(ROBOT, ROBOT.standing)
    board = SimulatedBoard(ROBOT, standing, clock=lambda: now[0])
    sensor = ROBOT.supply.sensor
    assert sensor
    driver = Ina226(board.neighbour(sensor.address), sensor)
    driver.start()
    assert driver.read() == pytest.approx((6.0, 0.0), abs=1e-3)
    chip = PCA9685(board, ROBOT.board, lambda seconds: now.__setitem__(0, now[0] + seconds))
    chip.start()
    ServoBank(ROBOT, chip).write(standing, [True] * 12)
    now[0] += 1.0
    reading = driver.read()
    assert reading
    drawn = sum(SupplyCurrentModel(ROBOT).currents(board.angles(), [0.0] * 12, [True] * 12))
    assert reading.current == pytest.approx(drawn, abs=1.25e-3)
    assert reading.voltage == pytest.approx(6.0 - 0.04 * drawn, abs=1e-3)
