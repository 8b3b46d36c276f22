"""What the parent of the graph's processes decides, with made-up processes on the test's own clock."""

from __future__ import annotations

import signal

import pytest

from quadleg.errors import BoardError
from quadleg.middleware.ipc import END, OFF
from quadleg.runtime.node_table import processes
from quadleg.runtime.supervisor import (
    DEATHS_WITHIN,
    END_TIME,
    FULL_OFF_TIME,
    KILL_TIME,
    LINGER_TIME,
    MOST_DEATHS,
    OFF_TIME,
    Child,
    Supervisor,
)

STEP = 0.1  # s


class FakeProcess:
    """A process that does as the test says; `survives` a SIGKILL where told to."""

    def __init__(self) -> None:
        self.code: int | None = None
        self.words: list[bytes] = []
        self.killed = self.survives = self.line_is_closed = False

    def tell(self, word: bytes) -> None:
        self.words.append(word)

    def exit_code(self) -> int | None:
        return self.code

    def kill(self) -> None:
        self.killed = True
        if not self.survives:
            self.code = -signal.SIGKILL

    def hang_up(self) -> None:
        assert not self.line_is_closed
        self.line_is_closed = True


class Family:
    """A supervisor, its processes by name in the order of their starts, and a board that may fail."""

    def __init__(self, *beside: str) -> None:
        self.now = 1000.0
        self.said: list[str] = []
        self.started: dict[str, list[FakeProcess]] = {}
        self.board_takes = True
        self.cuts = 0
        self.supervisor = Supervisor(processes(False, beside), self._start, self._full_off, self.said.append)
        self.supervisor.begin()

    def _start(self, child: Child) -> FakeProcess:
        self.started.setdefault(child.name, []).append(FakeProcess())
        return self.started[child.name][-1]

    def _full_off(self) -> None:
        if not self.board_takes:
            raise BoardError("no board", "plug one in")
        self.cuts += 1

    def child(self, name: str) -> Child:
        return next(child for child in self.supervisor.children if child.name == name)

    def process(self, name: str) -> FakeProcess:
        return self.started[name][-1]

    def ready(self) -> None:
        for child in self.supervisor.children:
            self.supervisor.is_ready(child)

    def run(self, seconds: float = STEP) -> None:
        until = self.now + seconds
        while self.now < until:
            self.now += STEP
            self.supervisor.tick(self.now)

    def dies(self, name: str, code: int) -> None:
        self.process(name).code = code
        self.supervisor.line_ends(self.child(name), self.now)
        self.run()

    def end_orderly(self) -> None:
        for name in self.started:
            self.dies(name, 0)

    def heard(self, words: str) -> bool:
        return any(words in sentence for sentence in self.said)


@pytest.fixture
def family() -> Family:
    made = Family()
    made.ready()
    return made


def test_it_is_ready_when_all_that_the_robot_needs_is() -> None:
    family = Family("viewer")
    assert not family.supervisor.all_ready
    for name in ("servo_output", "control"):
        family.supervisor.is_ready(family.child(name))
    assert family.supervisor.all_ready


@pytest.mark.parametrize("code", [1, -signal.SIGKILL])
def test_what_dies_is_started_again_and_is_not_ready_before_it_says_so(family: Family, code: int) -> None:
    family.dies("control", code)
    assert len(family.started["control"]) == 2
    assert not family.supervisor.all_ready
    assert family.heard("control was ended by signal 9" if code < 0 else "control ended with exit code 1")
    assert family.supervisor.running


def test_what_dies_again_and_again_ends_the_robot_with_its_pulses_off(family: Family) -> None:
    for _ in range(MOST_DEATHS + 1):
        family.dies("servo_output", -signal.SIGSEGV)
    assert family.heard("will not start")
    assert family.cuts == 1
    assert family.process("control").words == [END]
    family.dies("control", 0)
    assert not family.supervisor.running
    assert family.supervisor.exit_code == 1


