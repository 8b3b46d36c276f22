"""The link to a board that fails, is unplugged, loses its power and comes back."""

from __future__ import annotations

import errno
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import pytest
from i2c_bus import FakeBus
from sample_robots import inspector

from quadleg.errors import BoardError, PowerLost
from quadleg.hardware.i2c_board import I2cBoard
from quadleg.hardware.output_enable import OutputSwitch
from quadleg.hardware.pca9685 import MODE1, PRE_SCALE
from quadleg.robot.model import OutputEnable
from quadleg.servos.board_link import FIRST_PAUSE, LONGEST_PAUSE, BoardLink

ROBOT = inspector()
MIDDLE = [(joint.lower + joint.upper) / 2 for joint in ROBOT.joints]
ALL, NONE = [True] * 12, [False] * 12


class BoardLinkRig:
    """A link on a fake bus, with a clock that the test moves."""

    def __init__(self) -> None:
        self.now = 100.0
        self.bus = FakeBus(clock=lambda: self.now)
        self.opened = 0
        self.link = BoardLink(ROBOT, self.open, lambda: self.now)

    def open(self) -> I2cBoard:
        self.opened += 1
        self.bus.closed = False
        return I2cBoard(ROBOT.board, lambda path, address: self.bus)

    def write(self, angles=MIDDLE, powered=ALL) -> bool:
        return self.link.write(angles, powered, self.link.cuts)

    def fails(self, action: Callable[[], None]) -> str:
        with pytest.raises(BoardError) as caught:
            action()
        return str(caught.value)

    def powered(self) -> int:
        return sum(counts is not None for counts in self.bus.chip.counts())


@pytest.fixture
def bench() -> BoardLinkRig:
    return BoardLinkRig()


def test_a_chip_at_its_reset_is_initialised_and_all_is_limp(bench: BoardLinkRig) -> None:
    assert bench.link.found is None
    assert bench.powered() == 0
    assert bench.bus.chip.registers[PRE_SCALE] == 121


def test_a_running_chip_keeps_its_pulses_and_says_its_angles(bench: BoardLinkRig) -> None:
    bench.write()
    before = bytes(bench.bus.chip.registers)
    bench.bus.transactions.clear()
    link = BoardLink(ROBOT, bench.open, lambda: bench.now)
    assert link.found == pytest.approx(MIDDLE, abs=0.005)
    assert bytes(bench.bus.chip.registers) == before
    assert not any(len(message) > 1 for messages in bench.bus.transactions for message in messages)


def test_only_what_has_changed_is_sent(bench: BoardLinkRig) -> None:
    bench.write()
    bench.bus.transactions.clear()
    bench.write()
    assert not bench.bus.transactions
    moved = list(MIDDLE)
    moved[4] += 0.1
    bench.write(moved)
    ((message,),) = bench.bus.transactions
    assert message[0] == 0x06 + 4 * 4
    assert len(message) == 5


def test_one_failure_is_made_good_by_the_next_frame_on_the_same_connection(bench: BoardLinkRig) -> None:
    bench.write()
    bench.bus.failures = [errno.EREMOTEIO]
    moved = [angle + 0.05 for angle in MIDDLE]
    assert "no chip answers" in bench.fails(lambda: bench.write(moved))
    assert "no chip answers" in bench.link.trouble
    bench.write(moved)
    assert (bench.link.trouble, bench.link.errors, bench.opened) == (None, 1, 1)
    assert BoardLink(ROBOT, bench.open).found == pytest.approx(moved, abs=0.005)


def test_after_a_failed_frame_all_of_the_next_is_sent(bench: BoardLinkRig) -> None:
    bench.write()
    bench.bus.failures = [errno.EIO]
    moved = list(MIDDLE)
    moved[0] += 0.1
    bench.fails(lambda: bench.write(moved))
    bench.bus.transactions.clear()
    bench.write(moved)
    frame = [message for messages in bench.bus.transactions for message in messages if message[0] == 0x06]
    assert [len(message) for message in frame] == [49]


def test_a_board_that_fails_is_opened_again_at_growing_intervals(bench: BoardLinkRig) -> None:
    bench.write()
    bench.bus.always_fails = errno.EREMOTEIO
    attempts = []
    for _ in range(4000):
        opened = bench.opened
        bench.fails(lambda: bench.write([angle + 0.1 for angle in MIDDLE]))
        if bench.opened > opened:
            attempts.append(bench.now)
        bench.now += 0.01
    pauses = [round(b - a, 6) for a, b in pairwise(attempts)]
    assert pauses == sorted(pauses)
    assert pauses[0] == pytest.approx(2 * FIRST_PAUSE, abs=0.02)
    assert pauses[-1] == pytest.approx(LONGEST_PAUSE, abs=0.02)
    bench.bus.always_fails = None
    bench.now += FIRST_PAUSE
    bench.write(MIDDLE, NONE)  # what makes limp does not wait so long
    assert bench.link.trouble is None
    assert bench.powered() == 0


