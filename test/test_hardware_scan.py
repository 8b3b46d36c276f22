"""What `quadleg check --hardware` finds, on made-up computers: each trouble has its cure, and no chip is written to."""

from __future__ import annotations

import errno
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from firmata_device import FirmataDevice
from i2c_bus import I2C_M_RD
from sample_robots import inspector

from quadleg.commissioning.hardware_scan import Computer, Finding, SerialPortInfo, findings, print_findings
from quadleg.errors import GamepadError
from quadleg.hardware.board import Board
from quadleg.hardware.i2c_board import I2cBoard
from quadleg.hardware.serial_board import SerialBoard
from quadleg.robot.model import ImuChip, OutputEnable, PowerSensor, RobotModel
from quadleg.servos.simulated_board import SimulatedBoard
from quadleg.servos.simulated_pca9685 import SimulatedPca9685, reset_registers


class FakeChip:
    """A chip of so many bytes a register, which all hold nothing but those given."""

    def __init__(self, size: int, **values: int) -> None:
        self._size = size
        self._values = {int(register.removeprefix("r"), 16): value for register, value in values.items()}

    def read(self, register: int, count: int) -> bytes:
        if self._size == 1:
            return bytes(self._values.get(register + i, 0) for i in range(count))
        return (self._values.get(register, 0).to_bytes(self._size, "big") * count)[:count]


# INA226 and MPU-6050 data sheets: manufacturer and die id, WHO_AM_I.
INA226 = FakeChip(2, r00=0x4127, rFE=0x5449, rFF=0x2260)
MPU6050 = FakeChip(1, r75=0x68, r6B=0x40)


class FakeI2cBus:
    """An I2C bus under smbus2's API with several chips, which takes the time of its clocks."""

    def __init__(self, speed: float = 400e3) -> None:
        self.speed = speed
        self.now = 0.0
        self.chips: dict[int, Any] = {0x40: SimulatedPca9685(reset_registers(), 0.0, [])}
        self.written: list[bytes] = []
        self.failure: int | None = None

    def i2c_rdwr(self, *messages: Any) -> None:
        # UM10204: nine clocks a byte and address, a start for each message, a stop; and the kernel's own time.
        self.now += sum(9 * (1 + message.len) + 1 for message in messages) / self.speed + 150e-6
        if self.failure:
            raise OSError(self.failure, "as the test wants it")
        chip = self.chips.get(messages[0].addr)
        if chip is None:
            raise OSError(errno.EREMOTEIO, "Remote I/O error")
        register = 0
        for message in messages:
            if message.flags & I2C_M_RD:
                for i, value in enumerate(chip.read(register, message.len)):
                    message.buf[i] = bytes([value])
            else:
                self.written.append(bytes(list(message)))
                register = self.written[-1][0]

    def close(self) -> None:
        pass


def no_pad() -> str:
    raise GamepadError("no gamepad is found: 2 input devices may not be read by you", "`usermod`, log in")


class FakeComputer:
    """A computer with one I2C bus, number 1, and a serial port, as far as they are not taken away."""

    def __init__(self, tmp_path: Path) -> None:
        self.wire = FakeI2cBus()
        self.devices = tmp_path
        self.bus = tmp_path / "i2c-1"
        self.port = tmp_path / "ttyACM0"
        self.bus.touch()
        self.port.touch()
        self.closed: set[Path] = set()
        self.ports: Callable[[], list[SerialPortInfo]] = lambda: [SerialPortInfo(str(self.port), "a microcontroller")]
        self.pad = no_pad

    def open_board(self, robot: RobotModel) -> Board:
        return I2cBoard(robot.board, lambda path, address: self.wire)

    def look(self, robot: RobotModel) -> dict[str, Finding]:
        computer = Computer(
            devices=self.devices,
            allowed=lambda path: path not in self.closed,
            open_board=self.open_board,
            open_bus=lambda path: self.wire,
            ports=self.ports,
            pad=self.pad,
            clock=lambda: self.wire.now,
        )
        found = findings(robot, computer)
        assert all(len(message) == 1 for message in self.wire.written)  # a register's number, and no value for it
        by_name = {finding.about: finding for finding in found}
        assert len(by_name) == len(found)
        assert all(finding.cure for finding in found if finding.fine is False and "not looked for" not in finding.found)
        return by_name


@pytest.fixture
def lab(tmp_path: Path) -> FakeComputer:
    return FakeComputer(tmp_path)


ROBOT = inspector().on_board("i2c")
EQUIPPED = replace(
    ROBOT,
    supply=replace(ROBOT.supply, sensor=PowerSensor("ina226", 0x41, 0.002)),
    imu=ImuChip("mpu6050", 0x68),
)


def on_port(lab: FakeComputer) -> RobotModel:
    return replace(ROBOT, board=replace(ROBOT.board, kind="serial", port=str(lab.port)))


