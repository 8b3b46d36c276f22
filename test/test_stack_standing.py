"""Stand, pose, sit and stop through all nodes, judged by the simulated board's registers."""

from __future__ import annotations

import re
from math import degrees, nan, radians
from pathlib import Path

import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from geometry_msgs.msg import PoseStamped
from sensor_msgs.msg import BatteryState
from simulated_client import SimulatedProbe
from simulated_graph.play import robot as robot_with
from sound_stack import SoundStack, probe, robot, running_stack, shared_probe, shared_stack, stack, standing
from std_msgs.msg import String
from std_srvs.srv import SetBool

from quadleg.client import Robot, pose_difference
from quadleg.client.status_sentences import status_in_words
from quadleg.errors import NotReached, Refused
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import legs_inverse
from quadleg.middleware.topics import LATCHED, LATEST
from quadleg.robot.model import JOINT_NAMES

MM = 0.001


def test_reaches_the_poses_asked_for(shared_stack: SoundStack, standing: Robot) -> None:
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
    shared_stack: SoundStack, standing: Robot
) -> None:
    with pytest.raises(NotReached, match=r"(front|rear)_(left|right), knee at its upper limit"):
        standing.pose(height_mm=400)
    # Straight up with the knees at their limits: all that the legs have.
    assert shared_stack.height() > 0.195
    standing.wait_for("active", within=5.0)
    standing.pose(height_mm=150)
    assert shared_stack.height() == pytest.approx(0.150, abs=1.5 * MM)


def test_a_robot_that_was_only_enabled_goes_back_to_its_standing_pose(
    stack: SoundStack, robot: Robot, probe: SimulatedProbe
) -> None:
    states = probe.hear(String, "state", LATCHED)
    assert probe.ask(SetBool, "enable", data=True).success
    probe.wait(lambda: states and states[-1].data.startswith("active"), "a robot that stands", 20.0)
    targets = probe.publisher(PoseStamped, "teleop/base_target")
    message = PoseStamped()
    message.header.frame_id = robot.frame
    message.pose.position.z, message.pose.orientation.w = 0.14, 1.0

    def lowered() -> bool:
        targets.publish(message)
        return stack.height() < 0.142

    stack.wait_until(lowered, "a lowered body", 5.0)
    stack.wait_until(lambda: abs(stack.height() - stack.model.standing.height) < 1.5 * MM, "the standing height", 5.0)


def test_in_off_pose_and_sit_say_what_to_do_first(robot: Robot) -> None:
    with pytest.raises(Refused, match="`stand` first"):
        robot.pose(height_mm=150)
    with pytest.raises(Refused, match=r"the robot is off .* already"):
        robot.sit()


@pytest.mark.parametrize(("height", "why"), [(nan, "is not a number"), (5000, "more than 1 m away")])
def test_a_pose_that_is_no_number_or_a_metre_away_is_refused_at_once(standing: Robot, height: float, why: str) -> None:
    with pytest.raises(Refused, match=why):
        standing.pose(height_mm=height)


def test_emergency_stop_cuts_all_pulses_and_wants_a_reset(shared_stack: SoundStack, standing: Robot) -> None:
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


def test_emergency_stop_is_a_fault_in_off_too(robot: Robot) -> None:
    robot.stop()
    robot.wait_for("fault", within=5.0)


def test_sitting_down_in_the_middle_of_rising_and_rising_in_the_middle_of_sitting(
    stack: SoundStack, robot: Robot
) -> None:
    robot.wait(lambda: robot.last.servo_state == "following", 5.0, lambda: "servo_output does not follow")
    robot.enable(True)
    stack.wait_until(lambda: stack.height() > 0.09, "half way up", 20.0)
    robot.sit()
    assert robot.status().state == "off"
    robot.stand()
    robot.enable(False)
    stack.wait_until(lambda: stack.height() < 0.12, "half way down", 20.0)
    robot.stand()
    assert stack.height() == pytest.approx(0.150, abs=1.5 * MM)
    robot.stop()


def test_a_paused_metronome_holds_and_goes_on_by_itself(shared_stack: SoundStack, standing: Robot) -> None:
    standing.set_parameter("gait", "paused", True)
    standing.wait_for("hold", within=5.0)
    assert shared_stack.powered() == 12
    standing.set_parameter("gait", "paused", False)
    standing.wait_for("active", within=5.0)


def test_a_metronome_paused_for_long_ends_in_rest(shared_stack: SoundStack, standing: Robot) -> None:
    standing.set_parameter("gait", "paused", True)
    standing.wait_for("lowering", within=5.0)
    standing.wait_for("off", within=20.0)
    shared_stack.wait_until(lambda: shared_stack.powered() == 0, "limp at rest", 2.0)
    assert shared_stack.height() == pytest.approx(shared_stack.model.resting.height, abs=2 * MM)
    assert shared_stack.eye.largest_step() * shared_stack.model.control_rate <= 1.0


def test_the_second_robot_stands_with_its_scattered_channels(tmp_path: Path) -> None:
    with running_stack(tmp_path, robot="test/data/digger.yaml") as stack, stack.client() as robot:
        assert robot.model.name == stack.model.name
        robot.stand()
        assert stack.height() == pytest.approx(stack.model.standing.height, abs=3 * MM)
        robot.sit()


def test_the_body_stops_on_the_ground(shared_stack: SoundStack, standing: Robot) -> None:
    with pytest.raises(NotReached, match="touches the ground"):
        standing.pose(height_mm=0)
    assert shared_stack.height() == pytest.approx(shared_stack.model.resting.height, abs=2 * MM)


def test_sitting_that_is_overtaken_by_standing_says_so(standing: Robot, shared_probe: SimulatedProbe) -> None:
    enable = shared_probe.node.create_client(SetBool, "enable")
    shared_probe.wait(enable.service_is_ready, "enable is offered", 5.0)

    def stand_again(state: str) -> None:
        if state == "lowering":
            enable.call_async(SetBool.Request(data=True))

    standing.on_state = stand_again
    with pytest.raises(NotReached, match="asked to stand again"):
        standing.sit()


def test_pose_of_is_the_inverse_of_the_body_kinematics(shared_stack: SoundStack, standing: Robot) -> None:
    pose = Pose.from_rpy(0.01, -0.02, 0.14, 0.1, -0.05, 0.08)
    angles = legs_inverse(shared_stack.model, pose, shared_stack.model.standing.feet)
    shift, turn = pose_difference(pose, standing.pose_of(dict(zip(JOINT_NAMES, angles))))
    assert shift < 1e-9
    assert turn < 1e-6


def test_a_stack_with_sensors_says_what_standing_takes(tmp_path: Path) -> None:
    with running_stack(tmp_path, robot=str(robot_with(sensors=True).path)) as stack, stack.client() as robot:
        supplies = stack.probe().hear(BatteryState, "supply", LATEST)
        robot.stand()
        stack.wait_until(lambda: supplies[-1].current < -3.0, "a current drawn", 5.0)
        stack.wait_until(lambda: "supply" in dict(status_in_words(robot.status(), None, None)), "a status", 5.0)
        lines = dict(status_in_words(robot.status(), None, None))
        assert re.fullmatch(
            r"measured: 5\.8\d V, [34]\.\d A; "
            r"[1-4]\.\d A in the mean and [3-6]\.\d A at most since the servos have power",
            lines["supply"],
        )
        assert lines["imu"] == "100 samples a second"
        assert "trouble" not in lines