def test_a_board_that_is_away_for_hours_is_still_tried(bench: BoardLinkRig) -> None:
    bench.write()
    bench.bus.always_fails = errno.EREMOTEIO
    for _ in range(3000):
        bench.fails(lambda: bench.write([angle + 0.1 for angle in MIDDLE]))
        bench.now += LONGEST_PAUSE
    bench.bus.always_fails = None
    bench.write()
    assert bench.link.errors >= 3000


def test_one_misread_register_does_not_drop_the_robot(bench: BoardLinkRig) -> None:
    bench.write()
    read = bench.bus.chip.read
    spoilt = [0xFF]
    bench.bus.chip.read = lambda register, count: bytes([spoilt.pop()] if spoilt else read(register, count))
    bench.link.check()
    assert bench.powered() == 12


def test_a_chip_that_lost_its_power_is_found_at_its_reset_and_said_once(bench: BoardLinkRig) -> None:
    bench.write()
    bench.link.check()
    bench.bus.lose_power()
    with pytest.raises(PowerLost, match="lost its power"):
        bench.link.check()
    assert bench.powered() == 0
    assert not bench.bus.chip.registers[MODE1] & 0x10  # awake again, ready for a first pulse
    bench.link.check()
    bench.write()
    assert bench.powered() == 12


def test_power_lost_behind_a_failure_is_found_before_the_next_frame(bench: BoardLinkRig) -> None:
    bench.write()
    bench.bus.failures = [errno.EREMOTEIO]
    bench.fails(lambda: bench.write([0.1 + a for a in MIDDLE]))
    bench.bus.lose_power()
    with pytest.raises(PowerLost):
        bench.write()
    assert bench.powered() == 0


def test_power_lost_while_unplugged_is_found_on_opening_again(bench: BoardLinkRig) -> None:
    bench.write()
    bench.bus.always_fails = errno.EREMOTEIO
    bench.bus.lose_power()
    for _ in range(5):
        bench.fails(lambda: bench.write([0.1 + a for a in MIDDLE]))
        bench.now += 3
    bench.bus.always_fails = None
    with pytest.raises(PowerLost):
        bench.write()
    assert bench.powered() == 0


def test_a_cut_makes_all_limp_and_the_same_frame_is_sent_whole_again(bench: BoardLinkRig) -> None:
    bench.write()
    bench.link.cut()
    assert bench.powered() == 0
    bench.write(MIDDLE, NONE)
    bench.write()
    assert bench.powered() == 12


def test_a_cut_into_a_frame_on_its_way_leaves_nothing_powered(bench: BoardLinkRig) -> None:
    # The frame is in the transfer when another thread cuts: the cut is carried out within it here, that is before
    # the frame's bytes, which is the worse order.
    bench.write(MIDDLE, NONE)
    cut = [bench.link.cut]
    bench.bus.before = lambda: cut and cut.pop()()
    assert not bench.write()
    assert bench.powered() == 0


def test_a_frame_that_knows_nothing_of_a_cut_is_not_sent(bench: BoardLinkRig) -> None:
    bench.write(MIDDLE, NONE)
    known = bench.link.cuts
    bench.link.cut()
    bench.bus.transactions.clear()
    assert not bench.link.write(MIDDLE, ALL, known)
    assert not bench.bus.transactions
    assert bench.link.write(MIDDLE, ALL, bench.link.cuts)
    assert bench.powered() == 12


def test_a_board_that_cannot_be_opened_at_first_is_an_error() -> None:
    buses: list[FakeBus] = []

    def opened(*_: object) -> FakeBus:
        buses.append(FakeBus())
        buses[-1].always_fails = errno.EREMOTEIO
        return buses[-1]

    with pytest.raises(BoardError, match="no chip answers"):
        BoardLink(ROBOT, lambda: I2cBoard(ROBOT.board, opened))
    assert all(bus.closed for bus in buses)


def test_a_disturbed_transfer_at_the_start_is_no_reason_not_to_start() -> None:
    buses: list[FakeBus] = []

    def opened(*_: object) -> FakeBus:
        buses.append(FakeBus())
        buses[-1].failures = [errno.EREMOTEIO] if len(buses) == 1 else []
        return buses[-1]

    link = BoardLink(ROBOT, lambda: I2cBoard(ROBOT.board, opened))
    assert link.write(MIDDLE, ALL, link.cuts)
    assert [bus.closed for bus in buses] == [True, False]


