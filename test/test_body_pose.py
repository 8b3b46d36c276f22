"""The body's pose over its feet, against scipy, transforms3d and the signs of REP-103."""

from __future__ import annotations

from dataclasses import replace
from math import dist, inf, nan, radians

import numpy as np
import pytest
import transforms3d
from hypothesis import assume, given
from hypothesis import strategies as st
from sample_robots import BOTH, ROBOTS
from scipy.spatial.transform import Rotation

from quadleg.errors import Unreachable
from quadleg.geometry.registration import fit_pose
from quadleg.geometry.rotations import quaternion_product
from quadleg.geometry.transforms import Pose, compose
from quadleg.kinematics.body_pose import all_forward, feet_in_base, legs_inverse, stance_angles
from quadleg.robot.model import LEGS

length = st.floats(-2, 2)
turn = st.floats(-1.5, 1.5)
poses = st.builds(Pose.from_rpy, length, length, length, turn, turn, turn)


def near(a: Pose, b: Pose, tolerance: float = 1e-12) -> bool:
    """Whether two poses are the same; a quaternion and its negative are."""
    same = abs(sum(p * q for p, q in zip(a.quaternion, b.quaternion)))
    return dist(a.position, b.position) < tolerance and 1 - same < tolerance


def rotation(pose: Pose) -> Rotation:
    return Rotation.from_quat(np.roll(pose.quaternion, -1))  # scipy puts w last


@given(turn, turn, turn)
def test_rpy_are_turns_about_fixed_axes(roll, pitch, yaw):
    pose = Pose.from_rpy(1, 2, 3, roll, pitch, yaw)
    assert np.allclose(pose.matrix, Rotation.from_euler("xyz", (roll, pitch, yaw)).as_matrix(), atol=1e-14)
    assert np.allclose(pose.matrix, transforms3d.euler.euler2mat(roll, pitch, yaw, "sxyz"), atol=1e-14)
    assert pose.rpy == pytest.approx((roll, pitch, yaw), abs=1e-9)
    assert pose.yaw == pytest.approx(yaw, abs=1e-9)
    assert pose.position == (1, 2, 3)


@given(poses, poses)
def test_quaternion_product_is_that_of_transforms3d(a, b):
    product = quaternion_product(a.quaternion, b.quaternion)
    assert product == pytest.approx(transforms3d.quaternions.qmult(a.quaternion, b.quaternion), abs=1e-15)


@given(poses)
def test_a_quaternion_by_its_own_inverse_is_exactly_no_turn(pose):
    w, x, y, z = pose.quaternion
    assert quaternion_product(pose.quaternion, (w, -x, -y, -z))[1:] == (0.0, 0.0, 0.0)


@given(poses)
def test_matrix_is_that_of_the_quaternion(pose):
    assert np.allclose(pose.matrix, rotation(pose).as_matrix(), rtol=0, atol=1e-14)


def test_a_quaternion_is_brought_to_unit_length():
    assert Pose((0, 0, 0), (0, 0, 3, 0)).quaternion == (0, 0, 1, 0)


@pytest.mark.parametrize("numbers", [(nan, 0, 0, 1), (0, inf, 0, 1), (0, 0, 0, nan), (0, 0, 0, inf)])
def test_a_pose_must_be_finite(numbers):
    with pytest.raises(ValueError, match="not finite: give finite numbers"):
        Pose(numbers[:3], (numbers[3], 0, 0, 0))


def test_a_pose_needs_a_rotation():
    with pytest.raises(ValueError, match=r"is zero: \(1, 0, 0, 0\) is no rotation"):
        Pose((0, 0, 0), (0, 0, 0, 0))


@given(poses, poses)
def test_compose_multiplies_the_transforms(a, b):
    composed = compose(a, b)
    assert np.allclose(composed.position, a.position + rotation(a).apply(b.position), rtol=0, atol=1e-14)
    assert np.allclose(composed.matrix, (rotation(a) * rotation(b)).as_matrix(), rtol=0, atol=1e-14)


@given(poses, st.lists(st.tuples(length, length, length), min_size=4, max_size=4))
def test_feet_in_base_undoes_the_pose(pose, feet):
    expected = rotation(pose).inv().apply(np.subtract(feet, pose.position))
    assert np.allclose(feet_in_base(pose, feet), expected, rtol=0, atol=1e-14)


