"""What a person is told where a node does not answer; without a stack, with services that the test answers or not."""

from __future__ import annotations

from typing import Any

import pytest
from fake_link import LIMITS, FakeLink

from quadleg.robot_file.load import find_robot, load_robot
from quadleg.teleop.body_offsets import RANGE, BodyOffsets
from quadleg.teleop.gamepad_teleop import TeleopCommand
from quadleg.teleop.stack_link import Service
from quadleg.teleop.stack_operator import StackOperator
from quadleg.teleop.stack_requests import ANSWER_WITHIN, NOT_ANSWERED, STOP_PERIOD


class OperatorRig:
    """An operator, and what it said."""

    def __init__(self) -> None:
        self.link = FakeLink()
        self.said: list[str] = []
        body = BodyOffsets(load_robot(find_robot("greenhouse_inspector")).standing.height, RANGE)
        self.operator = StackOperator(self.link, body, self.said.append, after_fault="r resets")
        self.operator.hear_state("hold", "no good frame")
        self.operator.hear_limits(LIMITS)

    def tick_too_late(self) -> None:
        """Tick at once, and again when an answer would be too late."""
        self.operator.tick(TeleopCommand())
        self.link.time += ANSWER_WITHIN + 0.1
        self.operator.tick(TeleopCommand())


@pytest.fixture
def bench() -> OperatorRig:
    return OperatorRig()


@pytest.mark.parametrize(
    ("ask", "begins"),
    [
        (lambda operator: operator.enable(True), "stand: joint_watchdog has not answered"),
        (lambda operator: operator.enable(False), "sit: joint_watchdog has not answered"),
        (lambda operator: operator.reset(), "reset: joint_watchdog has not answered"),
        (lambda operator: operator.choose_gait(1), "gait: trot: gait has not answered"),
    ],
)
def test_who_does_not_answer_is_named_with_the_last_state_and_what_to_do(
    bench: OperatorRig, ask: Any, begins: str
) -> None:
    ask(bench.operator)
    bench.tick_too_late()
    (said,) = bench.said
    assert said.startswith(begins)
    assert "the robot said hold: no good frame" in said
    assert "`quadleg status`" in said


def test_that_a_stop_is_not_answered_is_a_flag_until_there_is_news(bench: OperatorRig) -> None:
    operator = bench.operator
    operator.emergency_stop()
    assert not operator.stop_unanswered
    bench.tick_too_late()
    assert bench.said[-1] == NOT_ANSWERED
    assert operator.stop_unanswered
    operator.enable(False)
    bench.tick_too_late()
    assert not operator.stop_unanswered


def test_an_answered_stop_is_known_by_its_time(bench: OperatorRig) -> None:
    operator = bench.operator
    before = operator.stop_answered_at
    operator.emergency_stop()
    bench.link.answer(Service.EMERGENCY_STOP)
    assert not bench.link.waiting[Service.EMERGENCY_STOP]
    assert operator.stop_answered_at > before
    assert not operator.stop_unanswered


def test_the_answer_to_a_repeated_stop_does_not_replace_a_later_answer(bench: OperatorRig) -> None:
    bench.operator.emergency_stop()
    bench.link.time += STOP_PERIOD
    bench.operator.tick(TeleopCommand())
    bench.link.time += 0.1
    bench.link.answer(Service.EMERGENCY_STOP)
    bench.operator.enable(False)
    bench.link.answer(Service.ENABLE)
    bench.link.answer(Service.EMERGENCY_STOP)
    assert bench.said[-1].startswith("sit: ")
    bench.link.time += STOP_PERIOD
    bench.operator.emergency_stop()  # a new one is no repeat
    bench.link.answer(Service.EMERGENCY_STOP)
    assert bench.said[-1].startswith("emergency stop: pulses are off")


def test_what_comes_after_a_fault_is_said_in_the_terms_of_who_drives(bench: OperatorRig) -> None:
    operator = bench.operator
    operator.emergency_stop()
    bench.link.answer(Service.EMERGENCY_STOP)
    assert bench.said[-1] == "emergency stop: pulses are off; r resets"
    bench.operator.hear_state("fault", "emergency stop")
    operator.enable(True)
    bench.link.answer(Service.ENABLE, success=False)
    assert bench.said[-1] == "stand: refused, the robot is in fault (emergency stop); r resets"


def test_a_way_that_the_gait_cannot_walk_is_said_to_who_asks_for_it(bench: OperatorRig) -> None:
    bench.operator.hear_state("active", "following the joint targets")
    assert "cannot walk to the left" in bench.operator.tick(TeleopCommand(walk=(1.0, 0.5, 0.0)))
    assert bench.operator.tick(TeleopCommand(walk=(1.0, 0.0, 0.0))) == ""