def test_the_time_to_the_board_is_the_median_of_real_frames(bench: BoardLinkRig) -> None:
    assert bench.link.seconds == 0

    def take_time() -> None:
        bench.now += 0.004

    bench.bus.before = take_time
    for k in range(5):
        bench.write([angle + 0.01 * k for angle in MIDDLE])
        bench.write([angle + 0.01 * k for angle in MIDDLE])  # nothing to send, no time taken
    assert bench.link.seconds == pytest.approx(0.004)
    # 452 clocks in 4 ms.
    assert bench.link.bus_speed == pytest.approx(113e3, rel=0.01)


# The output-enable line

LINE = OutputEnable("/dev/gpiochip0", 17)
WITH_LINE = replace(ROBOT, board=replace(ROBOT.board, output_enable=LINE))


def with_line(bus: FakeBus, levels: list[bool], found_on: bool = False) -> BoardLink:
    """A link whose switch notes its levels."""

    def request(enable: OutputEnable) -> tuple[bool, Callable[[bool], None]]:
        assert enable == LINE
        return found_on, levels.append

    return BoardLink(
        WITH_LINE,
        lambda: I2cBoard(ROBOT.board, lambda path, address: bus),
        open_switch=lambda enable: OutputSwitch(enable, request),
    )


def running(bus: FakeBus) -> None:
    """A board that another process left with all joints powered."""
    link = BoardLink(ROBOT, lambda: I2cBoard(ROBOT.board, lambda path, address: bus))
    link.write(MIDDLE, ALL, link.cuts)


def test_the_output_enable_line_is_on_only_while_a_joint_has_power() -> None:
    levels: list[bool] = []
    link = with_line(FakeBus(), levels)
    link.write(MIDDLE, NONE, 0)
    assert not any(levels)
    link.write(MIDDLE, ALL, 0)
    link.write([angle + 0.1 for angle in MIDDLE], ALL, 0)
    assert levels[-1] is True
    assert levels.count(True) == 1
    link.cut()
    assert levels[-1] is False
    link.write(MIDDLE, NONE, link.cuts)
    link.write(MIDDLE, ALL, link.cuts)
    assert levels[-1] is True


def test_a_running_board_whose_line_is_still_on_stays_as_it_is() -> None:
    bus, levels = FakeBus(), []
    running(bus)
    link = with_line(bus, levels, found_on=True)
    assert link.found == pytest.approx(MIDDLE, abs=0.005)
    assert levels == []


def test_servos_that_the_line_made_limp_do_not_snap_back_to_what_the_registers_hold() -> None:
    bus, levels = FakeBus(), []
    running(bus)
    link = with_line(bus, levels, found_on=False)
    assert link.found is None
    assert not any(counts is not None for counts in bus.chip.counts())
    assert not any(levels)


@pytest.mark.parametrize("how", ["cut", "write"])
def test_the_line_is_switched_off_though_the_bus_is_dead(how: str) -> None:
    bus, levels = FakeBus(), []
    link = with_line(bus, levels)
    link.write(MIDDLE, ALL, 0)
    bus.always_fails = errno.EREMOTEIO
    with pytest.raises(BoardError):
        link.cut() if how == "cut" else link.write(MIDDLE, NONE, 0)
    assert levels[-1] is False


def test_a_line_that_does_not_obey_keeps_no_pulse_on() -> None:
    bus = FakeBus()
    running(bus)

    def refuse(on: bool) -> None:
        raise OSError(errno.ENODEV, "No such device")

    link = BoardLink(
        WITH_LINE,
        lambda: I2cBoard(ROBOT.board, lambda path, address: bus),
        open_switch=lambda enable: OutputSwitch(enable, lambda line: (True, refuse)),
    )
    with pytest.raises(BoardError, match="line 17 of /dev/gpiochip0 does not obey: No such device"):
        link.cut()
    assert not any(counts is not None for counts in bus.chip.counts())


def test_a_line_that_cannot_be_had_is_told_with_its_cure() -> None:
    def refuse(enable: OutputEnable) -> tuple[bool, Callable[[bool], None]]:
        raise OSError(errno.EBUSY, "Device or resource busy")

    with pytest.raises(BoardError, match="line 17 of /dev/gpiochip0 cannot be had, Device or resource busy: `gpioinfo"):
        OutputSwitch(LINE, refuse)
