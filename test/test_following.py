"""Whether the body does what is commanded: judged by made-up sensors on a clock that only the tests move."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import groupby
from math import atan, cos, degrees, nan, pi, radians, sin

import pytest
import sample_robots
from hypothesis import given
from hypothesis import strategies as st
from sample_robots import ROBOTS, with_servo_kind

from quadleg.dynamics.joint_torques import static_torques
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import legs_inverse, stance_angles
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.safety.commanded_motion import CommandedMotion
from quadleg.safety.figure_words import joints_in_words
from quadleg.safety.following import Following, FollowingShortfall, Response, lean_limits
from quadleg.safety.reason_codes import FollowingCode

GRAVITY = 9.80665  # m/s², CGPM 1901
IMU_HZ = 100


class FollowingRig:
    """A robot that is commanded to stand still, with an IMU that leans as the test says."""

    def __init__(self, robot: RobotModel) -> None:
        self.robot = robot
        # The IMU's axes are the body's: the tests lean the body, not its sensor.
        self.following = Following(replace(robot, frames=()))
        self.angles = stance_angles(robot, robot.standing)
        self.now = 50.0
        self.roll = self.pitch = 0.0

    def go(self, seconds: float, roll: float = 0.0, pitch: float = 0.0, imu: bool = True) -> Response:
        """Turn at rates (rad/s) for a while; the worst response."""
        worst = Response.NONE
        frames = round(seconds * self.robot.control_rate)
        for _ in range(frames):
            for _ in range(round(IMU_HZ / self.robot.control_rate)):
                self.now += 1 / IMU_HZ
                self.roll += roll / IMU_HZ
                self.pitch += pitch / IMU_HZ
                up = (-sin(self.pitch), sin(self.roll) * cos(self.pitch), cos(self.roll) * cos(self.pitch))
                if imu:
                    force = tuple(GRAVITY * value for value in up)
                    self.following.imu((roll, pitch, 0.0), force, self.now, self.now)
            worst = max(worst, self.following.step(self.angles, self.now).response)
        return worst


@pytest.fixture(params=ROBOTS, ids=[robot.name for robot in ROBOTS])
def rig(request: pytest.FixtureRequest) -> FollowingRig:
    made = FollowingRig(request.param)
    assert made.go(2.0) is Response.NONE
    return made


# The IMU


def test_a_body_that_stands_follows(rig: FollowingRig) -> None:
    assert rig.go(5.0) is Response.NONE
    assert rig.following.shortfall.code is FollowingCode.FOLLOWS


@pytest.mark.parametrize(
    ("roll", "pitch", "leg"),
    [(1, 1, "front_right"), (-1, 1, "front_left"), (1, -1, "rear_right"), (-1, -1, "rear_left")],
)
def test_a_body_that_falls_is_put_down_before_it_leans_15_degrees_and_its_leg_is_named(
    rig: FollowingRig, roll: int, pitch: int, leg: str
) -> None:
    while rig.following.shortfall.response is not Response.DROP:
        rig.go(1 / rig.robot.control_rate, 1.5 * roll, 1.5 * pitch)
        assert max(abs(rig.roll), abs(rig.pitch)) < radians(15)
    assert rig.following.shortfall.code is FollowingCode.TILTING
    assert rig.following.shortfall.where == (leg,)
    assert rig.following.shortfall.share > 1.0


def test_servos_that_give_way_by_what_they_can_raise_no_alarm(rig: FollowingRig) -> None:
    limit = lean_limits(rig.robot)[4]
    assert rig.go(1.0, roll=0.8 * limit) is Response.NONE
    assert rig.go(2.0) is Response.NONE


def test_a_slope_that_comes_slowly_raises_no_alarm(rig: FollowingRig) -> None:
    assert rig.go(10.0, pitch=radians(1)) is Response.NONE


def test_a_push_that_the_body_comes_back_from_raises_no_alarm(rig: FollowingRig) -> None:
    limit = lean_limits(rig.robot)[4]
    assert rig.go(0.04, roll=8 * limit) is Response.NONE
    assert rig.go(0.08, roll=-4 * limit) is Response.NONE
    assert rig.go(1.0) is Response.NONE


def test_an_imu_that_was_silent_is_not_judged_by_until_it_knows_up_again(rig: FollowingRig) -> None:
    rig.go(0.5, roll=radians(40), imu=False)
    assert rig.go(0.5) is Response.NONE


def test_numbers_that_are_not_finite_are_left_out(rig: FollowingRig) -> None:
    rig.following.imu((nan, 0.0, 0.0), (0.0, 0.0, GRAVITY), rig.now, rig.now)
    assert rig.go(1.0) is Response.NONE


def test_the_allowed_lean_is_what_full_torque_gives_over_the_stance() -> None:
    robot = sample_robots.inspector()
    # 3° of hip and knee over 92 + 108 mm of leg, feet 90 mm to each side.
    assert degrees(lean_limits(robot)[4]) == pytest.approx(degrees(atan(radians(3) * 0.200 / 0.090)))
    limits = lean_limits(robot)
    assert limits[4] < limits[3] < limits[2]


# The commands


@given(
    roll=st.floats(-0.25, 0.25),
    pitch=st.floats(-0.2, 0.2),
    height=st.floats(0.12, 0.15),
)
def test_the_commanded_vertical_is_that_of_the_commanded_pose(roll: float, pitch: float, height: float) -> None:
    robot = sample_robots.inspector()
    pose = Pose.from_rpy(0.0, 0.0, height, roll, pitch, 0.0)
    commanded = CommandedMotion(robot)
    commanded.step(legs_inverse(robot, pose, robot.standing.feet), 0.02)
    assert commanded.at_once == pytest.approx(tuple(pose.matrix[2]), abs=1e-9)
    assert commanded.carrying == 4


@pytest.mark.parametrize("lifted", [(0, 3), (1, 2)])
def test_the_feet_of_a_trot_that_rise_together_do_not_turn_the_commanded_vertical(lifted: tuple[int, int]) -> None:
    robot = sample_robots.inspector()
    commanded = CommandedMotion(robot)
    for frame in range(50):
        height = 0.02 * sin(frame / 50 * 3.1416)
        feet = [(x, y, z + height * (leg in lifted)) for leg, (x, y, z) in enumerate(robot.standing.feet)]
        commanded.step(legs_inverse(robot, Pose((0.0, 0.0, 0.15)), feet), 0.02)
        assert commanded.at_once == pytest.approx((0.0, 0.0, 1.0), abs=1e-6)
    assert min(commanded.height, 0.15) == pytest.approx(0.15, abs=1e-6)


@pytest.mark.parametrize("lifted", [(0, 3), (1, 2), (0,), (1,), (2,), (3,)])
@pytest.mark.parametrize(("roll", "pitch"), [(0.5, 0.0), (-0.5, 0.0), (0.0, 0.5), (0.0, -0.5)])
def test_the_commanded_vertical_is_known_while_the_body_turns_as_feet_lift(
    lifted: tuple[int, ...], roll: float, pitch: float
) -> None:
    robot = sample_robots.inspector()
    commanded = CommandedMotion(robot)
    frames, dt = 12, 0.02
    for frame in range(-5, frames + 1):
        share = max(frame, 0) / frames
        lift = 0.02 * (1 - cos(2 * pi * share)) / 2
        feet = [(x, y, z + lift * (leg in lifted)) for leg, (x, y, z) in enumerate(robot.standing.feet)]
        pose = Pose.from_rpy(0.0, 0.0, robot.standing.height - 0.01, frame * dt * roll, frame * dt * pitch, 0.0)
        commanded.step(legs_inverse(robot, pose, feet), dt)
        assert commanded.at_once == pytest.approx(tuple(pose.matrix[2]), abs=0.02)
        if lift > 0.01:
            assert commanded.carrying == 4 - len(lifted)


@pytest.mark.parametrize("roll", [0.014, -0.014])
def test_a_jerk_as_a_foot_lifts_is_not_taken_for_another_gait(roll: float) -> None:
    robot = sample_robots.inspector()
    commanded = CommandedMotion(robot)
    for lifted, turned in ((2, 0.0), (0, roll)):
        for lift in (0.0, 0.001, 0.003, 0.005, 0.008, 0.012, 0.008, 0.005, 0.003, 0.001, 0.0):
            feet = [(x, y, z + lift * (leg == lifted)) for leg, (x, y, z) in enumerate(robot.standing.feet)]
            pose = Pose.from_rpy(0.0, 0.0, robot.standing.height, turned if lift > 0.003 else 0.0, 0.0, 0.0)
            commanded.step(legs_inverse(robot, pose, feet), 0.02)
            if lift > 0.003:
                assert commanded.at_once == pytest.approx(tuple(pose.matrix[2]), abs=0.002)


def test_a_body_that_leans_while_its_joints_need_nearly_all_their_torque_is_told_so() -> None:
    robot = replace(sample_robots.inspector(), frames=())
    rig = FollowingRig(needing(robot, 0.9))
    assert rig.go(2.0) is Response.NONE
    while rig.following.shortfall.response is not Response.DROP:
        rig.go(1 / robot.control_rate, -1.5, -1.5)
    assert rig.following.shortfall.code is FollowingCode.TILTING
    assert str(rig.following.shortfall.reason).endswith("near the torque limit")
    assert "rear knees" in str(rig.following.shortfall.reason)


# The model alone


def test_a_pose_that_needs_more_torque_than_there_is_is_said_without_any_sensor() -> None:
    robot = with_servo_kind(sample_robots.inspector(), stall_torque=0.15)
    shortfall = standing(robot, 0.5)[-1]
    assert shortfall.code is FollowingCode.TORQUE_LIMIT
    assert any(name.endswith("_knee") for name in shortfall.where)
    assert "stall torque" in str(shortfall.reason)


def test_knees_at_their_torque_limit_are_named_with_the_cause_where_joints_are_measured() -> None:
    robot = sample_robots.inspector()
    rear = [JOINT_NAMES.index(name) for name in ("rear_left_knee", "rear_right_knee")]
    shortfall = measured(needing(robot, 0.95), {joint: radians(49) for joint in rear})
    assert (shortfall.code, shortfall.where) == (FollowingCode.TORQUE_LIMIT, ("rear_left_knee", "rear_right_knee"))
    assert str(shortfall.reason) == "rear knees at their torque limit: 49° from the commanded angle"


def test_it_grows_from_slower_to_a_hold_and_to_lowering() -> None:
    robot = with_servo_kind(sample_robots.inspector(), stall_torque=0.15)
    seen = [response for response, _ in groupby(shortfall.response for shortfall in standing(robot, 5.0))]
    assert seen == [Response.NONE, Response.SLOW, Response.HOLD, Response.LOWER]


def test_servos_that_are_strong_enough_are_not_blamed_without_sensors() -> None:
    assert {shortfall.response for shortfall in standing(sample_robots.inspector(), 2.0)} == {Response.NONE}


def standing(
    robot: RobotModel, seconds: float, measure: Callable[[Following, float], None] = lambda following, now: None
) -> list[FollowingShortfall]:
    """The shortfalls, frame by frame, of a robot that is commanded to stand; `measure` comes before each."""
    following, angles = Following(robot), stance_angles(robot, robot.standing)
    found = []
    for frame in range(round(50 * seconds)):
        now = 10.0 + 0.02 * frame
        measure(following, now)
        found.append(following.step(angles, now))
    return found


def needing(robot: RobotModel, share: float) -> RobotModel:
    """The same with servos that need this share of their stall torque to stand."""
    loads = static_torques(robot, stance_angles(robot, robot.standing))
    now = max(abs(load) / robot.stall_torque(joint) for load, joint in zip(loads, robot.joints))
    return with_servo_kind(robot, stall_torque=robot.joints[0].servo.kind.stall_torque * now / share)


# The supply


def supplied(voltage: float, *currents: float, seconds: float = 3.0) -> list[FollowingShortfall]:
    """Those of a robot that stands for so long with each current (A) in turn."""

    def measure(following: Following, now: float) -> None:
        following.supply(voltage, currents[int((now - 10.0) / seconds)], now)

    return standing(sample_robots.inspector(), seconds * len(currents), measure)


@pytest.mark.parametrize(
    ("voltage", "current", "code"),
    [
        (6.0, 4.0, FollowingCode.FOLLOWS),  # the pose explains it
        (6.0, 12.0, FollowingCode.OVERLOADED),
        (nan, 12.0, FollowingCode.FOLLOWS),  # a modelled current judges nothing
    ],
)
def test_a_current_is_judged_by_what_the_pose_explains(voltage: float, current: float, code: FollowingCode) -> None:
    assert supplied(voltage, current)[-1].code is code


def standing_with(*currents: float) -> tuple[FollowingCode, Response]:
    """A robot that stands for 15 s with each current (A) in turn: the last code, and the worst response."""
    found = supplied(6.0, *currents, seconds=15.0)
    return found[-1].code, max(shortfall.response for shortfall in found)


def test_more_than_its_usual_current_is_said_of_a_standing_robot_and_stops_nothing() -> None:
    assert standing_with(3.5, 6.0) == (FollowingCode.OVERLOADED, Response.SLOW)


def test_what_is_usual_is_learned() -> None:
    assert standing_with(5.0, 5.3) == (FollowingCode.FOLLOWS, Response.NONE)


def test_less_than_its_usual_current_while_walking_has_a_code_of_its_own() -> None:
    robot = sample_robots.inspector()
    following, now = Following(robot), 10.0
    feet = list(robot.standing.feet)
    high = [(x, y, z + 0.02 * (i == 0)) for i, (x, y, z) in enumerate(feet)]
    frames = [legs_inverse(robot, Pose((0.0, 0.0, robot.standing.height)), places) for places in (feet, high)]
    for current, seconds in ((4.0, 15.0), (2.0, 8.0)):
        for frame in range(round(50 * seconds)):
            now += 0.02
            following.supply(6.0, current, now)
            shortfall = following.step(frames[frame // 15 % 2], now)
    assert shortfall.code is FollowingCode("weak_or_limp")


def test_a_standing_robot_that_is_lifted_raises_no_alarm() -> None:
    assert standing_with(4.0, 0.8) == (FollowingCode.FOLLOWS, Response.NONE)


def test_a_supply_that_breaks_down_is_weak() -> None:
    shortfall = supplied(4.5, 4.0)[-1]
    assert shortfall.code is FollowingCode.SUPPLY_WEAK
    assert shortfall.response is Response.SLOW  # the supply's own rule lowers the robot


# Measured joints


def measured(robot: RobotModel, off: dict[int, float], swing: float = 0.0) -> FollowingShortfall:
    """That of a robot whose joints are so far off (rad), and swing."""

    def measure(following: Following, now: float) -> None:
        places = list(stance_angles(robot, robot.standing))
        for joint, by in off.items():
            places[joint] += by + swing * sin(50 * now)
        following.joints(places, now)

    return standing(robot, 1.0, measure)[-1]


@pytest.mark.parametrize(
    ("error_deg", "moves_deg", "code"), [(20, 0, FollowingCode.JOINT_STUCK), (25, 5, FollowingCode.JOINT_LIMP)]
)
def test_a_joint_far_from_its_command_is_stuck_or_limp_where_it_moves(error_deg, moves_deg, code) -> None:
    shortfall = measured(sample_robots.inspector(), {5: radians(error_deg)}, radians(moves_deg))
    assert (shortfall.code, shortfall.where) == (code, ("front_right_knee",))


def test_a_joint_that_gives_way_as_servos_do_is_fine() -> None:
    assert measured(sample_robots.inspector(), {5: radians(3)}).code is FollowingCode.FOLLOWS


@given(share=st.floats(0.5, 1.0))
def test_servos_that_are_slower_than_asked_but_arrive_raise_no_alarm(share: float) -> None:
    robot = sample_robots.inspector()
    following, now = Following(robot), 10.0
    angles = stance_angles(robot, robot.standing)
    at, goal = angles[2], angles[2] - radians(60)
    for _ in range(50):
        now += 0.02
        at = max(at - share * robot.no_load_speed(robot.joints[2]) * 0.02, goal)
        places = list(angles)
        places[2] = at
        following.joints(places, now)
        wanted = list(angles)
        wanted[2] = goal
        assert following.step(wanted, now).response is Response.NONE


# In words


@pytest.mark.parametrize(
    ("joints", "words"),
    [
        (("rear_left_knee", "rear_right_knee"), "rear knees"),
        (("front_left_hip",), "front_left_hip"),
        (("front_left_hip", "rear_left_knee", "rear_right_knee"), "rear knees, front_left_hip"),
    ],
)
def test_pairs_of_joints_are_named_as_people_do(joints: tuple[str, ...], words: str) -> None:
    assert joints_in_words(joints) == words
