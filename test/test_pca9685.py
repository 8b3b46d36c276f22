"""The driver, byte by byte against NXP's PCA9685 data sheet, rev. 4. Bytes are written out, not imported."""

from __future__ import annotations

from dataclasses import replace

import pytest
from register_recorder import RegisterRecorder

from quadleg.errors import BoardError
from quadleg.hardware import pca9685
from quadleg.hardware.board import Board
from quadleg.hardware.pca9685 import PCA9685, period_from_prescale, prescale_from_frequency
from quadleg.robot.model import BoardSettings

SETTINGS = BoardSettings(kind="recorder", address=0x40, frequency=50.0, clock=25e6, bus_speed=400e3)
RUNNING = {0x00: 0x20, 0x01: 0x04, 0xFE: 121}


def chip(board: Board, settings: BoardSettings = SETTINGS) -> PCA9685:
    return PCA9685(board, settings, sleep=lambda seconds: None)


def test_registers_and_bits() -> None:
    # Data sheet: table 4 (register summary), tables 5 and 6 (MODE1, MODE2), table 7 (LEDn_OFF_H bit 4).
    assert (pca9685.MODE1, pca9685.MODE2, pca9685.LED0_ON_L, pca9685.PRE_SCALE) == (0x00, 0x01, 0x06, 0xFE)
    assert (pca9685.ALL_LED_ON_L, pca9685.ALL_LED_OFF_H) == (0xFA, 0xFD)
    assert (pca9685.RESTART, pca9685.EXTCLK, pca9685.AI) == (1 << 7, 1 << 6, 1 << 5)
    assert (pca9685.SLEEP, pca9685.ALLCALL) == (1 << 4, 1 << 0)
    assert (pca9685.INVRT, pca9685.OUTDRV, pca9685.FULL) == (1 << 4, 1 << 2, 1 << 4)
    assert pca9685.OSCILLATOR_START == 500e-6


def test_prescale_of_the_worked_example() -> None:
    # Data sheet, section 7.3.5: 200 Hz at 25 MHz gives 30 = 0x1E; the true frequency is then 196.9 Hz.
    assert prescale_from_frequency(200, 25e6) == 0x1E
    assert 1 / period_from_prescale(0x1E, 25e6) == pytest.approx(196.9, abs=0.05)


@pytest.mark.parametrize(("prescale", "frequency"), [(0x03, 1526), (0xFF, 24)])
def test_the_ends_of_the_range(prescale: int, frequency: int) -> None:
    # Data sheet, section 7.3.5: the maximum is 1526 Hz at 0x03, the minimum 24 Hz at 0xFF.
    true = 1 / period_from_prescale(prescale, 25e6)
    assert round(true) == frequency
    assert prescale_from_frequency(true, 25e6) == prescale


@pytest.mark.parametrize("frequency", [20, 2000])
def test_a_frequency_out_of_reach_is_refused(frequency: float) -> None:
    with pytest.raises(BoardError, match=r"23\.8 to 1525\.9 Hz would be right"):
        chip(RegisterRecorder(), replace(SETTINGS, frequency=frequency))


def test_period_is_the_true_one() -> None:
    assert chip(RegisterRecorder()).period == 4096 * 122 / 25e6


def test_start_of_a_chip_after_reset() -> None:
    board, waits = RegisterRecorder(), []
    assert PCA9685(board, SETTINGS, sleep=lambda s: waits.append((s, len(board.transactions)))).start() is False
    assert board.transactions == [
        (bytes((0xFD, 0x10)),),  # ALL_LED_OFF_H: all outputs off before anything else
        (bytes((0x00, 0x10)),),  # MODE1: SLEEP, without which PRE_SCALE is blocked
        (bytes((0xFE, 121)),),  # PRE_SCALE
        (bytes((0x01, 0x04)),),  # MODE2: OUTDRV
        (bytes((0x00, 0x20)),),  # MODE1: awake, AI
    ]
    # Data sheet, table 5, note on SLEEP: the oscillator takes 500 us at most.
    assert waits == [(500e-6, 5)]


@pytest.mark.parametrize("mode1", [0x20, 0x21])  # and with its all-call address on
def test_start_of_a_running_chip_writes_nothing(mode1: int) -> None:
    board = RegisterRecorder({**RUNNING, 0x00: mode1})
    assert chip(board).start() is True
    assert board.transactions == []