def test_all_that_is_there_is_fine(lab: FakeComputer) -> None:
    lab.wire.chips |= {0x41: INA226, 0x68: MPU6050, 0x70: lab.wire.chips[0x40], 0x50: MPU6050}
    lab.pad = lambda: "a pad (/dev/input/event3)"
    found = lab.look(EQUIPPED)
    assert all(finding.fine for finding in found.values())
    assert found["I2C buses"].found == str(lab.bus)
    # NXP, PCA9685 data sheet, rev. 4, tables 5 and 8: what these registers hold after a reset.
    assert found["PWM board"].found == "a PCA9685, as it seems, answers at 0x40: MODE1 0x11, PRE_SCALE 0x1E"
    assert found["supply sensor"].found == "the ina226 answers at 0x41"
    assert found["IMU"].found == "the mpu6050 answers at 0x68"
    assert found["I2C addresses"].found == (
        "0x40 (the PWM board), 0x41 (the supply sensor), 0x50, 0x68 (the IMU), 0x70 (every PWM board, its all-call)"
    )
    assert found["gamepad"].found == "a pad (/dev/input/event3)"


@pytest.mark.parametrize(("speed", "fine"), [(400e3, True), (380e3, True), (100e3, False)])
def test_the_speed_of_the_bus_is_measured_by_the_clocks_of_two_reads(
    lab: FakeComputer, speed: float, fine: bool
) -> None:
    lab.wire.speed = speed
    found = lab.look(ROBOT)["I2C speed"]
    assert f"about {speed / 1000:.0f} kHz measured" in found.found
    assert found.fine is fine
    if not fine:
        # 49 bytes and the address at nine clocks: 4.5 ms at 100 kHz.
        assert "a frame of twelve servos takes 4.5 ms; board.bus_khz is 400" in found.found
        assert "set the bus to 400 kHz in the computer's boot settings" in found.cure


def test_a_bus_too_slow_for_the_rate_is_told(lab: FakeComputer) -> None:
    lab.wire.speed = 10e3
    found = lab.look(ROBOT)["I2C speed"]
    assert "too long for 50 Hz" in found.found
    assert (found.fine, found.cure) == (False, "lower control.rate_hz")


def test_a_board_that_was_started_is_recognised_too(lab: FakeComputer) -> None:
    chip = lab.wire.chips[0x40]
    for message in (b"\x00\x10", b"\xfe\x79", b"\x01\x04", b"\x00\x20", b"\x06\x00\x00\x33\x01"):
        chip.write(message, 1.0)
    found = lab.look(ROBOT)
    assert found["PWM board"].found.endswith("MODE1 0x20, PRE_SCALE 0x79")
    assert found["I2C speed"].fine


@pytest.mark.parametrize(
    ("chip", "words"),
    [
        (INA226, "an ina226 answers at 0x40, no PCA9685"),
        (MPU6050, "an mpu6050 answers at 0x40, no PCA9685"),
        (FakeChip(1, r01=0xFF, rFE=0x1E), "something else than a PCA9685 answers at 0x40: MODE1 0x00"),
        (FakeChip(1), "something else than a PCA9685 answers at 0x40: MODE1 0x00, PRE_SCALE 0x00"),
        (FakeChip(1, r0B=0x80, rFE=0x1E), "something else than a PCA9685"),
    ],
)
def test_another_chip_at_the_address_of_the_board_is_told(lab: FakeComputer, chip: Any, words: str) -> None:
    lab.wire.chips[0x40] = chip
    found = lab.look(ROBOT)
    assert found["PWM board"].fine is False
    assert words in found["PWM board"].found
    assert "I2C speed" not in found


def test_chips_that_do_not_answer_or_are_others_are_told(lab: FakeComputer) -> None:
    lab.wire.chips = {0x68: INA226}
    found = lab.look(EQUIPPED)
    for about, address in (("PWM board", "0x40"), ("supply sensor", "0x41")):
        assert found[about].fine is False
        assert f"no chip answers at address {address}" in found[about].found
        assert "check the logic supply" in found[about].cure
    assert found["IMU"].fine is False
    assert found["IMU"].found == "what answers at 0x68 is no mpu6050: it says 0x00 in place of 0x68"
    assert found["I2C addresses"].found == "0x68 (the IMU)"


def test_a_bus_on_which_nobody_answers_is_told(lab: FakeComputer) -> None:
    lab.wire.chips = {}
    found = lab.look(ROBOT)["I2C addresses"]
    assert (found.fine, found.found) == (False, f"nothing answers on {lab.bus}")


def test_a_bus_that_takes_no_plain_reads_is_not_scanned(lab: FakeComputer) -> None:
    lab.wire.failure = errno.EOPNOTSUPP
    found = lab.look(ROBOT)["I2C addresses"]
    assert found.fine is None
    assert "skipped: this bus cannot be scanned" in found.found


def test_without_any_bus_the_board_is_not_looked_for(lab: FakeComputer) -> None:
    lab.bus.unlink()
    found = lab.look(EQUIPPED)
    assert found["I2C buses"].fine is False
    assert "none: there is no" in found["I2C buses"].found
    assert "`sudo modprobe i2c-dev`" in found["I2C buses"].cure
    assert found["PWM board"].found == f"not looked for, since {lab.bus} cannot be opened"
    assert not lab.wire.written


