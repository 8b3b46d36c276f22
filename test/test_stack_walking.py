"""Walking through all nodes to the simulated board: what was asked, what the servos did, and bad input on the way."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from math import inf, nan, radians
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from geometry_msgs.msg import Twist, TwistStamped
from rclpy.qos import qos_profile_sensor_data
from sensor_msgs.msg import Imu, MultiDOFJointState
from simulated_client import SimulatedProbe, VelocityPublisher
from sound_stack import SoundStack, shared_probe, shared_stack, standing
from std_msgs.msg import String

from quadleg.analysis.walk_measures import track_from_feet
from quadleg.client import GroundMove, Robot
from quadleg.errors import NotReached, Overridden, Refused
from quadleg.geometry.planar import ZERO_TWIST, from_frame_batch
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import all_forward
from quadleg.middleware.topics import LATCHED
from quadleg.robot.model import LEGS

CREEP_FORWARD = 0.065  # m/s and rad/s: what the demo robot can do at least
SETTLED_WITHIN = 12.0


@pytest.fixture
def robot(standing: Robot) -> Iterator[Robot]:
    """A client of the robot, which stands at its height in the creeping walk, and which each test leaves so."""
    yield standing
    standing.set_parameter("gait", "gait", "creep")
    said(standing, "motion", "stands")
    standing.wait_for("active", within=5.0)


def said(robot: Robot, key: str, value: str, within: float = SETTLED_WITHIN) -> None:
    """Waits until gait's diagnostics say a value."""
    robot.wait(
        lambda: robot.last.values("gait").get(key) == value, within, lambda: f"{key}: {robot.last.values('gait')}"
    )


def says(robot: Robot, words: str, within: float = 5.0) -> None:
    """Waits until gait says some words."""
    robot.wait(
        lambda: words in robot.last.message("gait"), within, lambda: f"'{words}' in {robot.last.message('gait')}"
    )


def planned(message: MultiDOFJointState) -> list[tuple[float, float, float]]:
    return [(t.translation.x, t.translation.y, t.translation.z) for t in message.transforms[:4]]


def twist_of(message: MultiDOFJointState) -> tuple[float, float, float]:
    going = message.twist[-1]
    return going.linear.x, going.linear.y, going.angular.z


def on_ground(message: MultiDOFJointState) -> list[bool]:
    return [wrench.force.z > 0.0 for wrench in message.wrench[:4]]


@pytest.mark.parametrize("gait", ["creep", "trot"])
def test_it_walks_to_a_place_and_the_servos_carry_it_there(
    robot: Robot, shared_stack: SoundStack, shared_probe: SimulatedProbe, gait: str
) -> None:
    robot.set_parameter("gait", "gait", gait)
    said(robot, "gait", gait)
    frames = shared_probe.hear(MultiDOFJointState, "planned_feet", 100)
    result = robot.walk_to(x_mm=120, y_mm=30, heading_deg=10)
    assert result.asked == GroundMove(pytest.approx(120), pytest.approx(30), pytest.approx(10))
    assert result.error_mm < 15
    assert result.error_deg < 3
    # By the frames themselves: the feet on the ground stay where they are while base_footprint goes over it.
    seen = list(frames)  # more come meanwhile
    feet = np.array([planned(frame) for frame in seen])
    down = np.array([on_ground(frame) for frame in seen])
    ground = from_frame_batch(track_from_feet(feet[..., :2], down, ZERO_TWIST)[:, None], feet[..., :2])
    stays = down[1:] & down[:-1]
    moves = np.abs(np.diff(ground, axis=0)).max(axis=-1)[stays]
    assert moves.max() < 1e-6
    assert (~down).any(axis=0).all()  # each of them has been in the air

    # And by the servos: all four feet stand where the stance has them.
    def square() -> bool:
        feet = np.array(all_forward(shared_stack.model, shared_stack.angles()))
        return bool(np.abs(feet - shared_stack.model.standing.feet)[:, :2].max() < 0.003)

    shared_probe.wait(square, "all four feet home, by the servos", 2.0)
    assert shared_stack.eye.largest_step() * shared_stack.model.control_rate <= 1.0


@pytest.mark.parametrize("kind", [TwistStamped, Twist])
def test_both_types_of_cmd_vel_are_taken_and_silence_is_a_stop_into_the_square_stance(
    robot: Robot, shared_probe: SimulatedProbe, kind: type
) -> None:
    frames = shared_probe.hear(MultiDOFJointState, "planned_feet", 100)
    with VelocityPublisher(shared_probe, kind) as commands:
        commands.go(CREEP_FORWARD, 0.0, 0.0)
        said(robot, "motion", "walks")
        shared_probe.wait(
            lambda: frames and twist_of(frames[-1])[0] == pytest.approx(CREEP_FORWARD), "the full speed", 10.0
        )
    shared_probe.wait(lambda: twist_of(frames[-1])[0] < CREEP_FORWARD - 1e-6, "slower", 2.0)
    said(robot, "motion", "stands")
    for foot, home in zip(planned(frames[-1]), robot.model.standing.feet):
        assert foot == pytest.approx(home, abs=0.0006)
    assert all(on_ground(frames[-1]))