@BOTH
def test_signs_of_the_body_follow_rep_103(robot):
    """REP-103: x forward, y left, z up, right-handed."""
    height = robot.standing.height

    def distances(*rpy: float) -> dict[str, float]:
        """How far below the body, along its own z, each foot is."""
        feet = feet_in_base(Pose.from_rpy(0, 0, height, *rpy), robot.standing.feet)
        return dict(zip(LEGS, (-z for _, _, z in feet)))

    level = distances(0, 0, 0)
    pitched, rolled = distances(0, 0.1, 0), distances(0.1, 0, 0)
    for leg in LEGS:
        lowered = leg.startswith("front")
        assert (pitched[leg] < level[leg]) == lowered, "a positive pitch lowers the front"
        lowered = leg.endswith("right")
        assert (rolled[leg] < level[leg]) == lowered, "a positive roll lowers the right side"
    x, y, _ = feet_in_base(Pose.from_rpy(0, 0, height, 0, 0, 0.1), robot.standing.feet)[0]
    x0, y0, _ = feet_in_base(Pose((0, 0, height)), robot.standing.feet)[0]
    assert np.arctan2(y, x) < np.arctan2(y0, x0), "a positive yaw turns the body to the left, over the feet"


@given(
    st.sampled_from(ROBOTS),
    st.tuples(*[st.floats(-0.03, 0.03)] * 3),
    st.tuples(*[st.floats(-0.3, 0.3)] * 3),
)
def test_feet_stay_on_their_ground_points_in_any_pose_of_the_body(robot, shift, rpy):
    x, y, z = shift
    pose = Pose.from_rpy(x, y, robot.standing.height + z, *rpy)
    try:
        angles = legs_inverse(robot, pose, robot.standing.feet)
    except Unreachable:
        assume(False)
    on_ground = pose.position + rotation(pose).apply(all_forward(robot, angles))
    assert np.allclose(on_ground, robot.standing.feet, rtol=0, atol=1e-9)
    assert near(fit_pose(all_forward(robot, angles), robot.standing.feet), pose, 1e-9)


def test_the_first_leg_that_cannot_reach_is_named():
    robot = ROBOTS[0]
    leaning = Pose.from_rpy(0, 0, robot.standing.height, 0, -0.6, 0)  # lifts the front
    with pytest.raises(Unreachable) as caught:
        legs_inverse(robot, leaning, robot.standing.feet)
    assert caught.value.leg == "front_left"


@BOTH
def test_stances_are_level_and_within_the_limits(robot):
    for stance in (robot.standing, robot.resting):
        angles = stance_angles(robot, stance)
        feet = np.add(all_forward(robot, angles), (0, 0, stance.height))
        assert np.allclose(feet, stance.feet, rtol=0, atol=1e-12)
        assert all(joint.lower < angle < joint.upper for joint, angle in zip(robot.joints, angles))


def test_the_demo_robot_stands_with_its_knees_rearward():
    angles = stance_angles(ROBOTS[0], ROBOTS[0].standing)
    assert all(knee < radians(-5) for knee in angles[2::3])
    assert angles[0:3] == pytest.approx(angles[3:6], abs=1e-12), "right and left are alike, by the right-hand rule"


def test_a_stance_too_high_is_refused():
    robot = ROBOTS[0]
    with pytest.raises(Unreachable, match="knee at its upper limit of -5 deg"):
        stance_angles(robot, replace(robot.standing, height=0.250))


@given(poses, st.integers(0, 2**32 - 1))
def test_pose_from_feet_fits_as_well_as_scipy(pose, seed):
    """scipy's Rotation.align_vectors solves the same problem of least squares (Kabsch 1976)."""
    rng = np.random.default_rng(seed)
    in_base = np.array(feet_in_base(Pose((0, 0, 0.15)), ROBOTS[0].standing.feet))
    feet = pose.position + rotation(pose).apply(in_base) + rng.normal(0, 0.004, (4, 3))
    fitted = fit_pose(in_base, feet)
    expected, _ = Rotation.align_vectors(feet - feet.mean(axis=0), in_base - in_base.mean(axis=0))
    assert np.allclose(fitted.matrix, expected.as_matrix(), rtol=0, atol=1e-6)
    middle = feet.mean(axis=0) - expected.apply(in_base.mean(axis=0))
    assert np.allclose(fitted.position, middle, rtol=0, atol=1e-6)


def test_three_feet_on_the_ground_are_enough():
    robot, pose = ROBOTS[1], Pose.from_rpy(0.01, -0.02, 0.1, 0.1, -0.2, 0.3)
    in_base = feet_in_base(pose, robot.standing.feet)
    assert near(fit_pose(in_base[1:], robot.standing.feet[1:]), pose)