@pytest.mark.parametrize(
    "difference",
    [
        pytest.param({0x00: 0x30}, id="asleep"),
        pytest.param({0x00: 0x00}, id="no auto-increment"),
        pytest.param({0x00: 0xA0}, id="waits for a restart"),
        pytest.param({0x01: 0x14}, id="inverted"),
        pytest.param({0xFE: 0x1E}, id="another frequency"),
    ],
)
def test_start_of_a_chip_that_runs_otherwise(difference: dict[int, int]) -> None:
    board = RegisterRecorder({**RUNNING, **difference})
    assert chip(board).start() is False
    assert board.transactions[0] == (bytes((0xFD, 0x10)),)
    assert {register: board.registers[register] for register in RUNNING} == RUNNING


def test_a_chip_that_keeps_nothing_is_an_error() -> None:
    with pytest.raises(BoardError, match="0x40 does not keep what is written"):
        chip(RegisterRecorder(frozen=(0xFE,))).start()


def test_twelve_contiguous_channels_are_one_message() -> None:
    board = RegisterRecorder(RUNNING)
    chip(board).write({channel: 300 + channel for channel in reversed(range(12))})
    # Four registers a channel from 0x06: ON_L, ON_H, OFF_L, OFF_H; 300 = 0x012C.
    assert board.transactions == [
        (
            bytes.fromhex(
                "06"
                "00002C01 00002D01 00002E01 00002F01 00003001 00003101"
                "00003201 00003301 00003401 00003501 00003601 00003701"
            ),
        )
    ]


def test_channels_with_gaps_are_one_transaction_of_a_message_a_run() -> None:
    board = RegisterRecorder(RUNNING)
    chip(board).write({15: 4095, 0: 1, 4: None, 1: 256})
    assert board.transactions == [
        (
            bytes.fromhex("06 00000100 00000001"),
            bytes.fromhex("16 00000010"),  # LED4_ON_L is 0x16; full off is bit 4 of OFF_H
            bytes.fromhex("42 0000FF0F"),  # LED15_ON_L is 0x42
        )
    ]


def test_no_channels_are_no_transaction() -> None:
    board = RegisterRecorder(RUNNING)
    chip(board).write({})
    assert board.transactions == []


@pytest.mark.parametrize(
    ("counts", "message"),
    [
        ({3: 300, 4: 0}, "channel 4 cannot have 0 counts: 1 to 4095 would be right"),
        ({3: 300, 4: 4096}, "channel 4 cannot have 4096 counts"),
        ({3: 300, 4: -1}, "channel 4 cannot have -1 counts"),
        ({15: 300, 16: 300}, "no channel 16: 0 to 15 would be right"),
        ({-1: 300, 0: 300}, "no channel -1"),
    ],
)
def test_what_is_out_of_range_is_refused_whole(counts: dict[int, int | None], message: str) -> None:
    board = RegisterRecorder(RUNNING)
    with pytest.raises(BoardError, match=message):
        chip(board).write(counts)
    assert board.transactions == []


def test_all_off_is_two_bytes() -> None:
    board = RegisterRecorder()
    chip(board).all_off()
    assert board.transactions == [(bytes((0xFD, 0x10)),)]


def test_read_gives_what_was_written() -> None:
    board = RegisterRecorder(RUNNING)
    board.registers[0x06:0x46] = bytes((0, 0, 0, 0x10)) * 16
    counts = {0: 1, 1: 4095, 5: 307, 15: None}
    chip(board).write(counts)
    assert chip(board).read() == {channel: counts.get(channel) for channel in range(16)}


@pytest.mark.parametrize(
    ("registers", "counts"),
    [
        ("9901CC04", 0x4CC - 0x199),  # data sheet, section 7.3.3, example 1: delay 409, on for 819 counts
        ("00000000", None),  # never on
        ("00100000", None),  # full on
        ("00100010", None),  # full off wins over full on
        ("A00F6400", 196),  # on at 4000, off at 100 of the next period
    ],
)
def test_read_of_what_others_wrote(registers: str, counts: int | None) -> None:
    board = RegisterRecorder(RUNNING)
    board.registers[0x06:0x0A] = bytes.fromhex(registers)
    assert chip(board).read()[0] == counts


@pytest.mark.parametrize("registers", [{0x00: 0x11}, {0x00: 0x30}, {0xFE: 0x1E}])
def test_running_notices_a_chip_that_lost_its_power(registers: dict[int, int]) -> None:
    board = RegisterRecorder(RUNNING)
    driver = chip(board)
    assert driver.running()
    for register, value in registers.items():
        board.registers[register] = value
    assert not driver.running()
