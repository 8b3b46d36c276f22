"""What a person is told where a node does not answer; without a stack, with services that the test answers or not."""

from __future__ import annotations

import time
from types import SimpleNamespace
from typing import Any

import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from builtin_interfaces.msg import Time
from std_msgs.msg import String

from quadleg.nodes import stack_operator as operator_module
from quadleg.nodes.stack_operator import NOT_ANSWERED, StackOperator
from quadleg.robot_file.load import find_robot, load_robot
from quadleg.teleop.body_offsets import RANGE, BodyOffsets
from quadleg.teleop.gamepad_teleop import TeleopCommand

LIMITS = "gait: creep\ngaits: [creep, trot]\nmax_velocity: [0.07, 0.0, 0.4]\nmin_velocity: [-0.06, 0.0, -0.5]\n"


class PendingCall:
    """A service's answer that is still to come."""

    def __init__(self) -> None:
        self._then: list[Any] = []
        self.success = True

    def add_done_callback(self, then: Any) -> None:
        self._then.append(then)

    def result(self) -> Any:
        return SimpleNamespace(success=self.success, message="call reset first")

    def answer(self) -> None:
        for then in self._then:
            then(self)


class FakeNode:
    """The node on which an operator is: it knows no ROS, and all its services are there and silent."""

    def __init__(self) -> None:
        self.calls: dict[str, list[PendingCall]] = {}

    def steady_time(self) -> float:
        return time.monotonic()

    def stamp(self) -> Time:
        return Time()

    def start_worker(self, _: str, step: Any) -> None:
        step(False)

    def create_publisher(self, *_: Any) -> Any:
        return SimpleNamespace(publish=lambda _: None)

    def create_client(self, _: Any, service: str) -> Any:
        calls = self.calls.setdefault(service, [])

        def call_async(_: Any) -> PendingCall:
            calls.append(PendingCall())
            return calls[-1]

        return SimpleNamespace(
            service_is_ready=lambda: True, call_async=call_async, remove_pending_request=lambda _: None
        )

    def get_namespace(self) -> str:
        return "/made_up"


class OperatorRig:
    """An operator whose answers are late at once, and what it said."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(operator_module, "ANSWER_WITHIN", -1.0)
        monkeypatch.setattr(operator_module, "stop_here", lambda _: None)
        self.node = FakeNode()
        self.said: list[str] = []
        self.hear: dict[str, Any] = {}
        body = BodyOffsets(load_robot(find_robot("greenhouse_inspector")).standing.height, RANGE)
        self.operator = StackOperator(
            self.node, self._subscribe, "base_footprint", body, self.said.append, after_fault="r resets"
        )
        self.hear["state"](String(data="hold: no good frame"))
        self.hear["walking_limits"](String(data=LIMITS))

    def _subscribe(self, _: Any, topic: str, callback: Any, *__: Any) -> None:
        self.hear[topic] = callback


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> OperatorRig:
    return OperatorRig(monkeypatch)


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
    bench.operator.tick(TeleopCommand())
    bench.operator.tick(TeleopCommand())
    (said,) = bench.said
    assert said.startswith(begins)
    assert "the robot said hold: no good frame" in said
    assert "`quadleg status`" in said


def test_that_a_stop_is_not_answered_is_a_flag_until_there_is_news(bench: OperatorRig) -> None:
    operator = bench.operator
    operator.emergency_stop()
    assert not operator.stop_unanswered
    operator.tick(TeleopCommand())
    assert bench.said[-1] == NOT_ANSWERED
    assert operator.stop_unanswered
    operator.enable(False)
    operator.tick(TeleopCommand())
    assert not operator.stop_unanswered


def test_an_answered_stop_is_known_by_its_time(bench: OperatorRig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(operator_module, "ANSWER_WITHIN", 60.0)
    operator = bench.operator
    before = operator.stop_answered_at
    operator.emergency_stop()
    (call,) = bench.node.calls["emergency_stop"]
    call.answer()
    assert operator.stop_answered_at > before
    assert not operator.stop_unanswered


def test_what_comes_after_a_fault_is_said_in_the_terms_of_who_drives(
    bench: OperatorRig, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(operator_module, "ANSWER_WITHIN", 60.0)
    operator = bench.operator
    operator.emergency_stop()
    bench.node.calls["emergency_stop"][0].answer()
    assert bench.said[-1] == "emergency stop: pulses are off; r resets"
    bench.hear["state"](String(data="fault: emergency stop"))
    operator.enable(True)
    call = bench.node.calls["enable"][0]
    call.success = False
    call.answer()
    assert bench.said[-1] == "stand: refused, the robot is in fault (emergency stop); r resets"


def test_a_way_that_the_gait_cannot_walk_is_said_to_who_asks_for_it(
    bench: OperatorRig, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.hear["state"](String(data="active: following the joint targets"))
    assert "cannot walk to the left" in bench.operator.tick(TeleopCommand(walk=(1.0, 0.5, 0.0)))
    assert bench.operator.tick(TeleopCommand(walk=(1.0, 0.0, 0.0))) == ""