def test_what_is_too_fast_is_scaled_in_its_direction_and_said(robot: Robot, shared_probe: SimulatedProbe) -> None:
    frames = shared_probe.hear(MultiDOFJointState, "planned_feet", 100)
    limits = shared_probe.hear(String, "walking_limits", LATCHED)
    shared_probe.wait(lambda: limits, "the limits", 5.0)
    with VelocityPublisher(shared_probe) as commands:
        commands.go(1e9, 0.5e9, 0.0)
        says(robot, "times too fast")
        shared_probe.wait(
            lambda: len(frames) > 150 and twist_of(frames[-1]) == twist_of(frames[-50]), "a steady speed", 10.0
        )
        x, y, yaw = twist_of(frames[-1])
        assert (y, yaw) == pytest.approx((x / 2, 0.0))
        assert 0.02 < x < 0.1
    assert "max_velocity: [0.0" in limits[-1].data
    assert "footprint:" in limits[-1].data


BAD = {
    "not a number": ((nan, 0.0, 0.0), "base_footprint", "not finite"),
    "infinite": ((0.0, inf, 0.0), "base_footprint", "not finite"),
    "another frame": (
        (0.05, 0.0, 0.0),
        "odom",
        "frame_id of cmd_vel is 'odom'; it must be base_footprint or base_link",
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_velocity_is_refused_with_the_reason_and_nothing_walks(
    robot: Robot, shared_probe: SimulatedProbe, name: str
) -> None:
    twist, frame, words = BAD[name]
    with VelocityPublisher(shared_probe) as commands:
        commands.frame = frame
        commands.go(*twist)
        says(robot, words)
        assert robot.last.values("gait")["motion"] == "stands"


def test_a_velocity_that_turns_bad_while_walking_is_a_stop(robot: Robot, shared_probe: SimulatedProbe) -> None:
    with VelocityPublisher(shared_probe) as commands:
        commands.go(CREEP_FORWARD, 0.0, 0.0)
        said(robot, "motion", "walks")
        commands.go(nan, 0.0, 0.0)
        said(robot, "motion", "stands")
        says(robot, "not finite")


def test_a_cmd_vel_of_another_type_is_said(robot: Robot, shared_probe: SimulatedProbe) -> None:
    publisher = shared_probe.node.create_publisher(String, "cmd_vel", 1)
    says(robot, "cmd_vel is published as std_msgs/msg/String, which is not heard; it must be geometry_msgs/msg/Twist")
    shared_probe.node.destroy_publisher(publisher)


def test_two_publishers_of_cmd_vel_are_said(robot: Robot, shared_probe: SimulatedProbe) -> None:
    with VelocityPublisher(shared_probe) as one, VelocityPublisher(shared_probe) as other:
        one.go(0.02, 0.0, 0.0)
        other.go(-0.02, 0.0, 0.0)
        says(robot, "more than one publisher of cmd_vel")


def test_teleop_wins_while_it_is_fresh(robot: Robot, shared_probe: SimulatedProbe) -> None:
    frames = shared_probe.hear(MultiDOFJointState, "planned_feet", 100)
    with VelocityPublisher(shared_probe) as stack:
        stack.go(CREEP_FORWARD, 0.0, 0.0)
        said(robot, "asker", "cmd_vel")
        with VelocityPublisher(shared_probe, topic="teleop/cmd_vel") as teleop:
            teleop.go(0.0, 0.0, 0.0)
            said(robot, "asker", "teleop/cmd_vel")
            said(robot, "motion", "stands")
        said(robot, "asker", "cmd_vel")
        shared_probe.wait(lambda: twist_of(frames[-1])[0] > 0.0, "on with the stack's velocity", 5.0)


def test_an_operator_s_velocity_ends_the_walk_of_a_script(robot: Robot, shared_probe: SimulatedProbe) -> None:
    with VelocityPublisher(shared_probe, topic="teleop/cmd_vel") as teleop:
        frames: list[object] = []

        def drive_later(_: object) -> None:
            frames.append(_)
            if len(frames) == 60:
                teleop.go(0.0, 0.02, 0.0)

        robot.on_plan = drive_later
        with pytest.raises(Overridden, match="someone else drives the robot, by teleop/cmd_vel") as found:
            robot.walk(forward_m_s=CREEP_FORWARD, seconds=30)
    robot.on_plan = None
    assert found.value.result.overridden_by == "teleop/cmd_vel"


def test_another_publisher_of_cmd_vel_ends_the_walk_of_a_script(robot: Robot, shared_probe: SimulatedProbe) -> None:
    with VelocityPublisher(shared_probe, period=0.005) as other:  # most messages are from it
        other.go(0.0, 0.02, 0.0)
        with pytest.raises(Overridden, match="by another publisher of cmd_vel"):
            robot.walk(forward_m_s=CREEP_FORWARD, seconds=30)


def test_a_walk_that_is_scaled_says_by_how_much_and_with_exact_it_is_none(robot: Robot) -> None:
    x, y, _ = robot.gait_report().both_ways
    with pytest.raises(Refused, match="m/s forward, at most"):
        robot.walk(forward_m_s=2 * x, seconds=1, exact=True)
    assert robot.last.values("gait")["motion"] == "stands"
    result = robot.walk(forward_m_s=2 * x, seconds=2)
    assert result.scale == pytest.approx(0.5, abs=0.01)
    with pytest.raises(NotReached, match="an exact walk is not scaled"):
        robot.walk(forward_m_s=0.9 * x, left_m_s=0.9 * y, seconds=2, exact=True)  # each alone would do


def test_a_command_that_flips_its_sign_at_every_tick_moves_nothing_faster_than_its_servo(
    robot: Robot, shared_stack: SoundStack, shared_probe: SimulatedProbe
) -> None:
    frames = shared_probe.hear(MultiDOFJointState, "planned_feet", 100)
    with VelocityPublisher(shared_probe, period=1 / shared_stack.model.control_rate) as commands:
        commands.vary = lambda number: (0.08 * (-1) ** number, 0.0, 0.4 * (-1) ** number)
        said(robot, "motion", "walks")
        begun = len(frames)
        shared_probe.wait(lambda: len(frames) > begun + 150, "three seconds of it", 10.0)
    # A tick may hear the same one twice, and then it sets out a little.
    assert max(abs(twist_of(frame)[0]) for frame in frames) < 0.1 * CREEP_FORWARD
    said(robot, "motion", "stands")
    assert shared_stack.eye.largest_step() * shared_stack.model.control_rate <= 1.0


def test_a_gait_changed_in_mid_swing_changes_in_the_square_stance(robot: Robot, shared_probe: SimulatedProbe) -> None:
    frames = shared_probe.hear(MultiDOFJointState, "planned_feet", 100)
    with VelocityPublisher(shared_probe) as commands:
        commands.go(CREEP_FORWARD, 0.0, 0.0)
        shared_probe.wait(lambda: frames and not all(on_ground(frames[-1])), "a foot in the air", 10.0)
        robot.set_parameter("gait", "gait", "trot")
        said(robot, "gait", "trot")
        changed = len(frames)
        shared_probe.wait(lambda: sum(on_ground(frames[-1])) == 2, "two feet in the air", 10.0)
        assert twist_of(frames[-1])[0] > 0.0
    # Before the change one foot at most was in the air, and no foot jumped.
    assert min(sum(on_ground(frame)) for frame in frames[: changed - 5]) == 3
    for last, now in pairwise(frames):
        for a, b in zip(planned(last), planned(now)):
            assert b == pytest.approx(a, abs=0.03)


def test_a_gait_that_is_not_there_is_refused_by_name(robot: Robot) -> None:
    with pytest.raises(Refused, match="there is no gait 'gallop'; there are creep, trot"):
        robot.set_parameter("gait", "gait", "gallop")


def test_it_walks_while_the_body_is_posed(robot: Robot, shared_stack: SoundStack) -> None:
    robot.pose(height_mm=140, roll_deg=4, pitch_deg=-3)
    robot.walk(forward_m_s=CREEP_FORWARD, seconds=2)
    (reached,) = [robot.reached()]
    roll, pitch, _ = reached.rpy
    assert reached.position[2] == pytest.approx(0.140, abs=0.0015)
    assert (roll, pitch) == pytest.approx((radians(4), radians(-3)), abs=radians(0.6))
    robot.pose()


def test_a_body_that_leans_too_far_to_creep_is_said(robot: Robot, shared_probe: SimulatedProbe) -> None:
    robot.pose(x_mm=25)
    with VelocityPublisher(shared_probe) as commands:
        commands.go(CREEP_FORWARD, 0.0, 0.0)
        says(robot, "the body leans so far", within=10.0)
    said(robot, "motion", "stands")
    robot.pose()


def test_after_a_hold_in_mid_swing_it_goes_on_from_where_the_feet_are(
    robot: Robot, shared_stack: SoundStack, shared_probe: SimulatedProbe
) -> None:
    frames = shared_probe.hear(MultiDOFJointState, "planned_feet", 100)
    with VelocityPublisher(shared_probe) as commands:
        commands.go(CREEP_FORWARD, 0.0, 0.0)
        shared_probe.wait(lambda: frames and twist_of(frames[-1])[0] > 0.05, "walking", 10.0)
        shared_probe.wait(lambda: frames[-1].transforms[0].translation.z > 0.02, "a front foot in the air", 10.0)
        robot.set_parameter("gait", "paused", True)
        robot.wait_for("hold", within=2.0)
        robot.set_parameter("gait", "paused", False)
        robot.wait_for("active", within=3.0)
        shared_probe.wait(lambda: twist_of(frames[-1])[0] > 0.05, "walking again", 10.0)
    said(robot, "motion", "stands")
    assert shared_stack.eye.largest_step() * shared_stack.model.control_rate <= 1.0


@pytest.mark.parametrize("pitch", [radians(-5), radians(5)])
def test_on_a_slope_the_weight_goes_uphill(robot: Robot, shared_probe: SimulatedProbe, pitch: float) -> None:
    frames = shared_probe.hear(MultiDOFJointState, "planned_feet", 100)
    publisher = shared_probe.node.create_publisher(Imu, "imu/data", qos_profile_sensor_data)
    shift = lambda: frames[-1].transforms[-1]  # noqa: E731

    def slope() -> None:
        # The body is along the ground until it has turned level: what the IMU sees is what is left.
        q = shift().rotation if frames else None
        turned = Pose((0.0, 0.0, 0.0), (q.w, q.x, q.y, q.z)).rpy[1] if q else 0.0
        message = Imu()
        w, x, y, z = Pose.from_rpy(0, 0, 0, 0, pitch + turned, 0).quaternion
        message.orientation.w, message.orientation.x, message.orientation.y, message.orientation.z = w, x, y, z
        publisher.publish(message)

    def settled() -> bool:
        slope()
        return bool(frames) and abs(shift().translation.x) > 0.008

    shared_probe.wait(settled, "the body shifted by nearly a centimetre", 10.0)
    # A positive pitch has the nose down: uphill is behind.
    assert (shift().translation.x < 0) == (pitch > 0)

    def level() -> bool:
        slope()
        return abs(Pose((0, 0, 0), (shift().rotation.w, 0.0, shift().rotation.y, 0.0)).rpy[1] + pitch) < radians(0.7)

    shared_probe.wait(level, "the body level", 10.0)
    felt = [True]
    shared_probe.node.create_timer(0.05, lambda: slope() if felt else None)
    robot.pose(height_mm=140.0)  # is reached, though the joints are 5° from the pose asked for
    robot.pose()
    felt.clear()
    shared_probe.node.destroy_publisher(publisher)

    def forgotten() -> bool:
        return abs(shift().translation.x) < 0.001

    shared_probe.wait(forgotten, "level ground again without an IMU", 15.0)


def test_asked_to_sit_while_it_walks_it_comes_down_with_power(
    robot: Robot, shared_stack: SoundStack, shared_probe: SimulatedProbe
) -> None:
    with VelocityPublisher(shared_probe) as commands:
        commands.go(CREEP_FORWARD, 0.0, 0.0)
        said(robot, "motion", "walks")
        shared_probe.wait(lambda: shared_stack.powered() == 12, "power", 1.0)
        robot.sit()
        shared_probe.wait(lambda: shared_stack.powered() == 0, "limp", 2.0)
        assert shared_stack.height() == pytest.approx(shared_stack.model.resting.height, abs=0.003)
        with pytest.raises(Refused, match="`stand` first"):
            robot.walk(forward_m_s=0.05, seconds=1)
    robot.stand()


def test_the_legs_are_named_in_their_order(shared_probe: SimulatedProbe, robot: Robot) -> None:
    frames = shared_probe.hear(MultiDOFJointState, "planned_feet", 10)
    shared_probe.wait(lambda: frames, "a frame", 5.0)
    assert frames[-1].joint_names == [*LEGS, "base_link"]
    weight = robot.model.masses.total * 9.80665
    assert sum(wrench.force.z for wrench in frames[-1].wrench) == pytest.approx(weight)


def test_an_impossible_gait_in_the_robot_file_ends_run_with_its_line(tmp_path: Path) -> None:
    from quadleg.errors import RobotFileError
    from quadleg.robot_file.load import find_robot, load_robot

    path = tmp_path / "robot.yaml"
    text = find_robot("greenhouse_inspector").read_text(encoding="utf-8")
    path.write_text(
        text
        + "\ngaits:\n  hop: {duty_factor: 0.6, phases: [0, 0, 0.5, 0.5], stride_period_s: 1, foot_clearance_mm: 20}\n"
    )
    with pytest.raises(RobotFileError, match="rear_left and rear_right are in the air together"):
        load_robot(path)
