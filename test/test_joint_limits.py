"""One frame against joint limits, clearance and servo speed."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import sample_robots
from ground_geometry import GroundGeometry
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis_settings import examples
from sample_robots import BOTH, ROBOTS

from quadleg.dynamics.servo_motors import joint_steps
from quadleg.errors import Unreachable
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import all_forward, legs_inverse, stance_angles
from quadleg.kinematics.clearance import Clearance
from quadleg.kinematics.ground_clearance import StandingGround
from quadleg.safety import transitions
from quadleg.safety.joint_limits import IN_GROUND, JointLimits
from quadleg.safety.reason_codes import ReasonCode


def period(robot) -> float:
    return 1 / robot.control_rate


def standing(robot) -> np.ndarray:
    return np.array(stance_angles(robot, robot.standing))


def walk(limits: JointLimits, last, wanted, frames: int):
    """The frames on the way to `wanted`, asked for again and again."""
    result = []
    for _ in range(frames):
        result.append(limits.apply(last, wanted))
        last = result[-1].angles
    return result


def test_a_step_is_the_loaded_speed_at_the_robots_own_voltage():
    inspector, digger = ROBOTS
    assert joint_steps(inspector, 0.02) == pytest.approx([0.8 * 6.5 * 0.02] * 12)
    assert joint_steps(digger, 0.01) == pytest.approx([0.8 * 9.0 * 6.6 / 7.4 * 0.01] * 12)


@BOTH
def test_a_frame_in_reach_goes_out_as_it_is(robot):
    last = standing(robot)
    wanted = last + 0.99 * np.array(joint_steps(robot, period(robot)))
    limited = JointLimits(robot, period(robot)).apply(last, wanted)
    assert limited.angles == tuple(wanted)
    assert (limited.share, limited.stops) == (1.0, ())


def test_a_frame_at_the_very_speed_of_the_servos_goes_out_to_the_last_bit():
    robot = ROBOTS[0]
    limits, step = JointLimits(robot, period(robot)), joint_steps(robot, period(robot))[0]
    for angle in np.linspace(-0.2, 0.2, 100).tolist():
        wanted = (np.nextafter(angle + step, 1.0).item(),) * 12
        if wanted[0] - angle == step:  # to rounding
            assert limits.slow((angle,) * 12, wanted) == (wanted, 1.0)


@BOTH
@given(data=st.data())
def test_a_fast_frame_is_slowed_all_joints_by_the_same_share(robot, data):
    steps = np.array(joint_steps(robot, period(robot)))
    way = np.array(data.draw(st.lists(st.floats(-3, 3), min_size=12, max_size=12))) * steps
    last = standing(robot)
    slowed, share = JointLimits(robot, period(robot)).slow(last, last + way)
    assert share == pytest.approx(min(1.0, 1 / max(np.abs(way / steps).max(), 1e-9)))
    np.testing.assert_allclose(slowed - last, share * way, atol=1e-12)
    assert np.all(np.abs(slowed - last) <= steps * (1 + 1e-9))


@BOTH
def test_a_slowed_frame_arrives_in_the_end_on_a_straight_line(robot):
    last, limits = standing(robot), JointLimits(robot, period(robot))
    wanted = last + 0.3 * np.cos(np.arange(12)) * (np.arange(12) % 3 == 2)  # knees alone, far
    wanted[2::3] = np.clip(
        wanted[2::3], [leg.limits[2][0] for leg in robot.legs], [leg.limits[2][1] for leg in robot.legs]
    )
    frames = walk(limits, last, wanted, 12)
    shares = [(frame.angles - last) @ (wanted - last) / ((wanted - last) @ (wanted - last)) for frame in frames]
    for frame, share in zip(frames, shares):
        np.testing.assert_allclose(frame.angles, last + share * (wanted - last), atol=1e-12)
    assert frames[0].share < 1
    assert frames[-1].angles == tuple(wanted)
    assert frames[-1].share == 1.0


@BOTH
@pytest.mark.parametrize("joint", range(12))
@pytest.mark.parametrize("end", [0, 1])
def test_a_joint_past_its_limit_stops_its_leg_alone_and_says_so(robot, joint, end):
    last = standing(robot)
    wanted = last + 0.01
    low, high = robot.joints[joint].lower, robot.joints[joint].upper
    wanted[joint] = (low - 0.001, high + 0.001)[end]
    limited = JointLimits(robot, period(robot)).apply(last, wanted)
    own = slice(joint - joint % 3, joint - joint % 3 + 3)
    assert limited.angles[own] == tuple(last[own])
    others = [i for i in range(12) if i // 3 != joint // 3]
    assert [limited.angles[i] for i in others] == [wanted[i] for i in others]
    assert limited.share == 1.0
    (stop,) = limited.stops
    assert stop.code == ReasonCode.JOINT_LIMIT
    angles = {"angle_deg": wanted[joint], "lower_deg": low, "upper_deg": high}
    shown = {name: f"{np.degrees(angle):.1f}" for name, angle in angles.items()}
    assert stop.figures == {"joint": robot.joints[joint].name, **shown}


@BOTH
@pytest.mark.parametrize(("beyond", "stopped"), [(0.0, False), (0.9e-6, False), (1.1e-6, True)])
@pytest.mark.parametrize("end", ["lower", "upper"])
def test_a_joint_may_stand_at_its_very_limit_to_the_millionth_of_a_radian_that_rounding_takes(
    robot, end, beyond, stopped
):
    last = standing(robot)
    wanted = last.copy()
    wanted[0] = getattr(robot.joints[0], end) + (beyond if end == "upper" else -beyond)
    assert bool(JointLimits(robot, period(robot)).apply(last, wanted).stops) is stopped


def test_legs_that_would_come_nearer_than_the_clearance_stop_at_their_last_good_point():
    robot = ROBOTS[0]
    limits, clearance = JointLimits(robot, period(robot)), Clearance(robot)
    last = standing(robot)
    wanted = last.copy()
    wanted[0:3] = np.radians((0, 80, -60))  # front left rearward, into the rear leg
    wanted[6:9] = np.radians((0, 12, -93))
    wanted[3:6] += 0.2  # another leg has its own way
    assert clearance.least(wanted).distance < robot.clearance
    frames = walk(limits, last, wanted, 60)
    end = frames[-1]
    assert {frame.stops for frame in frames[:3]} == {()}
    assert end.stops[0].code == ReasonCode.PARTS_TOO_NEAR
    parts = {name: end.stops[0].figures[name] for name in ("part", "other", "clearance_mm")}
    assert parts == {"part": "front_left_lower", "other": "rear_left_lower", "clearance_mm": "5.0"}
    assert end.angles == frames[-2].angles
    assert all(clearance.least(frame.angles).distance >= robot.clearance for frame in frames)
    np.testing.assert_allclose(end.angles[3:6], wanted[3:6])
    assert np.abs(end.angles[0:3] - wanted[0:3]).max() > 0.01
    back = walk(limits, end.angles, last, 60)
    assert {frame.stops for frame in back} == {()}
    np.testing.assert_allclose(back[-1].angles, last)


def test_a_leg_that_cannot_go_on_does_not_slow_the_others():
    robot = ROBOTS[0]
    wanted = standing(robot)
    wanted[0:3] = np.radians((0, 110, -25))  # clear itself, but the rear leg is in the way
    wanted[6:9] = np.radians((0, 0, -100))
    wanted[3:6] += 0.2
    end = walk(JointLimits(robot, period(robot)), standing(robot), wanted, 20)[-1]
    assert end.stops
    assert end.share == 1.0
    assert end.angles[3:6] == tuple(wanted[3:6])


def test_parts_that_are_too_near_already_may_go_apart_but_not_nearer():
    robot = ROBOTS[0]
    limits, clearance = JointLimits(robot, period(robot)), Clearance(robot)
    touching = standing(robot)
    touching[0:3] = np.radians((0, 80, -60))
    touching[6:9] = np.radians((0, 12, -93))
    way = touching - standing(robot)
    ways = [touching - share * way for share in np.linspace(0, 0.2, 100)]
    near = next(angles for angles in ways if 0.001 < clearance.least(angles).distance < 0.003)
    inwards, outwards = near + 0.002 * way, near - 0.002 * way
    assert limits.apply(near, inwards).angles == tuple(near)
    assert limits.apply(near, inwards).stops[0].code == ReasonCode.PARTS_TOO_NEAR
    assert limits.apply(near, outwards).angles == tuple(outwards)
    assert limits.apply(near, outwards).stops == ()
    assert limits.apply(near, near).stops == ()


@BOTH
@settings(max_examples=examples(25))
@given(seed=st.integers(0, 2**32 - 1))
def test_whatever_is_asked_for_limits_clearance_and_speed_are_kept(robot, seed):
    random = np.random.default_rng(seed)
    limits, clearance = JointLimits(robot, period(robot)), Clearance(robot)
    steps = np.array(joint_steps(robot, period(robot)))
    low = np.array([joint.lower for joint in robot.joints])
    high = np.array([joint.upper for joint in robot.joints])
    last = tuple(standing(robot))
    for _ in range(3):
        wanted = random.uniform(low - 0.1, high + 0.1)
        for frame in walk(limits, last, wanted, 15):
            assert np.all(np.abs(np.subtract(frame.angles, last)) <= steps * (1 + 1e-9))
            assert np.all((low - 1e-6 <= frame.angles) & (frame.angles <= high + 1e-6))
            assert clearance.least(frame.angles).distance >= robot.clearance
            last = frame.angles


@pytest.mark.parametrize(
    "robot", [sample_robots.inspector(), *sample_robots.varied()[6:8]], ids=lambda robot: robot.name
)
def test_standing_legs_do_not_press_a_knee_into_the_ground(robot):
    """By MuJoCo's shapes over the feet's plane: no deeper than legs give way."""
    judge, limits = GroundGeometry(robot), JointLimits(robot, period(robot))
    last, stops = tuple(standing(robot)), ()
    start, height = Pose((0.0, 0.0, robot.standing.height)), 0.45 * robot.standing.height
    lowest = np.inf
    for share in np.linspace(0, 1, 200):
        x = -0.5 * robot.legs[0].upper_length * share
        pose = Pose((x, 0.0, start.position[2] + share * (height - start.position[2])))
        try:
            wanted = legs_inverse(robot, pose, robot.standing.feet)
        except Unreachable:
            break
        limited = limits.apply(last, wanted)
        last, stops = limited.angles, limited.stops
        body, _ = transitions.standing_over(robot, all_forward(robot, last))
        judge.place(body.position, body.quaternion, last)
        lowest = min(lowest, judge.lowest_but_feet()[1])
    assert any(stop.code == ReasonCode.INTO_GROUND and "knee" in stop.figures["part"] for stop in stops)
    assert -0.0031 < lowest < -0.0022
    back = limits.apply(last, standing(robot))
    assert back.stops == (), "the way out is free"


def test_a_knee_that_is_in_the_ground_already_may_stay_or_come_out_but_not_go_deeper():
    robot = ROBOTS[0]
    limits, here = JointLimits(robot, period(robot)), low_on_its_knees(robot, 0.46)
    assert StandingGround(robot).sunk(here, IN_GROUND) is not None
    for share in (0.46, 0.461, 0.462):
        wanted = low_on_its_knees(robot, share)
        limited = limits.apply(here, wanted)
        assert (limited.angles, limited.stops) == (wanted, ())
    deeper, judge = low_on_its_knees(robot, 0.459), GroundGeometry(robot)
    limited = limits.apply(here, deeper)
    assert limited.angles == here
    (stop,) = limited.stops
    assert stop.code == ReasonCode.INTO_GROUND
    body, _ = transitions.standing_over(robot, all_forward(robot, deeper))
    judge.place(body.position, body.quaternion, deeper)
    assert -float(stop.figures["depth_mm"]) == pytest.approx(1000 * judge.lowest_but_feet()[1], abs=0.05)


def low_on_its_knees(robot, share: float) -> tuple[float, ...]:
    """The body so far down over its feet, and so far behind them that the knees touch the ground first."""
    pose = Pose((-0.4 * robot.legs[0].upper_length, 0.0, share * robot.standing.height))
    return legs_inverse(robot, pose, robot.standing.feet)


@BOTH
@settings(max_examples=examples(30))
@given(seed=st.integers(0, 2**32 - 1))
def test_standing_ground_passes_over_no_frame_that_it_would_tell_of(robot, seed):
    """It looks again only when something may have changed: as one that looks for the first time at each frame."""
    draw = np.random.default_rng(seed)
    watching = StandingGround(robot)
    goals = [standing(robot), *(low_or_tilted(robot, draw) for _ in range(4))]
    for before, after in pairwise(goals):
        for share in np.linspace(0, 1, 30):
            angles = tuple((1 - share) * before + share * after)
            fresh = StandingGround(robot).sunk(angles, 0.003)
            found = watching.sunk(angles, 0.003)
            assert found == fresh


def low_or_tilted(robot, draw) -> np.ndarray:
    while True:
        axes = draw.uniform(-1, 1, 6) * (0.05, 0.03, 0.0, 0.15, 0.15, 0.2)
        axes[2] = draw.uniform(0.35, 1.05) * robot.standing.height
        try:
            return np.array(legs_inverse(robot, Pose.from_rpy(*axes), robot.standing.feet))
        except Unreachable:
            continue
