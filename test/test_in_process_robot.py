"""A robot that stands in this process: what a stop or a defect leaves on the wires, in whatever order threads run."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace

import pytest
from hypothesis_settings import is_long_run
from i2c_bus import FakeBus
from interleaving import Interleaving, LineTracer, traced
from sample_robots import inspector

from quadleg.commissioning.calibration import in_process_robot as standing_module
from quadleg.commissioning.calibration import servo_pulses as pulses_module
from quadleg.commissioning.calibration.in_process_robot import InProcessRobot
from quadleg.commissioning.calibration.servo_pulses import Pulses, Stopped
from quadleg.errors import Refused
from quadleg.hardware import i2c_board, output_enable, pca9685
from quadleg.hardware.i2c_board import I2cBoard
from quadleg.hardware.output_enable import OutputSwitch
from quadleg.robot.model import OutputEnable, RobotModel
from quadleg.safety.state_machine import State
from quadleg.safety.watchdog import Watchdog
from quadleg.servos import board_link, servo_bank

TRACED = (standing_module, board_link, servo_bank, pca9685, output_enable, i2c_board)
RATE = 10.0  # Hz: fewer frames until it stands
FULL_OFF = bytes((0xFD, 0x10))  # ALL_LED_OFF_H, full off: NXP, PCA9685 data sheet, rev. 4, section 7.3.4
LINE = OutputEnable("/dev/gpiochip0", 17)


def robot() -> RobotModel:
    made = inspector()
    return replace(made, control_rate=RATE, board=replace(made.board, output_enable=LINE))


class RecordingBus(FakeBus):
    """The bus and the output line; `seen` keeps in order what goes over both."""

    def __init__(self) -> None:
        super().__init__()
        self.seen: list[str] = []
        self.line_off = threading.Event()

    def i2c_rdwr(self, *messages) -> None:
        before = len(self.transactions)
        super().i2c_rdwr(*messages)
        for transaction in self.transactions[before:]:
            for message in transaction:
                if message == FULL_OFF:
                    self.seen.append("off")
                elif 0x06 <= message[0] < 0x46 and any(not high & 0x10 for high in message[4::4]):
                    self.seen.append("power")

    def line(self, on: bool) -> None:
        self.seen.append("line on" if on else "line off")
        if not on:
            self.line_off.set()

    def switch(self, enable: OutputEnable | None) -> OutputSwitch:
        return OutputSwitch(enable, lambda line: (False, self.line))

    def open(self) -> I2cBoard:
        return I2cBoard(robot().board, lambda path, address: self)


LINES_APART = 1 if is_long_run() else 3


class SteppedClock:
    """A clock that sleeping moves on; the thread that sleeps waits for its next turn once it is `held`."""

    def __init__(self) -> None:
        self.now = 0.0
        self._held = False
        self._go, self._slept = threading.Semaphore(0), threading.Semaphore(0)
        self.broken: Exception | None = None

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds
        if self._held:
            self._slept.release()
            self._go.acquire()

    def hold(self) -> None:
        self._held = True
        self._slept.acquire()

    def free(self) -> None:
        self._held = False
        self._go.release()

    def one(self) -> None:
        """One turn, to its end."""
        self._go.release()
        self._slept.acquire()


@contextmanager
def stands(
    wires: RecordingBus, lines: LineTracer | None = None, hear: Callable[[str], None] = print
) -> Iterator[tuple]:
    ticks = SteppedClock()
    if lines:
        threading.settrace(lines.trace)
    try:
        standing = InProcessRobot(robot(), wires.open, ticks, ticks.sleep, hear=hear, open_switch=wires.switch)
    finally:
        threading.settrace(None)  # type: ignore[arg-type]
    try:
        standing.rise()
        assert standing.state is State.ACTIVE
        ticks.hold()
        yield standing, ticks
    finally:
        ticks.free()
        standing.sit()


def interleaved(stopped_first: bool, at: int, until: int | None) -> tuple[bool, bool]:
    """Play a tick against a stop in one order; whether the switch of threads was reached, whether power followed."""
    wires, tick_lines, cut_lines = RecordingBus(), LineTracer(TRACED), LineTracer(TRACED)
    with stands(wires, tick_lines) as (standing, ticks):
        standing.offsets[4] += 0.05
        ended = threading.Event()

        def cut() -> None:
            standing.cut()
            (order.first_ended if stopped_first else order.second_ended)()
            ended.set()

        def tick() -> None:
            ticks.one()
            (order.second_ended if stopped_first else order.first_ended)()

        cutting, ticking = traced(cut_lines, cut), threading.Thread(target=tick, daemon=True)
        order = Interleaving(at, until, ticking.start if stopped_first else cutting.start)
        cut_lines.arm(order.first if stopped_first else order.second)
        tick_lines.arm(order.second if stopped_first else order.first)
        del wires.seen[:]
        (cutting if stopped_first else ticking).start()
        first, second = (cutting, ticking) if stopped_first else (ticking, cutting)
        first.join()
        if order.switched:
            second.join()
            tick_lines.disarm()
            for _ in range(3):
                standing.offsets[4] += 0.05
                ticks.one()
    after_off = wires.seen[wires.seen.index("off") :] if "off" in wires.seen else []
    after_line = wires.seen[wires.seen.index("line off") :] if "line off" in wires.seen else []
    return order.switched, "power" in after_off or "line on" in after_line


@pytest.mark.parametrize("stopped_first", [False, True], ids=["a stop within a tick", "a tick within a stop"])
def test_no_byte_with_power_follows_a_stop(stopped_first: bool) -> None:
    at, switched = 1, True
    while switched:
        switched, power = interleaved(stopped_first, at, None)
        assert not power, f"switched at line {at}"
        at += LINES_APART
    assert at > 10


@pytest.mark.long
@pytest.mark.parametrize("stopped_first", [False, True], ids=["a stop within a tick", "a tick within a stop"])
def test_no_byte_with_power_follows_a_stop_in_any_order(stopped_first: bool) -> None:
    """The first thread is stopped at each of its lines, and the second one at each of its own meanwhile."""
    for at in range(1, 60):
        for until in range(1, 60, 2):
            switched, power = interleaved(stopped_first, at, until)
            assert not power, f"switched at lines {at} and {until}"
            if not switched:
                return


def powered(wires: RecordingBus) -> int:
    return sum(counts is not None for counts in wires.chip.counts())


def told(
    wires: RecordingBus,
    ticks_until: Callable[[InProcessRobot, SteppedClock], bool],
    break_it: Callable[[InProcessRobot], None],
) -> str:
    """What is told of a defect that is put into a standing robot, once something is so."""
    words: list[str] = []
    news = threading.Event()

    def hear(sentence: str) -> None:
        words.append(sentence)
        news.set()

    with stands(wires, hear=hear) as (standing, ticks):
        assert powered(wires) == 12
        break_it(standing)
        for _ in range(300):
            ticks.one()
            if ticks_until(standing, ticks):
                break
        else:
            raise AssertionError(f"not so after 300 ticks: {standing.state}, {standing.why}")
        assert news.wait(5)
        assert standing.over
    (sentence,) = words
    return sentence


def test_a_defect_of_the_watchdog_lowers_the_robot_and_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    wires = RecordingBus()
    heights: list[State] = []

    def fail(*_: object) -> None:
        raise ZeroDivisionError("for a test")

    def limp(standing: InProcessRobot, ticks: SteppedClock) -> bool:
        heights.append(standing.state)
        return not powered(wires)

    words = told(wires, limp, lambda standing: monkeypatch.setattr(Watchdog, "tick", fail))
    assert "ZeroDivisionError: for a test" in words
    assert "lowered" in words
    # Not dropped: it takes its time, and says so.
    assert heights.count(State.LOWERING) > RATE / 2
    assert heights[-1] is State.FAULT


def test_a_defect_outside_the_watchdog_switches_the_pulses_off_and_is_told() -> None:
    wires = RecordingBus()

    def spoil(standing: InProcessRobot) -> None:
        standing.offsets[3] = "a word"  # type: ignore[call-overload]

    words = told(wires, lambda standing, ticks: not powered(wires), spoil)
    assert "switched off" in words
    assert wires.seen[-1] == "off"


def test_a_defect_of_what_is_waited_for_switches_the_pulses_off_and_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    wires, ticks, words = RecordingBus(), SteppedClock(), []
    news = threading.Event()

    def hear(sentence: str) -> None:
        words.append(sentence)
        news.set()

    def fail(*_: object) -> None:
        raise ZeroDivisionError("for a test")

    standing = InProcessRobot(robot(), wires.open, ticks, ticks.sleep, hear=hear, open_switch=wires.switch)
    monkeypatch.setattr(Watchdog, "enable", fail)
    with pytest.raises(Refused, match="ZeroDivisionError: for a test"):
        standing.rise()
    assert news.wait(5)
    assert "switched off" in words[0]
    assert standing.state is State.FAULT
    assert powered(wires) == 0
    monkeypatch.undo()
    standing.sit()


def test_a_board_that_fails_in_a_way_of_its_own_is_cut_as_soon_as_it_takes_bytes() -> None:
    wires = RecordingBus()
    left = [3]

    def fail() -> None:
        if left[0]:
            left[0] -= 1
            raise RuntimeError("no board error")

    def spoil(standing: InProcessRobot) -> None:
        standing.offsets[4] += 0.05
        wires.before = fail

    words: list[str] = []
    with stands(wires, hear=words.append) as (standing, ticks):
        spoil(standing)
        ticks.one()
        assert standing.over
        assert powered(wires) == 12  # nothing could be sent
        for _ in range(5):
            ticks.one()
        assert powered(wires) == 0
    assert any("open the switch in the servo supply" in sentence for sentence in words)


def test_a_robot_that_is_not_up_or_down_in_time_says_where_it_is_and_what_to_do(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """On a real clock: with one that runs ahead, it may be up before anyone waits for it."""
    monkeypatch.setattr(standing_module, "LONGEST_WAY", 0.05)
    wires, words = RecordingBus(), []
    standing = InProcessRobot(robot(), wires.open, hear=words.append, open_switch=wires.switch)
    try:
        with pytest.raises(Refused) as refused:
            standing.rise()
    finally:
        assert standing.sit()
    for part in ("not up within 0.05 s", "it is rising (first pulses: ", "quadleg check --hardware", "sit down again"):
        assert part in str(refused.value)
    (late,) = words
    for part in ("not down within 0.05 s", "its pulses are cut now", "it is lowering"):
        assert part in late
    assert powered(wires) == 0


def test_a_stop_does_not_wait_for_a_tick_that_hangs_on_the_board() -> None:
    """Only the bus itself is waited for: no lock of the standing's is held while the board takes bytes."""
    wires = RecordingBus()
    in_transfer, go_on = threading.Event(), threading.Event()

    def hang() -> None:
        wires.before = lambda: None
        in_transfer.set()
        go_on.wait(10)

    with stands(wires) as (standing, ticks):
        standing.offsets[4] += 0.05
        wires.before = hang
        wires.line_off.clear()
        ticking = threading.Thread(target=ticks.one, daemon=True)
        cutting = threading.Thread(target=standing.cut, daemon=True)
        ticking.start()
        assert in_transfer.wait(5)
        cutting.start()
        assert wires.line_off.wait(5)
        assert cutting.is_alive()
        go_on.set()
        cutting.join(5)
        ticking.join(5)
        assert powered(wires) == 0
        ticks.one()
        assert standing.state is State.FAULT


