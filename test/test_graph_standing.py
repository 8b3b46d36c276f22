"""Stand, pose, sit and stop through real nodes in real processes, judged by the simulated board's registers."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from math import radians
from pathlib import Path

import pytest
from conftest import Stack, wait_until

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")


from quadleg.client import Robot
from quadleg.kinematics.body_pose import stance_angles

MM = 0.001


def test_stands_at_the_height_asked_for_and_sits_down_limp(shared_stack: Stack, standing: Robot) -> None:
    assert shared_stack.powered() == 12
    # Half a count of the servo and its deadband turn a joint by 0.4° at most, that is about 1 mm of height.
    assert shared_stack.height() == pytest.approx(0.150, abs=1.5 * MM)
    standing.sit()
    wait_until(lambda: shared_stack.powered() == 0, "limp after sitting")
    rest = stance_angles(shared_stack.model, shared_stack.model.resting)
    assert shared_stack.angles() == pytest.approx(rest, abs=radians(0.5))


def test_the_stop_command_cuts_all_pulses_and_says_so(shared_stack: Stack, standing: Robot) -> None:
    told = subprocess.run(
        [sys.executable, "-m", "quadleg.cli.main", "stop"], capture_output=True, text=True, check=False
    )
    assert (told.returncode, told.stderr) == (0, "")
    assert told.stdout.startswith("stopped: pulses are off")
    assert shared_stack.powered() == 0
    standing.wait_for("fault", within=5.0)


def test_one_signal_lowers_and_then_ends(stack: Stack, robot: Robot) -> None:
    assert stack.powered() == 0
    robot.stand()
    stack.process.send_signal(signal.SIGINT)
    robot.wait_for("lowering", within=5.0)
    assert stack.powered() == 12
    robot.wait_for("off", within=20.0)
    assert stack.wait() == 0
    assert not stack.memory.exists()


def test_another_signal_does_the_same_and_a_second_one_switches_off_at_once(stack: Stack, robot: Robot) -> None:
    robot.stand()
    stack.process.send_signal(signal.SIGTERM)
    robot.wait_for("lowering", within=5.0)
    assert stack.powered() == 12
    high = stack.height()
    stack.process.send_signal(signal.SIGINT)
    assert stack.wait(10.0) == 0
    assert high > 0.12
    stack.wait_for_line("switching off at once")
    assert not stack.memory.exists()


def test_a_command_in_another_terminal(shared_stack: Stack, standing: Robot) -> None:
    command = [sys.executable, "-m", "quadleg.cli.main", "pose", "--height", "140"]
    told = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert told.returncode == 0, told.stderr
    assert re.search(r"height 1(39|40)\.\d mm", told.stdout)
    assert shared_stack.height() == pytest.approx(0.140, abs=1.5 * MM)


@pytest.mark.parametrize("robot_file", ["greenhouse_inspector", "test/data/digger.yaml"])
@pytest.mark.usefixtures("shared_stack")
def test_a_second_run_under_the_same_names_is_refused(tmp_path: Path, robot_file: str) -> None:
    second = Stack(tmp_path, robot_file)
    try:
        assert second.wait(20.0) == 1
        second.wait_for_line("already runs")
    finally:
        second.end_hard()


def test_a_board_memory_in_no_folder_is_told_in_words(start) -> None:
    stack = start("--board-memory", "/nonexistent/quadleg.board")
    assert stack.wait(20.0) == 1
    stack.wait_for_line("/nonexistent/quadleg.board")
    assert "Traceback" not in "".join(stack.output)


def test_an_interrupted_command_ends_without_a_crash(stack: Stack) -> None:
    command = subprocess.Popen(
        # As a terminal starts it: a test run in the background may have inherited an ignored SIGINT.
        ["env", "--default-signal=INT", sys.executable, "-m", "quadleg.cli.main", "stand"],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    wait_until(lambda: stack.powered() > 0, "the first pulses")
    command.send_signal(signal.SIGINT)
    said, _ = command.communicate(timeout=20)
    assert command.returncode == 130
    assert "the robot goes on" in said
    assert "Fatal" not in said


def test_no_running_stack_is_said(domain: int, monkeypatch: pytest.MonkeyPatch) -> None:
    from quadleg.client import connection
    from quadleg.errors import StackNotFound

    monkeypatch.setattr(connection, "HEARD_WITHIN", 0.5)
    with pytest.raises(StackNotFound, match="quadleg run"):
        Robot()
