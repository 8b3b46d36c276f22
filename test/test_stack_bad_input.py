"""Bad input through all nodes: what the servos do, by the board's registers, and what the person reads."""

from __future__ import annotations

import itertools
from math import inf, nan, radians

import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from foreign_targets import ForeignTargets, step_shares
from geometry_msgs.msg import PointStamped, PoseStamped
from sensor_msgs.msg import JointState
from simulated_client import SimulatedProbe
from sound_stack import SoundStack, probe, shared_probe, shared_stack, stack, standing
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from quadleg.client import Robot
from quadleg.errors import Refused
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import JOINT_NAMES


def base_target(frame: str = "base_footprint", height: float = 0.15, **changes: float) -> PoseStamped:
    message = PoseStamped()
    message.header.frame_id = frame
    message.pose.position.z = height
    for name, value in changes.items():
        part = message.pose.orientation if name[0] == "q" else message.pose.position
        setattr(part, name[-1], value)
    return message


BAD_BASE_TARGETS = {
    "nan": (base_target(height=nan), "not finite"),
    "infinite": (base_target(x=inf), "not finite"),
    "huge": (base_target(height=1e9), "more than 1 m away"),
    "zero quaternion": (base_target(qw=0.0), "no rotation"),
    "quaternion not finite": (base_target(qx=nan), "no rotation"),
    "wrong frame": (base_target(frame="odom"), "frame_id is 'odom'; it must be 'base_footprint'"),
    "default-constructed": (PoseStamped(), "frame_id is ''; it must be 'base_footprint'"),
}


def test_bad_base_targets_move_nothing_and_are_refused_in_words(
    shared_stack: SoundStack, standing: Robot, shared_probe: SimulatedProbe
) -> None:
    commands = shared_probe.hear(JointTrajectory, "joint_commands")
    target = shared_probe.publisher(PoseStamped, "base_target")
    before = shared_stack.angles()
    for name, (message, words) in BAD_BASE_TARGETS.items():
        target.publish(message)
        standing.wait(lambda w=words: w in standing.last.message("base_motion"), 5.0, lambda n=name: n)
        seen = len(commands)
        shared_probe.wait(lambda n=seen: len(commands) > n + 10, "ten more commands", 5.0)
        assert shared_stack.angles() == before, name
    standing.wait_for("active", within=5.0)
    standing.pose(height_mm=140)
    assert standing.last.message("base_motion") == "at the base target"


def test_bad_joint_targets_between_good_ones_are_counted_and_not_followed(
    shared_stack: SoundStack, standing: Robot, shared_probe: SimulatedProbe
) -> None:
    before = shared_stack.angles()

    def refused() -> int:
        return int(standing.last.values("joint_watchdog")["targets_refused"])

    refused_before = refused()
    commands = shared_probe.hear(JointTrajectory, "joint_commands")
    publisher = shared_probe.publisher(JointTrajectory, "joint_targets")
    good = stance_angles(shared_stack.model, shared_stack.model.standing)[:3]
    bad = [
        (JOINT_NAMES[:3], [nan, good[1], good[2]]),
        (["front_left_ankle", *JOINT_NAMES[1:3]], good),
        (JOINT_NAMES[:2], good[:2]),
        ((JOINT_NAMES[0], JOINT_NAMES[4], JOINT_NAMES[2]), good),
        ([], []),
    ]
    messages = [
        JointTrajectory(joint_names=list(names), points=[JointTrajectoryPoint(positions=list(positions))])
        for names, positions in bad
    ]
    messages.append(JointTrajectory(joint_names=list(JOINT_NAMES[:3])))
    for message in messages:
        seen = len(commands)
        publisher.publish(message)
        # Good frames between them: three bad ones in a row would be a hold.
        shared_probe.wait(lambda n=seen: len(commands) > n + 3, "good frames", 5.0)
    standing.wait(lambda: refused() == refused_before + len(messages), 5.0, lambda: f"{refused()}")
    standing.wait_for("active", within=5.0)
    assert shared_stack.angles() == before


def test_three_bad_targets_in_a_row_hold_then_lower(
    shared_stack: SoundStack, standing: Robot, shared_probe: SimulatedProbe
) -> None:
    with ForeignTargets(shared_stack, shared_probe, standing) as foreign:
        standing.wait_for("active", within=5.0)
    for _ in range(3):
        foreign.send(next(foreign.stamps), JOINT_NAMES[:3], [nan, nan, nan])
    standing.wait_for("hold", within=5.0)
    assert shared_stack.powered() == 12
    standing.wait_for("lowering", within=5.0)
    standing.wait_for("off", within=20.0)


def test_stamps_that_go_back_are_a_new_sequence(
    shared_stack: SoundStack, standing: Robot, shared_probe: SimulatedProbe
) -> None:
    with ForeignTargets(shared_stack, shared_probe, standing) as foreign:
        foreign.stamps = itertools.count(10**18, -20_000_000)
        standing.wait_for("active", within=5.0)
        foreign.angles[2] += 0.2
        shared_stack.wait_until(
            lambda: abs(shared_stack.angles()[2] - foreign.angles[2]) < radians(0.5), "the knee follows", 5.0
        )
        standing.wait_for("active", within=5.0)