def test_deaths_that_are_far_apart_are_each_forgiven(family: Family) -> None:
    for _ in range(3 * MOST_DEATHS):
        family.dies("control", -signal.SIGKILL)
        family.run(DEATHS_WITHIN / MOST_DEATHS)
    assert family.supervisor.running
    assert not family.heard("will not start")


def test_what_cannot_start_is_not_tried_again() -> None:
    family = Family()
    family.dies("control", 2)
    assert len(family.started["control"]) == 1
    family.dies("servo_output", 0)
    assert not family.supervisor.running
    assert family.supervisor.exit_code == 1


def test_the_robot_goes_on_without_what_it_does_not_need() -> None:
    family = Family("viewer")
    family.ready()
    for _ in range(MOST_DEATHS + 1):
        family.dies("viewer", -signal.SIGKILL)
    assert family.heard("viewer was ended by signal 9 and will not start")
    family.run(60.0)
    assert family.supervisor.running
    assert family.process("control").words == []


def test_an_interrupt_tells_all_once_and_waits_for_their_end(family: Family) -> None:
    family.supervisor.interrupt()
    family.run(END_TIME - 1.0)
    assert [family.process(name).words for name in family.started] == [[END], [END]]
    family.end_orderly()
    assert not family.supervisor.running
    assert family.supervisor.exit_code == 0
    assert family.cuts == 0


def test_a_second_interrupt_switches_off_and_ends_hard_what_does_not_obey(family: Family) -> None:
    family.supervisor.interrupt()
    family.run()
    family.supervisor.interrupt()
    family.run()
    assert family.process("control").words == [END, OFF]
    family.dies("control", 0)
    family.run(OFF_TIME - 2 * STEP)
    assert not family.process("servo_output").killed
    family.run(3 * STEP)
    assert family.process("servo_output").killed
    family.run(2 * STEP)
    assert family.cuts == 1
    assert not family.supervisor.running


def test_an_end_that_takes_too_long_is_made_hard(family: Family) -> None:
    family.supervisor.interrupt()
    family.run(END_TIME + 3 * STEP)
    assert family.heard("no orderly end")
    assert family.process("servo_output").words == [END, OFF]
    family.run(OFF_TIME + 3 * STEP)
    assert not family.supervisor.running
    assert family.cuts == 1


def test_a_servo_output_that_fails_at_its_end_leaves_no_pulses(family: Family) -> None:
    family.supervisor.interrupt()
    family.run()
    family.dies("servo_output", 1)
    assert family.cuts == 1


def test_what_stays_after_its_line_has_ended_is_killed_and_started_again(family: Family) -> None:
    family.supervisor.line_ends(family.child("control"), family.now)
    family.run(LINGER_TIME - STEP)
    assert not family.process("control").killed
    family.run(5 * STEP)
    assert family.started["control"][0].killed
    assert len(family.started["control"]) == 2


def test_what_survives_a_kill_is_given_up_and_the_pulses_are_cut(family: Family) -> None:
    stuck = family.process("servo_output")
    stuck.survives = True
    family.supervisor.line_ends(family.child("servo_output"), family.now)
    family.run(LINGER_TIME + KILL_TIME + 4 * STEP)
    assert stuck.killed
    assert family.heard("open the switch in the servo supply")
    assert family.cuts == 1
    family.dies("control", 0)
    assert not family.supervisor.running
    assert family.supervisor.exit_code == 1


def test_a_board_that_fails_is_tried_again_and_then_named(family: Family) -> None:
    family.board_takes = False
    family.supervisor.interrupt()
    family.run()
    family.dies("control", 0)
    family.dies("servo_output", 1)
    family.run(FULL_OFF_TIME / 2)
    assert family.supervisor.running
    assert not family.heard("could not be switched off")
    family.run(FULL_OFF_TIME)
    assert not family.supervisor.running
    assert family.heard("could not be switched off: no board")


def test_a_board_that_comes_back_in_time_is_cut(family: Family) -> None:
    family.board_takes = False
    family.supervisor.interrupt()
    family.run()
    family.dies("servo_output", 1)
    family.board_takes = True
    family.run()
    assert family.cuts == 1
    assert family.heard("pulses switched off by the parent")
