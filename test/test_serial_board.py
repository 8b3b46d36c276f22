"""The board behind a microcontroller: what goes over the line, in what order, and a cure for each trouble."""

from __future__ import annotations

import errno
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from types import SimpleNamespace

import pytest
from firmata_device import LONG, SYSEX_BUFFER, WIRE_BUFFER, FirmataDevice, board_on_device
from hypothesis import given
from hypothesis import strategies as st
from sample_robots import digger, inspector

from quadleg.errors import BoardError
from quadleg.hardware.firmata import i2c_write
from quadleg.hardware.pca9685 import AI, ALL_LED_OFF_H, CHANNELS, FULL, LED0_ON_L, MODE1, PCA9685
from quadleg.hardware.serial_board import SerialBoard, chunks
from quadleg.servos.board_kinds import open_board
from quadleg.servos.board_link import BoardLink
from quadleg.servos.simulated_board import SimulatedBoard
from quadleg.servos.simulated_pca9685 import SimulatedPca9685, reset_registers

serial = pytest.importorskip("serial", reason="pyserial is not installed: the extra `board` brings it")

ROBOT = inspector()
REST = [(joint.lower + joint.upper) / 2 for joint in ROBOT.joints]
ALL_OFF = bytes((ALL_LED_OFF_H, FULL))
TWELVE = bytes((LED0_ON_L,)) + bytes((0, 0, 0x33, 1)) * 12
SLOW = 300  # baud: a chunk takes 2 s, so that there is time to overtake the next
SHORT = 0.05  # s, for what never comes


@pytest.fixture
def device() -> Iterator[FirmataDevice]:
    """With a chip that has auto-increment on, as after the driver's start."""
    chip = SimulatedBoard(ROBOT, REST)
    chip.write(bytes((MODE1, AI)))
    device = FirmataDevice(chip)
    yield device
    device.vanish()


@pytest.fixture
def board(device: FirmataDevice) -> Iterator[SerialBoard]:
    with SerialBoard(device.settings(ROBOT.board)) as board:
        yield board


class BackgroundThread:
    """Something that runs in another thread; `error` is what it raised."""

    def __init__(self, work: Callable[[], object]) -> None:
        self.error: BoardError | None = None
        self._work = work
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    @property
    def runs(self) -> bool:
        return self._thread.is_alive()

    def end(self) -> None:
        self._thread.join(LONG)
        assert not self.runs

    def _run(self) -> None:
        try:
            self._work()
        except BoardError as error:
            self.error = error


def waiting(device: FirmataDevice, work: Callable[[], object]) -> BackgroundThread:
    """Work in another thread, which has asked the device and waits for its reply."""
    asked = len(device.reads)
    thread = BackgroundThread(work)
    device.wait(lambda: len(device.reads) > asked)
    return thread


# Opening


def test_what_is_sent_on_opening(device: FirmataDevice, board: SerialBoard) -> None:
    # The end of whatever another program left half-said, version, firmware, I2C config, one read of the chip's SUBADR1.
    assert device.received == bytes.fromhex("F7 F9 F079F7 F0780000F7 F7 F0764008 0200 0100 F7")


def test_the_robot_file_opens_it(device: FirmataDevice) -> None:
    with open_board(replace(ROBOT, board=device.settings(ROBOT.board)), REST) as board:
        assert board.read(MODE1, 1) == bytes((AI,))


def test_a_microcontroller_that_restarts_as_its_port_opens_is_asked_again(device: FirmataDevice) -> None:
    device.boots_at_query = 2
    with SerialBoard(device.settings(ROBOT.board)) as board:
        board.write(TWELVE)
    assert device.received.count(0xF9) == 2


@pytest.mark.parametrize(
    ("fault", "cure"),
    [
        ({"silent": True}, "nothing answers on .* within 0.05 s: .* right port, or flash the stock Firmata firmware"),
        ({"babbles": True}, "no Firmata at 57600 baud: set `baud` .* or flash the stock Firmata firmware"),
        ({"says_nothing_of_itself": True}, "only half of what Firmata asks: flash"),
        # revisions.md of the specification: I2C came with 2.1.0.
        ({"version": (2, 0)}, r"StandardFirmata.ino on .* speaks Firmata 2.0, which knows no I2C: flash"),
        ({"version": (1, 9)}, r"speaks Firmata 1.9"),
        ({"address": 0x41}, "no chip answers at address 0x40 .*'I2C: Too few bytes received'.*: check the power"),
    ],
)
def test_what_does_not_answer_as_wanted(device: FirmataDevice, fault: dict[str, object], cure: str) -> None:
    for name, value in fault.items():
        setattr(device, name, value)
    with pytest.raises(BoardError, match=cure):
        SerialBoard(device.settings(ROBOT.board), patience=SHORT)
    # The port was let go.
    device.silent = device.babbles = device.says_nothing_of_itself = False
    device.version, device.address = (2, 5), 0x40
    SerialBoard(device.settings(ROBOT.board)).close()


