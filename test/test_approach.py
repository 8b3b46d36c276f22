"""A body pose that follows its target: limits, arrival together, no overshoot, a stop where reach ends."""

from __future__ import annotations

from itertools import pairwise
from math import dist

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis_settings import examples
from scipy.spatial.transform import Rotation

from quadleg.geometry.transforms import Pose
from quadleg.kinematics.approach import Approach

SPEED, TURN_SPEED, RISE = 0.06, 0.6, 0.3
START = Pose((0.0, 0.0, 0.15))

shift = st.floats(-0.1, 0.1)
turn = st.floats(-0.6, 0.6)
targets = st.builds(Pose.from_rpy, shift, shift, shift, turn, turn, turn)
ticks = st.sampled_from((0.004, 0.01, 0.02, 0.05))


def rates(before: Pose, after: Pose, dt: float) -> np.ndarray:
    """(6,) mean velocity between two poses as shares of the full speeds, by scipy's rotation vector."""
    one, two = (Rotation.from_quat(np.roll(pose.quaternion, -1)) for pose in (before, after))
    shifts = np.subtract(after.position, before.position) / dt / SPEED
    return np.concatenate((shifts, (two * one.inv()).as_rotvec() / dt / TURN_SPEED))


def follow(approach: Approach, target: Pose, dt: float, limit: int = 5000) -> list[Pose]:
    """All poses until the approach rests."""
    poses = [approach.pose]
    for _ in range(limit):
        poses.append(approach.step(target, dt))
        if not approach.moving:
            return poses
    raise AssertionError("does not arrive")


@given(targets, ticks)
def test_it_arrives_exactly_and_rests(target, dt):
    approach = Approach(START, SPEED, TURN_SPEED, RISE)
    poses = follow(approach, target, dt)
    assert approach.pose == target
    assert approach.step(target, dt) == target
    assert not approach.moving
    # As fast as the limits allow, to a few ticks of rounding to whole steps.
    way = np.linalg.norm(rates(START, target, 1.0))
    fastest = way + RISE if way > RISE else 2 * np.sqrt(way * RISE)
    assert (len(poses) - 1) * dt <= fastest + 4 * dt


@given(targets, ticks)
@settings(max_examples=examples(15))
def test_it_goes_straight_and_never_beyond(target, dt):
    whole = rates(START, target, 1.0)
    way = np.linalg.norm(whole)
    done = -1e-12
    for pose in follow(Approach(START, SPEED, TURN_SPEED, RISE), target, dt):
        part = rates(START, pose, 1.0)
        share = part @ whole / max(way, 1e-12) ** 2
        assert np.allclose(part, share * whole, rtol=0, atol=1e-6), "all axes keep pace"
        assert done <= share + 1e-9 <= 1 + 1e-6
        done = share


@given(st.lists(st.tuples(targets, st.integers(1, 12)), min_size=1, max_size=12), ticks)
@settings(max_examples=examples(25))
def test_speed_and_acceleration_stay_within_their_limits_whatever_the_targets(course, dt):
    approach = Approach(START, SPEED, TURN_SPEED, RISE)
    velocity = np.zeros(6)
    pose = START
    for target, count in [*course, (course[-1][0], 400)]:
        for _ in range(count):
            following = approach.step(target, dt)
            new = rates(pose, following, dt)
            assert np.isfinite(new).all()
            assert np.linalg.norm(new) <= 1 + 1e-6
            assert np.linalg.norm(new - velocity) <= dt / RISE + 1e-6
            velocity, pose = new, following
    follow(approach, course[-1][0], dt)
    assert approach.pose == course[-1][0]