def test_no_byte_with_power_follows_a_stop_of_a_calibration() -> None:
    """`Pulses` moves one servo in the caller's thread; the stop comes from another one, at each of its lines."""
    servo = robot().joints[4].servo

    def played(at: int) -> tuple[bool, list[str]]:
        """Whether a line had this number, and what was seen from the stop on."""
        wires, lines = RecordingBus(), LineTracer((pulses_module, pca9685, output_enable, i2c_board))
        pulses = Pulses(robot().board, wires.open, lambda seconds: None, wires.switch)

        def cut() -> None:
            pulses.cut()
            order.second_ended()

        def move() -> None:
            with suppress(Stopped):
                pulses.go(servo, servo.pulse_at_zero + 20e-6)

        cutting = threading.Thread(target=cut, daemon=True)
        order = Interleaving(at, None, lambda: (wires.seen.clear(), cutting.start()))
        moving = traced(lines, move)
        lines.arm(order.first)
        moving.start()
        moving.join()
        if order.switched:
            cutting.join()
        return order.switched, wires.seen

    at, switched = 0, True
    while switched:
        at += 1
        switched, seen = played(at)
        if switched:
            assert "power" not in seen[seen.index("off") :], f"switched at line {at}: {seen}"
            assert "line on" not in seen[seen.index("line off") :], f"switched at line {at}: {seen}"
    assert at > 20
