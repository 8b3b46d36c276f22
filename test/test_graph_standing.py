"""Stand, pose, sit and stop through real nodes in real processes, judged by the simulated board's registers."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
import threading
from contextlib import suppress
from math import degrees, nan, radians
from pathlib import Path

import pytest
from conftest import RosProbe, Stack, wait_until

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from geometry_msgs.msg import PoseStamped
from std_msgs.msg import String
from std_srvs.srv import SetBool

from quadleg.client import Robot, pose_difference
from quadleg.errors import NotReached, Refused
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import stance_angles
from quadleg.middleware.topics import LATCHED
from quadleg.robot.model import JOINT_NAMES

MM = 0.001


def test_stands_at_the_height_asked_for_and_sits_down_limp(stack: Stack, robot: Robot) -> None:
    assert stack.powered() == 0
    robot.stand(height_mm=150)
    assert stack.powered() == 12
    # Half a count of the servo and its deadband turn a joint by 0.4° at most, that is about 1 mm of height.
    assert stack.height() == pytest.approx(0.150, abs=1.5 * MM)
    robot.sit()
    wait_until(lambda: stack.powered() == 0, 2.0, "limp after sitting")
    rest = stance_angles(stack.model, stack.model.resting)
    assert stack.angles() == pytest.approx(rest, abs=radians(0.5))
    assert stack.end() == 0
    assert not stack.memory.exists()


def test_reaches_the_poses_asked_for(shared_stack: Stack, standing: Robot) -> None:
    for axes in (
        {"height_mm": 120},
        {"height_mm": 170},
        {"height_mm": 150, "roll_deg": 10},
        {"height_mm": 150, "pitch_deg": -8},
        {"height_mm": 150, "x_mm": 20, "y_mm": -15, "yaw_deg": 8},
    ):
        standing.pose(**axes)
        turns = [radians(axes.get(f"{axis}_deg", 0.0)) for axis in ("roll", "pitch", "yaw")]
        place = [axes.get(f"{axis}_mm", 0.0) * MM for axis in ("x", "y", "height")]
        reached = standing.pose_of(dict(zip(JOINT_NAMES, shared_stack.angles())))
        shift, turn = pose_difference(Pose.from_rpy(*place, *turns), reached)
        assert shift < 2 * MM, axes
        assert degrees(turn) < 0.8, axes


def test_an_unreachable_pose_is_approached_and_the_reason_names_leg_and_joint(
    shared_stack: Stack, standing: Robot
) -> None:
    with pytest.raises(NotReached, match=r"(front|rear)_(left|right), knee at its upper limit"):
        standing.pose(height_mm=400)
    # Straight up with the knees at their limits: all that the legs have.
    assert shared_stack.height() > 0.195
    standing.wait_for("active", within=5.0)
    standing.pose(height_mm=150)
    assert shared_stack.height() == pytest.approx(0.150, abs=1.5 * MM)


def test_a_robot_that_was_only_enabled_goes_back_to_its_standing_pose(
    stack: Stack, robot: Robot, probe: RosProbe
) -> None:
    states = probe.hear(String, "state", LATCHED)
    assert probe.ask(SetBool, "enable", data=True).success
    probe.wait(lambda: states and states[-1].data.startswith("active"), 20.0, "a robot that stands")
    targets = probe.publisher(PoseStamped, "teleop/base_target")
    message = PoseStamped()
    message.header.frame_id = robot.frame
    message.pose.position.z, message.pose.orientation.w = 0.14, 1.0

    def lowered() -> bool:
        targets.publish(message)
        return stack.height() < 0.142

    wait_until(lowered, 5.0, "a lowered body")
    wait_until(lambda: abs(stack.height() - stack.model.standing.height) < 1.5 * MM, 5.0, "the standing height")


def test_in_off_pose_and_sit_say_what_to_do_first(robot: Robot) -> None:
    with pytest.raises(Refused, match="`stand` first"):
        robot.pose(height_mm=150)
    with pytest.raises(Refused, match=r"the robot is off .* already"):
        robot.sit()


@pytest.mark.parametrize(("height", "why"), [(nan, "is not a number"), (5000, "more than 1 m away")])
def test_a_pose_that_is_no_number_or_a_metre_away_is_refused_at_once(standing: Robot, height: float, why: str) -> None:
    with pytest.raises(Refused, match=why):
        standing.pose(height_mm=height)


def test_emergency_stop_cuts_all_pulses_and_wants_a_reset(shared_stack: Stack, standing: Robot) -> None:
    standing.stop()
    # servo_output answers after it has written the bytes, so nothing has to be waited for.
    assert shared_stack.powered() == 0
    standing.wait_for("fault", within=5.0)
    with pytest.raises(Refused, match="reset"):
        standing.stand()
    standing.reset()
    assert standing.status().state == "off"
    standing.stand()
    assert shared_stack.powered() == 12


def test_the_stop_command_cuts_all_pulses_and_says_so(shared_stack: Stack, standing: Robot) -> None:
    told = subprocess.run(
        [sys.executable, "-m", "quadleg.cli.main", "stop"], capture_output=True, text=True, check=False
    )
    assert (told.returncode, told.stderr) == (0, "")
    assert told.stdout.startswith("stopped: pulses are off")
    assert shared_stack.powered() == 0
    standing.wait_for("fault", within=5.0)


def test_emergency_stop_is_a_fault_in_off_too(robot: Robot) -> None:
    robot.stop()
    robot.wait_for("fault", within=5.0)


def test_sitting_down_in_the_middle_of_rising_and_rising_in_the_middle_of_sitting(stack: Stack, robot: Robot) -> None:
    rising = threading.Thread(target=_ignoring_errors, args=(robot.stand,))
    rising.start()
    wait_until(lambda: stack.height() > 0.09, 20.0, "half way up")
    robot.sit()
    rising.join()
    assert robot.status().state == "off"
    robot.stand()
    sitting = threading.Thread(target=_ignoring_errors, args=(robot.sit,))
    sitting.start()
    wait_until(lambda: stack.height() < 0.12, 20.0, "half way down")
    robot.stand()
    assert stack.height() == pytest.approx(0.150, abs=1.5 * MM)
    robot.stop()
    sitting.join()


def _ignoring_errors(do) -> None:
    with suppress(Refused, NotReached):
        do()


def test_a_paused_metronome_holds_and_goes_on_by_itself(shared_stack: Stack, standing: Robot) -> None:
    standing.set_parameter("gait", "paused", True)
    standing.wait_for("hold", within=5.0)
    assert shared_stack.powered() == 12
    standing.set_parameter("gait", "paused", False)
    standing.wait_for("active", within=5.0)


def test_a_metronome_paused_for_long_ends_in_rest(shared_stack: Stack, standing: Robot) -> None:
    standing.set_parameter("gait", "paused", True)
    standing.wait_for("lowering", within=5.0)
    standing.wait_for("off", within=20.0)
    wait_until(lambda: shared_stack.powered() == 0, 2.0, "limp at rest")
    assert shared_stack.height() == pytest.approx(shared_stack.model.resting.height, abs=2 * MM)
    with shared_stack.board() as board:
        assert board.largest_step() * shared_stack.model.control_rate <= 1.0


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_one_signal_lowers_and_then_ends(stack: Stack, robot: Robot, number: int) -> None:
    robot.stand()
    stack.process.send_signal(number)
    robot.wait_for("lowering", within=5.0)
    assert stack.powered() == 12
    robot.wait_for("off", within=20.0)
    assert stack.wait() == 0
    assert not stack.memory.exists()


def test_a_second_signal_switches_off_at_once(stack: Stack, robot: Robot) -> None:
    robot.stand()
    stack.process.send_signal(signal.SIGINT)
    robot.wait_for("lowering", within=5.0)
    high = stack.height()
    stack.process.send_signal(signal.SIGINT)
    assert stack.wait(10.0) == 0
    assert high > 0.12
    stack.wait_for_line("switching off at once", 1.0)


def test_the_second_robot_stands_with_its_scattered_channels(start) -> None:
    stack = start(robot="test/data/digger.yaml")
    stack.wait_for_line("ready after")
    with Robot() as robot:
        assert robot.model.name == stack.model.name
        robot.stand()
        assert stack.height() == pytest.approx(stack.model.standing.height, abs=3 * MM)
        robot.sit()


def test_the_commands_in_another_terminal(stack: Stack) -> None:
    def quadleg(*arguments: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "quadleg.cli.main", *arguments]
        for _ in range(3):
            done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
            if "heard" not in done.stderr:
                break  # else the computer was so busy that five seconds were not enough to find the stack
        return done

    refused = quadleg("pose", "--height", "140")
    assert refused.returncode == 1
    assert "`stand` first" in refused.stderr
    assert re.search(r"height 1(49|50)\.\d mm", quadleg("stand", "150").stdout)
    assert quadleg("pose", "--height", "140", "--pitch", "5", "--x", "10").returncode == 0
    said = quadleg("status").stdout
    assert "active: following the joint targets" in said
    assert "asked     height 140.0 mm, x +10.0 mm, pitch +5.0°" in said
    assert "12 of 12 powered; joint_states are the true angles" in said
    walked = quadleg("walk", "--to-mm", "40", "0")
    assert walked.returncode == 0, walked.stderr
    assert re.search(r"reached   (3|4|5)\d\.\d mm forward", walked.stdout)
    assert "the servos are off" in quadleg("sit").stdout
    assert quadleg("stop").returncode == 0
    assert "fault" in quadleg("status").stdout
    assert quadleg("reset").returncode == 0


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


def test_the_body_stops_on_the_ground(shared_stack: Stack, standing: Robot) -> None:
    with pytest.raises(NotReached, match="touches the ground"):
        standing.pose(height_mm=0)
    assert shared_stack.height() == pytest.approx(shared_stack.model.resting.height, abs=2 * MM)


def test_sitting_that_is_overtaken_by_standing_says_so(shared_stack: Stack, standing: Robot) -> None:
    said: list[str] = []

    def sit() -> None:
        try:
            standing.sit()
        except NotReached as error:
            said.append(str(error))

    sitting = threading.Thread(target=sit)
    sitting.start()
    standing.wait_for("lowering", within=5.0)
    standing.stand()
    sitting.join(5.0)
    assert "asked to stand again" in said[0]


def test_an_interrupted_command_ends_without_a_crash(stack: Stack) -> None:
    command = subprocess.Popen(
        # As a terminal starts it: a test run in the background may have inherited an ignored SIGINT.
        ["env", "--default-signal=INT", sys.executable, "-m", "quadleg.cli.main", "stand"],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    wait_until(lambda: stack.powered() > 0, 20.0, "the first pulses")
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


def test_pose_of_is_the_inverse_of_the_body_kinematics(shared_stack: Stack, standing: Robot) -> None:
    from quadleg.kinematics.body_pose import legs_inverse

    pose = Pose.from_rpy(0.01, -0.02, 0.14, 0.1, -0.05, 0.08)
    angles = legs_inverse(shared_stack.model, pose, shared_stack.model.standing.feet)
    shift, turn = pose_difference(pose, standing.pose_of(dict(zip(JOINT_NAMES, angles))))
    assert shift < 1e-9
    assert turn < 1e-6
