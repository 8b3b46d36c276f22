"""Processes that die while the robot stands: what stays behind is safe, judged by the simulated board."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable

import pytest
from conftest import Stack, wait_until

from quadleg.client import Robot
from quadleg.errors import NotHeard
from quadleg.safety.limits import joint_steps


class Watch:
    """Looks at the servos while something happens: heights, powered joints, and the largest joint speed."""

    def __init__(self, stack: Stack) -> None:
        self._stack = stack
        self.heights: list[float] = []
        self.powered: list[int] = []
        self.fastest = 0.0

    def until(self, true: Callable[[], bool], seconds: float, what: str) -> None:
        last, last_time = self._stack.angles(), time.monotonic()

        def look() -> bool:
            nonlocal last, last_time
            # The power first: a joint that is limp now has come to where its angle is read.
            self.powered.append(self._stack.powered())
            angles, now = self._stack.angles(), time.monotonic()
            self.heights.append(self._stack.height())
            furthest = max(abs(a - b) for a, b in zip(angles, last))
            self.fastest = max(self.fastest, furthest / (now - last_time))
            last, last_time = angles, now
            return true()

        wait_until(look, seconds, what)

    def assert_came_down_gently(self) -> None:
        """Powered all the way down: never limp above rest, which would have been a fall."""
        rest = self._stack.model.resting.height
        for height, powered in zip(self.heights, self.powered):
            assert powered == 12 or height < rest + 0.003, f"limp at {1000 * height:.0f} mm"
        period = 1 / self._stack.model.control_rate
        # A servo answers a count at its full speed; a path with a step in it would reach that for long.
        assert self.fastest <= max(joint_steps(self._stack.model, period)) / period / 0.8 + 0.1


def test_the_control_process_killed_the_robot_holds_and_sits_down_by_itself(stack: Stack, robot: Robot) -> None:
    robot.stand()
    watch = Watch(stack)
    os.kill(stack.child("joint_watchdog"), signal.SIGKILL)
    watch.until(lambda: robot.last.servo_state == "holding", 3.0, "holding")
    assert stack.height() == pytest.approx(0.150, abs=0.0015)
    watch.until(lambda: robot.last.servo_state == "lowering", 6.0, "lowering")
    watch.until(lambda: stack.powered() == 0, 15.0, "limp")
    watch.assert_came_down_gently()
    stack.wait_for_line("control was ended by signal 9; it is started again", 1.0)
    robot.wait_for("off", within=5.0)
    robot.stand()
    assert stack.height() == pytest.approx(0.150, abs=0.0015)


def test_servo_output_killed_comes_back_to_a_running_board_without_a_kick(stack: Stack, robot: Robot) -> None:
    robot.stand()
    before = stack.angles()
    killed = stack.child("servo_output")
    os.kill(killed, signal.SIGKILL)
    stack.wait_for_line("servo_output was ended by signal 9; it is started again", 5.0)
    watch = Watch(stack)
    watch.until(lambda: robot.last.values("servo_output")["board_was"] == "running", 10.0, "the new servo_output")
    assert set(watch.powered) == {12}
    assert stack.angles() == before
    assert stack.child("servo_output") != killed
    watch.until(lambda: robot.last.servo_state == "following", 8.0, "following")
    assert set(watch.powered) == {12}
    assert stack.angles() == before
    # A watchdog that heard nothing for half a second holds, and goes on by itself.
    robot.wait_for("active", within=5.0)
    robot.pose(height_mm=140)
    assert stack.height() == pytest.approx(0.140, abs=0.0015)


def test_the_parent_killed_the_children_put_the_robot_down_and_end(stack: Stack, robot: Robot) -> None:
    robot.stand()
    children = stack.children()
    watch = Watch(stack)
    stack.process.kill()
    watch.until(lambda: robot.last.state == "off", 15.0, "off")
    watch.assert_came_down_gently()
    wait_until(lambda: not any(_runs(pid) for pid in children), 15.0, "the children's end")


def test_everything_killed_and_started_again_finds_the_board_running(start: Callable[..., Stack]) -> None:
    first = start()
    first.wait_for_line("ready after")
    with Robot() as robot:
        robot.stand()
    before = first.angles()
    # The parent first: it would start the others again.
    pids = [first.process.pid, *first.children()]
    for pid in pids:
        os.kill(pid, signal.SIGKILL)
    first.wait()
    assert first.powered() == 12
    second = start()
    watch = Watch(second)
    with Robot() as robot:
        watch.until(lambda: robot.last.servo_state == "lowering", 10.0, "lowering after holding in vain")
        assert second.angles() == pytest.approx(before, abs=0.02)
        watch.until(lambda: second.powered() == 0, 15.0, "limp")
        watch.assert_came_down_gently()


def test_sigterm_to_servo_output_alone_puts_the_robot_down(stack: Stack, robot: Robot) -> None:
    robot.stand()
    watch = Watch(stack)
    os.kill(stack.child("servo_output"), signal.SIGTERM)
    watch.until(lambda: robot.last.servo_state == "lowering", 5.0, "lowering")
    watch.until(lambda: robot.last.state == "off", 15.0, "off")
    watch.assert_came_down_gently()


def test_a_process_that_dies_again_and_again_ends_the_run_with_the_pulses_off(stack: Stack, robot: Robot) -> None:
    robot.stand()
    for n in range(1, 5):
        pid = stack.child("servo_output")
        os.kill(pid, signal.SIGKILL)
        if n < 4:
            wait_until(lambda p=pid: any(c != p for c in _servo_output(stack)), 5.0, "a new servo_output")
    stack.wait_for_line("will not start", 10.0)
    stack.wait_for_line("pulses switched off by the parent", 10.0)
    assert stack.wait(30.0) == 1
    assert stack.powered() == 0


def _servo_output(stack: Stack) -> list[int]:
    try:
        return [stack.child("servo_output")]
    except (AssertionError, OSError):
        return []


def _runs(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    with open(f"/proc/{pid}/stat") as stat:
        return stat.read().rsplit(")", 1)[1].split()[0] != "Z"


def test_the_emergency_stop_needs_no_watchdog(stack: Stack, robot: Robot) -> None:
    robot.stand()
    frozen = stack.child("joint_watchdog")
    os.kill(frozen, signal.SIGSTOP)
    try:
        with Robot() as late:
            late.stop()
        assert stack.powered() == 0
    finally:
        os.kill(frozen, signal.SIGCONT)
    robot.wait_for("fault", within=5.0)


def test_a_stop_that_nobody_answers_points_to_the_switch(stack: Stack) -> None:
    frozen = stack.child("servo_output")
    os.kill(frozen, signal.SIGSTOP)
    try:
        with Robot() as robot, pytest.raises(NotHeard, match="open the switch in the servo supply"):
            robot.stop()
    finally:
        os.kill(frozen, signal.SIGCONT)