def test_a_leg_past_its_limit_stays_at_its_last_good_point_and_after_three_seconds_all_hold(
    shared_stack: SoundStack, standing: Robot, shared_probe: SimulatedProbe
) -> None:
    with ForeignTargets(shared_stack, shared_probe, standing) as foreign:
        standing.wait_for("active", within=5.0)
        shared_stack.wait_until(
            lambda: shared_stack.angles() == pytest.approx(foreign.angles, abs=radians(0.5)), "the foreign pose", 5.0
        )
        before = shared_stack.angles()
        foreign.angles[2] = radians(10)  # past straight, which the front left knee cannot
        standing.wait_for("hold", within=10.0)
        assert "front_left_knee asked for 10.0°, allowed is -160.0° to -5.0°" in standing.status().why
        # Less than the least that a servo can be turned, which may still go on from the pose before.
        assert shared_stack.angles() == pytest.approx(before, abs=radians(0.5))
        foreign.angles[2] = before[2]
        standing.enable(True)
        standing.wait_for("active", within=5.0)


def test_a_frame_too_fast_is_slowed_for_all_joints_alike(
    shared_stack: SoundStack, standing: Robot, shared_probe: SimulatedProbe
) -> None:
    with ForeignTargets(shared_stack, shared_probe, standing) as foreign:
        standing.wait_for("active", within=5.0)
        commands = shared_probe.hear(JointTrajectory, "joint_commands")
        shared_probe.wait(lambda: len(commands) > 3, "commands", 5.0)
        foreign.angles = list(stance_angles(shared_stack.model, shared_stack.model.resting))
        shared_probe.wait(
            lambda: max(abs(a - b) for a, b in zip(commands[-1].points[0].positions, foreign.angles)) < 1e-6,
            "the resting pose",
            10.0,
        )
    assert max(step_shares(commands, shared_stack.model)) <= 1.0 + 1e-6


def test_a_foot_target_in_a_wrong_frame_or_not_finite_is_answered_by_silence(
    shared_stack: SoundStack, standing: Robot, shared_probe: SimulatedProbe
) -> None:
    targets = shared_probe.hear(JointTrajectory, "joint_targets")
    found = lambda: any(target.joint_names[0] == JOINT_NAMES[0] for target in targets)  # noqa: E731
    shared_probe.wait(found, "the leg's targets", 5.0)
    standing.set_parameter("gait", "paused", True)
    shared_probe.run(0.2)  # for what is on its way
    targets.clear()
    publisher = shared_probe.publisher(PointStamped, "front_left/foot_target")
    wrong = PointStamped()
    wrong.header.frame_id = "base_footprint"
    not_finite = PointStamped()
    not_finite.header.frame_id = "base_link"
    not_finite.point.x = nan
    for message, words in ((wrong, "must be 'base_link'"), (not_finite, "not finite")):
        publisher.publish(message)
        standing.wait(lambda w=words: w in standing.last.message("front_left_ik"), 5.0, lambda w=words: w)
    far = PointStamped()
    far.header.frame_id = "base_link"
    far.header.stamp.sec = 77
    far.point.z = -5.0
    publisher.publish(far)
    answer = shared_probe.wait(lambda: next((t for t in targets if t.header.stamp.sec == 77), None), "an answer", 5.0)
    assert len(targets) == 1
    assert list(answer.joint_names) == list(JOINT_NAMES[:3])
    standing.wait(lambda: "out of reach" in standing.last.message("front_left_ik"), 5.0, lambda: "out of reach")


def test_commands_go_on_at_the_control_rate_and_name_nothing_while_off(
    stack: SoundStack, probe: SimulatedProbe
) -> None:
    commands = probe.hear(JointTrajectory, "joint_commands")
    states = probe.hear(JointState, "joint_states")
    probe.wait(lambda: len(commands) > 50 and len(states) > 50, "commands and joint states", 10.0)
    assert all(not command.joint_names for command in commands)
    stamps = [s.header.stamp.sec + 1e-9 * s.header.stamp.nanosec for s in commands]
    mean = (stamps[-1] - stamps[0]) / (len(stamps) - 1)
    assert mean == pytest.approx(1 / stack.model.control_rate, rel=0.01)
    assert list(states[0].name) == list(JOINT_NAMES)


def test_a_rogue_command_with_unknown_joints_is_refused_by_servo_output(
    shared_stack: SoundStack, standing: Robot, shared_probe: SimulatedProbe
) -> None:
    publisher = shared_probe.publisher(JointTrajectory, "joint_commands")
    point = JointTrajectoryPoint(positions=[0.0])
    rogue = JointTrajectory(joint_names=["front_left_ankle"], points=[point])

    def refused() -> bool:
        publisher.publish(rogue)  # again, since servo_output keeps the latest command alone
        return "unknown joint 'front_left_ankle'" in standing.last.message("servo_output")

    shared_stack.wait_until(refused, "a refusal", 5.0)
    assert shared_stack.powered() == 12


def test_a_parameter_that_is_fixed_is_refused_in_words(standing: Robot) -> None:
    with pytest.raises(Refused, match="read-only"):
        standing.set_parameter("base_motion", "speed", 0.1)