def test_speeds_are_those_asked_for():
    approach = Approach(START, SPEED, TURN_SPEED, RISE)
    target = Pose((0.0, 0.1, 0.15))
    poses = follow(approach, target, 0.02)
    speeds = [dist(a.position, b.position) / 0.02 for a, b in pairwise(poses)]
    assert max(speeds) == pytest.approx(SPEED, abs=1e-12)
    assert speeds[0] == pytest.approx(SPEED * 0.02 / RISE), "the first step is one of acceleration"
    assert speeds[14] == pytest.approx(SPEED), "full speed after the fifteen steps of the acceleration time"


def test_the_short_way_round_whatever_the_sign_of_the_quaternion():
    target = Pose.from_rpy(0, 0, 0.15, 0, 0, 0.2)
    negative = Pose(target.position, tuple(-q for q in target.quaternion))
    approach = Approach(START, SPEED, TURN_SPEED, RISE)
    poses = follow(approach, negative, 0.02)
    assert all(-1e-9 <= pose.rpy[2] <= 0.2 + 1e-9 for pose in poses)


def test_a_target_very_far_off_and_a_half_turn_stay_finite():
    approach = Approach(START, SPEED, TURN_SPEED, RISE)
    for target in (Pose((1e300, 0.0, 0.0)), Pose((0.0, 0.0, 0.0), (0.0, 0.0, 0.0, 1.0))):
        for _ in range(100):
            approach.step(target, 0.02)
    assert np.isfinite(approach.pose.position).all()


def test_reset_is_at_rest_at_the_pose():
    approach = Approach(START, SPEED, TURN_SPEED, RISE)
    approach.step(Pose((0.1, 0.0, 0.15)), 0.02)
    assert approach.moving
    elsewhere = Pose((0.0, 0.05, 0.1))
    approach.reset(elsewhere)
    assert approach.pose == elsewhere
    assert not approach.moving


class ReachLimit:
    """Poses beyond x = `edge` are out of reach; counts how often it is asked."""

    def __init__(self, edge: float) -> None:
        self.edge = edge
        self.asked = 0

    def __call__(self, pose: Pose) -> bool:
        self.asked += 1
        return pose.position[0] <= self.edge


@given(st.floats(0.001, 0.09), ticks)
def test_it_stops_as_near_to_what_is_out_of_reach_as_it_can(edge, dt):
    approach, wall = Approach(START, SPEED, TURN_SPEED, RISE), ReachLimit(edge)
    target = Pose.from_rpy(0.1, 0.02, 0.12, 0.1, 0, 0)
    for _ in range(int(4 / dt)):
        assert approach.step(target, dt, wall).position[0] <= edge
    assert not approach.moving
    first_step = SPEED * dt * dt / RISE  # from rest; a smaller one is not tried
    assert edge - approach.pose.position[0] < first_step
    stopped, asked = approach.pose, wall.asked
    for _ in range(10):
        assert approach.step(target, dt, wall) == stopped
    assert wall.asked == asked + 20, "two questions a tick at rest"
    assert approach.stuck
    # The wall ends only the way along x: the other axes have come to the target.
    assert np.abs(rates(stopped, target, 1.0)[1:]).max() < 1e-3


def test_it_moves_again_when_the_target_changes_or_the_way_is_free():
    approach, wall = Approach(START, SPEED, TURN_SPEED, RISE), ReachLimit(0.03)
    beyond, back = Pose((0.1, 0.0, 0.15)), Pose((-0.02, 0.01, 0.15))
    for _ in range(200):
        approach.step(beyond, 0.02, wall)
    assert not approach.moving
    for _ in range(200):
        approach.step(back, 0.02, wall)
    assert approach.pose == back
    for _ in range(200):
        approach.step(beyond, 0.02, wall)
    wall.edge = 1.0
    for _ in range(200):
        approach.step(beyond, 0.02, wall)
    assert approach.pose == beyond


@pytest.mark.parametrize("wrong", range(3))
def test_limits_must_be_positive(wrong):
    limits = [SPEED, TURN_SPEED, RISE]
    limits[wrong] = 0.0
    with pytest.raises(ValueError, match="must all be greater than zero"):
        Approach(START, *limits)