def test_no_such_port(monkeypatch: pytest.MonkeyPatch) -> None:
    settings = replace(ROBOT.board, port="/dev/ttyACM77")
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [SimpleNamespace(device="/dev/ttyUSB3")])
    with pytest.raises(BoardError, match="no serial port '/dev/ttyACM77'; ports that are there: /dev/ttyUSB3"):
        SerialBoard(settings)
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [])
    with pytest.raises(BoardError, match="ports that are there: none: plug the microcontroller in"):
        SerialBoard(settings)


@pytest.mark.parametrize(
    ("error", "cure"),
    [
        (serial.SerialException(errno.EACCES, "could not open port"), "usermod -aG dialout .*, then log in again"),
        (serial.SerialException(errno.EBUSY, "could not open port"), "in use: close the other program"),
        (serial.SerialException(errno.ENXIO, "could not open port"), "nothing is plugged in"),
        (serial.SerialException("could not configure port"), "could not configure port; ports that are there"),
        (ValueError("Invalid baud rate: 1"), "cannot run at 57600 baud"),
    ],
)
def test_a_port_that_does_not_open(monkeypatch: pytest.MonkeyPatch, error: Exception, cure: str) -> None:
    def fail(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr("serial.Serial", fail)
    with pytest.raises(BoardError, match=cure):
        SerialBoard(replace(ROBOT.board, port="/dev/ttyACM0"))


def test_a_port_in_use(device: FirmataDevice, board: SerialBoard) -> None:
    with pytest.raises(BoardError, match=f"{device.path} is in use: close the other program"):
        SerialBoard(device.settings(ROBOT.board))


def test_without_pyserial(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "serial", None)
    with pytest.raises(BoardError, match=r"pip install -e '\.\[board\]'"):
        SerialBoard(replace(ROBOT.board, port="/dev/ttyACM0"))


# Splitting

in_channels = st.integers(LED0_ON_L, LED0_ON_L + 4 * CHANNELS - 1).flatmap(
    lambda register: st.integers(1, LED0_ON_L + 4 * CHANNELS - register).flatmap(
        lambda length: st.binary(min_size=length, max_size=length).map(lambda data: bytes((register,)) + data)
    )
)
elsewhere = st.sampled_from([b"\x01\x04", b"\x02\xe2", b"\xfd\x10", b"\xfa\x00\x00\x33\x01"])


@given(st.lists(in_channels | elsewhere, max_size=8))
def test_split_or_not_the_registers_end_alike(messages: list[bytes]) -> None:
    whole, split = SimulatedPca9685(reset_registers(), 0.0, []), SimulatedPca9685(reset_registers(), 0.0, [])
    for chip in (whole, split):
        chip.write(bytes((MODE1, AI)), 1.0)
    for message in messages:
        whole.write(message, 1.0)
        for chunk in chunks(message):
            split.write(chunk, 1.0)
            assert len(chunk) <= WIRE_BUFFER
            assert len(i2c_write(0x40, chunk)) - 2 <= SYSEX_BUFFER
    assert split == whole


@given(in_channels)
def test_only_whole_channels_are_split_off(message: bytes) -> None:
    *earlier, _ = chunks(message)
    for chunk in earlier:
        assert (chunk[0] + len(chunk) - 1 - LED0_ON_L) % 4 == 0


def test_twelve_channels_cost_what_the_docstring_says(device: FirmataDevice, board: SerialBoard) -> None:
    before = len(device.received)
    board.write(TWELVE)
    assert len(device.received) - before == 63 + 47 + 9
    assert device.writes == [TWELVE[:29], bytes((LED0_ON_L + 28,)) + TWELVE[29:]]


def test_scattered_channels_go_one_group_after_the_other() -> None:
    robot = digger()
    device = FirmataDevice(SimulatedBoard(robot, REST), robot.board.address)
    with SerialBoard(device.settings(robot.board)) as board:
        chip = PCA9685(board, robot.board)
        chip.start()
        counts = {joint.servo.channel: 200 + joint.servo.channel for joint in robot.joints}
        chip.write(counts)
        assert {channel: value for channel, value in chip.read().items() if value} == counts
        board.read(0x00, 200)
    assert max(device.payloads) <= SYSEX_BUFFER
    assert max(count for _, count in device.reads) <= WIRE_BUFFER
    device.vanish()


# Acknowledgement


def test_a_write_returns_when_the_chip_has_it(device: FirmataDevice, board: SerialBoard) -> None:
    device.hold()
    write = waiting(device, lambda: board.write(TWELVE))
    assert write.runs
    device.release()
    write.end()
    assert write.error is None


def test_a_write_of_nothing_is_no_harm(board: SerialBoard) -> None:
    board.write()


@pytest.mark.parametrize(
    ("attribute", "value", "why"),
    [
        ("silent", True, r"did not answer within 0.5 s: check its cable, .* reset button"),
        ("address", 0, r"no chip answers at address 0x40 .*Too few bytes received.*SDA, SCL"),
    ],
)
def test_silence_of_device_or_chip_is_noticed_and_passes(
    device: FirmataDevice, board: SerialBoard, attribute: str, value: int, why: str
) -> None:
    usual = getattr(device, attribute)
    setattr(device, attribute, value)
    with pytest.raises(BoardError, match=why):
        board.write(TWELVE)
    setattr(device, attribute, usual)
    board.write(TWELVE)
    assert board.read(LED0_ON_L, 48) == TWELVE[1:]


def test_a_late_reply_is_not_taken_for_the_next(device: FirmataDevice, board: SerialBoard) -> None:
    device.hold()
    with pytest.raises(BoardError, match="did not answer"):
        board.read(LED0_ON_L, 4)
    device.board.write(bytes((LED0_ON_L, 1, 2, 3, 4)))
    device.release()
    assert board.read(LED0_ON_L, 4) == bytes((1, 2, 3, 4))


def test_a_late_acknowledgement_is_not_taken_for_the_next(device: FirmataDevice, board: SerialBoard) -> None:
    device.hold()
    with pytest.raises(BoardError, match="did not answer"):
        board.write(TWELVE)
    device.silent = True
    written = len(device.writes)
    again = waiting(device, lambda: board.write(TWELVE))
    device.release()
    again.end()
    assert "did not answer" in str(again.error)
    assert len(device.writes) == written


@pytest.mark.parametrize(
    ("reply", "taken"),
    [
        ("F0 77 40 00 0A 00 05 00 F7", True),
        ("F0 77 41 00 0A 00 05 00 F7", False),  # another device's
        ("F0 77 40 00 0B 00 05 00 F7", False),  # another register's
    ],
)
def test_only_the_reply_asked_for_is_taken(device: FirmataDevice, board: SerialBoard, reply: str, taken: bool) -> None:
    device.silent = True
    read = waiting(device, lambda: board.read(0x0A, 1))
    device.say(bytes.fromhex(reply))
    read.end()
    assert (read.error is None) is taken


@pytest.mark.parametrize("byte", [0xF7, 0xF0, 0x76])
def test_a_byte_lost_on_the_way_there(device: FirmataDevice, board: SerialBoard, byte: int) -> None:
    device.to_lose.append(byte)
    with pytest.raises(BoardError, match="did not answer"):
        board.read(LED0_ON_L, 4)
    board.write(TWELVE)
    assert board.read(LED0_ON_L, 48) == TWELVE[1:]


@pytest.mark.parametrize("byte", [0xF7, 0xF0, 0x77])
def test_a_byte_lost_on_the_way_back(device: FirmataDevice, board: SerialBoard, byte: int) -> None:
    device.to_lose_back.append(byte)
    with pytest.raises(BoardError, match="did not answer"):
        board.write(TWELVE)
    board.write(TWELVE)


# Urgent


def test_urgent_between_two_chunks(device: FirmataDevice) -> None:
    with SerialBoard(device.settings(ROBOT.board, SLOW)) as board:
        write = BackgroundThread(lambda: board.write(TWELVE))
        device.wait(lambda: device.writes == [TWELVE[:29]])
        board.urgent(ALL_OFF)
        write.end()
        assert device.writes == [TWELVE[:29], ALL_OFF]
        assert "urgent" in str(write.error)
        assert PCA9685(board, ROBOT.board).read() == dict.fromkeys(range(CHANNELS))


def test_urgent_while_a_write_waits_for_its_acknowledgement(device: FirmataDevice, board: SerialBoard) -> None:
    device.hold()
    write = waiting(device, lambda: board.write(TWELVE))
    urgent = BackgroundThread(lambda: board.urgent(ALL_OFF))
    device.wait(lambda: device.writes[-1] == ALL_OFF)
    write.end()
    assert "urgent" in str(write.error)
    urgent.end()
    assert "did not answer within 0.2 s" in str(urgent.error)
    device.release()
    assert PCA9685(board, ROBOT.board).read() == dict.fromkeys(range(CHANNELS))


def test_urgent_after_half_a_message(device: FirmataDevice, board: SerialBoard) -> None:
    device.to_lose.append(0xF7)
    with pytest.raises(BoardError, match="did not answer"):
        board.read(LED0_ON_L, 4)
    board.urgent(ALL_OFF)
    assert device.writes == [ALL_OFF]


# Ports that vanish


def test_a_cable_pulled_while_a_write_waits(device: FirmataDevice, board: SerialBoard) -> None:
    device.hold()
    write = waiting(device, lambda: board.write(TWELVE))
    device.vanish()
    write.end()
    gone = f"{device.path} is gone .*: plug its cable in, then open the board again"
    for work in (lambda: board.write(TWELVE), lambda: board.read(0, 1), lambda: board.urgent(ALL_OFF)):
        with pytest.raises(BoardError, match=gone):
            work()
    assert write.error is not None
    board.close()
    with pytest.raises(BoardError, match="closed: open it again"):
        board.urgent(ALL_OFF)


def test_it_can_be_opened_again_without_a_restart(device: FirmataDevice) -> None:
    SerialBoard(device.settings(ROBOT.board)).close()
    # A program that died in mid-message: the firmware still waits for the end.
    with open(device.path, "wb", buffering=0) as port:
        port.write(i2c_write(0x40, TWELVE[:29])[:-5])
    with SerialBoard(device.settings(ROBOT.board)) as board:
        board.write(TWELVE)
        assert board.read(LED0_ON_L, 48) == TWELVE[1:]


def test_a_microcontroller_that_starts_anew(device: FirmataDevice, board: SerialBoard) -> None:
    device.restart()
    with pytest.raises(BoardError, match="started anew: check its supply, then open the board again"):
        board.write(TWELVE)
    board.close()
    with SerialBoard(device.settings(ROBOT.board)) as again:
        again.write(TWELVE)


def test_closing_ends_a_write_that_waits(device: FirmataDevice, board: SerialBoard) -> None:
    device.hold()
    write = waiting(device, lambda: board.write(TWELVE))
    board.close()
    write.end()
    assert "open it again" in str(write.error)


def test_the_common_device_ends_with_its_board() -> None:
    with board_on_device(ROBOT, REST) as board:
        board.write(ALL_OFF)
    with pytest.raises(BoardError, match="open it again"):
        board.write(ALL_OFF)


def test_a_cable_pulled_and_plugged_in_again_goes_on_where_the_robot_stands() -> None:
    servos = SimulatedBoard(ROBOT, REST)  # the PWM board keeps its power and its pulses
    devices = [FirmataDevice(servos, ROBOT.board.address)]
    now = [0.0]
    link = BoardLink(ROBOT, lambda: SerialBoard(devices[-1].settings(ROBOT.board), patience=0.3), lambda: now[0])
    link.write(REST, [True] * 12, 0)
    devices[-1].vanish()
    moved = [angle + 0.1 for angle in REST]
    for _ in range(3):
        with pytest.raises(BoardError):
            link.write(moved, [True] * 12, 0)
        now[0] += 3.0
    assert sum(servos.powered()) == 12
    devices.append(FirmataDevice(servos, ROBOT.board.address))
    link.write(moved, [True] * 12, 0)
    assert link.trouble is None
    link.close()
    # What the board holds, by a look that is no part of the link.
    assert BoardLink(ROBOT, lambda: SerialBoard(devices[-1].settings(ROBOT.board))).found == pytest.approx(
        moved, abs=0.005
    )
    devices[-1].vanish()
