"""Processes that die while the robot stands: what stays behind is safe, judged by the simulated board."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import RosProbe, Stack, wait_until
from faults.watch import BoardMonitor

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from std_msgs.msg import String

from quadleg.client import Robot
from quadleg.errors import StackNotFound
from quadleg.middleware.topics import LATCHED

pytestmark = pytest.mark.spread


def assert_came_down_gently(watch: BoardMonitor) -> None:
    """Powered all the way down, never limp above rest, which would have been a fall; no joint stepped."""
    wait_until(lambda: watch.now.powered == 0, "limp")
    watch.end()
    assert watch.falls() < 0.003
    assert watch.worst_step <= 1.0


def held(watch: BoardMonitor) -> tuple[float | None, ...]:
    """The angles of the frame that the registers hold, once frames change no more."""
    wait_until(lambda: watch.held_since() is not None, "no more frames")
    return watch.now.angles


def test_the_control_process_killed_the_robot_holds_and_sits_down_by_itself(stack: Stack, robot: Robot) -> None:
    robot.stand()
    watch = BoardMonitor(stack)
    os.kill(stack.child("joint_watchdog"), signal.SIGKILL)
    wait_until(lambda: robot.last.servo_state == "holding", "holding")
    assert stack.height() == pytest.approx(0.150, abs=0.0015)
    wait_until(lambda: robot.last.servo_state == "lowering", "lowering")
    assert_came_down_gently(watch)
    stack.wait_for_line("control was ended by signal 9; it is started again")
    robot.wait_for("off", within=5.0)
    robot.stand()
    assert stack.height() == pytest.approx(0.150, abs=0.0015)


def test_servo_output_killed_comes_back_to_a_running_board_without_a_kick(stack: Stack, robot: Robot) -> None:
    robot.stand()
    watch = BoardMonitor(stack)
    before = held(watch)
    killed = stack.child("servo_output")
    killed_at = time.monotonic()
    os.kill(killed, signal.SIGKILL)
    stack.wait_for_line("servo_output was ended by signal 9; it is started again")
    wait_until(lambda: robot.last.values("servo_output")["board_was"] == "running", "the new servo_output")
    assert stack.child("servo_output") != killed
    wait_until(lambda: robot.last.servo_state == "following", "following")
    watch.end()
    assert watch.now.angles == before
    assert watch.now.time < killed_at, "another frame: a kick"
    # A watchdog that heard nothing for half a second holds, and goes on by itself.
    robot.wait_for("active", within=5.0)
    robot.pose(height_mm=140)
    assert stack.height() == pytest.approx(0.140, abs=0.0015)


def test_the_parent_killed_the_children_put_the_robot_down_and_end(stack: Stack, robot: Robot) -> None:
    robot.stand()
    children = stack.children()
    watch = BoardMonitor(stack)
    stack.process.kill()
    wait_until(lambda: robot.last.state == "off", "off")
    assert_came_down_gently(watch)
    wait_until(lambda: not any(_runs(pid) for pid in children), "the children's end")


def test_whoever_read_its_words_is_gone_and_the_robot_is_still_put_down(domain: int, tmp_path: Path) -> None:
    """As when the program at the other end of a pipe ends, or the window that it wrote to is closed."""
    memory, errors = tmp_path / "test.board", tmp_path / "errors.txt"
    command = [sys.executable, "-m", "quadleg.cli.main", "run", "--no-recorder", "--board-memory", str(memory)]
    with errors.open("w") as file:
        run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=file, text=True, start_new_session=True)
    try:
        assert run.stdout
        next(line for line in run.stdout if "ready after" in line)
        run.stdout.close()
        with Robot() as robot:
            robot.stand()
            run.terminate()
            robot.wait_for("lowering", within=5.0)
            robot.wait_for("off", within=20.0)
        assert run.wait(20.0) == 0
    finally:
        run.kill()
    assert "Traceback" not in errors.read_text()


def test_everything_killed_and_started_again_finds_the_board_running(
    start: Callable[..., Stack], probe: RosProbe
) -> None:
    first = start()
    first.wait_for_line("ready after")
    with Robot() as robot:
        robot.stand()
    before = held(BoardMonitor(first))
    # The parent first: it would start the others again.
    pids = [first.process.pid, *first.children()]
    for pid in pids:
        os.kill(pid, signal.SIGKILL)
    first.wait()
    assert first.powered() == 12
    said = probe.hear(String, "servo_state", LATCHED)
    second = start()
    watch = BoardMonitor(second)
    probe.wait(lambda: said and said[-1].data.startswith("holding"), "holding")
    assert [seen.angles for seen in watch.frames] == [before]
    probe.wait(lambda: said[-1].data.startswith("lowering"), "lowering after holding in vain")
    assert_came_down_gently(watch)


def test_sigterm_to_servo_output_alone_puts_the_robot_down(stack: Stack, robot: Robot) -> None:
    robot.stand()
    watch = BoardMonitor(stack)
    os.kill(stack.child("servo_output"), signal.SIGTERM)
    wait_until(lambda: robot.last.servo_state == "lowering", "lowering")
    wait_until(lambda: robot.last.state == "off", "off")
    assert_came_down_gently(watch)


def test_a_process_that_dies_again_and_again_ends_the_run_with_the_pulses_off(stack: Stack, robot: Robot) -> None:
    robot.stand()
    for n in range(1, 5):
        pid = stack.child("servo_output")
        os.kill(pid, signal.SIGKILL)
        if n < 4:
            wait_until(lambda p=pid: any(c != p for c in _servo_output(stack)), "a new servo_output")
    stack.wait_for_line("will not start")
    stack.wait_for_line("pulses switched off by the parent")
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
        with Robot() as robot, pytest.raises(StackNotFound, match="open the switch in the servo supply"):
            robot.stop()
    finally:
        os.kill(frozen, signal.SIGCONT)