def test_another_number_of_the_bus_is_told(lab: FakeComputer) -> None:
    lab.bus.rename(lab.devices / "i2c-7")
    found = lab.look(ROBOT)["I2C buses"]
    assert (found.fine, found.found) == (False, f"{lab.devices / 'i2c-7'}, but not {lab.bus}")
    assert "board.i2c_bus" in found.cure


def test_a_bus_or_port_that_may_not_be_opened_is_told_with_its_group(lab: FakeComputer) -> None:
    lab.closed = {lab.bus, lab.port}
    found = lab.look(ROBOT)
    assert found["I2C permission"].fine is False
    assert "usermod -aG i2c $USER" in found["I2C permission"].cure
    assert found["serial permission"].fine is None  # this robot needs none
    found = lab.look(on_port(lab))
    assert found["serial permission"].fine is False
    assert "usermod -aG dialout $USER" in found["serial permission"].cure
    assert found["I2C permission"].fine is None
    assert "not looked for" in found["PWM board"].found


def test_a_board_behind_a_serial_port_is_asked_as_well(lab: FakeComputer) -> None:
    device = FirmataDevice(SimulatedBoard(ROBOT, [0.0] * 12))
    lab.ports = lambda: [SerialPortInfo(device.path, "a microcontroller")]
    lab.open_board = lambda robot: SerialBoard(robot.board)
    try:
        found = lab.look(replace(ROBOT, board=device.settings(ROBOT.board)))
    finally:
        device.vanish()
    assert found["PWM board"].found == "a PCA9685, as it seems, answers at 0x40: MODE1 0x11, PRE_SCALE 0x1E"
    assert not device.writes
    assert "I2C speed" not in found
    assert "I2C addresses" not in found


def test_the_serial_port_of_the_robot_file_is_looked_for(lab: FakeComputer) -> None:
    link = lab.devices / "by-id"
    link.symlink_to(lab.port)
    robot = replace(ROBOT, board=replace(ROBOT.board, kind="serial", port=str(link)))
    assert lab.look(robot)["serial ports"].fine
    link.unlink()
    found = lab.look(robot)
    assert found["serial ports"].found == f"{lab.port} (a microcontroller), but not {link}"
    assert "board.port" in found["serial ports"].cure
    lab.ports = list
    assert lab.look(robot)["serial ports"].found == "none"


def test_without_pyserial_that_is_what_is_missing(lab: FakeComputer) -> None:
    def missing() -> list[SerialPortInfo]:
        raise ImportError

    lab.ports = missing
    assert lab.look(ROBOT)["serial ports"].fine is None
    found = lab.look(on_port(lab))["serial ports"]
    assert (found.fine, found.cure) == (False, "`pip install -e '.[board]'` in quadleg's folder")


def test_the_device_of_output_enable_is_looked_for(lab: FakeComputer) -> None:
    chip = lab.devices / "gpiochip0"
    robot = replace(ROBOT, board=replace(ROBOT.board, output_enable=OutputEnable(str(chip), 17)))
    assert "output-enable" not in lab.look(ROBOT)
    (lab.devices / "gpiochip4").touch()
    found = lab.look(robot)["output-enable"]
    assert (found.fine, found.found) == (
        False,
        f"{chip} is not there; GPIO chips that are: {lab.devices / 'gpiochip4'}",
    )
    chip.touch()
    assert lab.look(robot)["output-enable"].found == f"{chip}, line 17: not touched here"
    lab.closed = {chip}
    assert "usermod -aG gpio" in lab.look(robot)["output-enable"].cure


def test_a_robot_needs_no_gamepad(lab: FakeComputer) -> None:
    found = lab.look(ROBOT)["gamepad"]
    assert found.fine is None
    assert found.found == "no gamepad is found: 2 input devices may not be read by you"
    assert found.cure == "`usermod`, log in"


def test_a_simulated_board_needs_nothing(lab: FakeComputer) -> None:
    lab.bus.unlink()
    lab.ports = list
    found = lab.look(ROBOT.on_board("simulated"))
    assert {finding.fine for finding in found.values()} == {None}
    assert not lab.wire.written


def test_this_very_computer_can_be_asked(capsys: pytest.CaptureFixture[str]) -> None:
    found = findings(inspector())
    print_findings(found)
    said = capsys.readouterr().out
    for finding in found:
        assert finding.about in said


def test_the_table_shows_what_to_do(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    print_findings([Finding("bus", "shut [here]", False, "open [it]"), Finding("pad", "none", None)])
    said = capsys.readouterr().out
    for words in ("trouble", "shut [here]", "open [it]", "Not fine: 1."):
        assert words in said
    print_findings([Finding("bus", "open")])
    assert "All that this robot needs is there." in capsys.readouterr().out
