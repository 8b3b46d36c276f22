"""One leg: forward, inverse, Jacobian, and the nearest point when a target is out of reach."""

from __future__ import annotations

from dataclasses import replace
from math import acos, cos, dist, inf, isfinite, nan, pi, radians, sin, sqrt

import modern_robotics
import numpy as np
import pytest
import sample_robots
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis_settings import examples
from sample_robots import ROBOTS
from scipy.optimize import least_squares, minimize
from scipy.spatial.transform import Rotation

from quadleg.errors import Unreachable
from quadleg.kinematics import leg as kinematics
from quadleg.robot.model import Leg

ALL_LEGS = [leg for robot in ROBOTS for leg in robot.legs]
KINDS = [robot.leg(name) for robot in ROBOTS for name in ("front_left", "rear_right")]
ids = [f"{robot.name}-{name}" for robot in ROBOTS for name in ("front_left", "rear_right")]

legs = st.sampled_from(ALL_LEGS)
fractions = st.tuples(*[st.floats(0, 1)] * 3)
coordinate = st.floats(-0.4, 0.4)


def within(leg: Leg, fraction: tuple[float, float, float]) -> tuple[float, ...]:
    """Angles at these fractions of the way from the lower to the upper limits."""
    return tuple(lower + f * (upper - lower) for f, (lower, upper) in zip(fraction, leg.limits))


def depth(leg: Leg, angles: tuple[float, ...]) -> float:
    """Height of the foot over the abduction axis in the plane of the leg."""
    return -leg.upper_length * cos(angles[1]) - leg.lower_length * cos(angles[1] + angles[2])


def with_limits(leg: Leg, *degrees: tuple[float, float]) -> Leg:
    joints = [
        replace(joint, lower=radians(lower), upper=radians(upper)) for joint, (lower, upper) in zip(leg.joints, degrees)
    ]
    return replace(leg, joints=(joints[0], joints[1], joints[2]))


@pytest.mark.parametrize("leg", ALL_LEGS, ids=lambda leg: leg.name)
def test_at_zero_the_leg_hangs_straight_down(leg):
    x, y, z = leg.hip
    y += leg.hip_offset
    hanging = (
        leg.hip,
        (x, y, z),
        (x, y, z - leg.upper_length),
        (x, y, z - leg.upper_length - leg.lower_length),
    )
    assert np.allclose(kinematics.points(leg, (0, 0, 0)), hanging, rtol=0, atol=1e-15)


def test_signs_follow_the_right_hand_rule():
    leg = ROBOTS[0].leg("front_left")
    x, y, _ = kinematics.forward(leg, (0, 0, 0))
    assert kinematics.forward(leg, (0, 0.1, 0))[0] < x, "a positive hip swings the foot backward"
    assert kinematics.forward(leg, (0, 0, 0.1))[0] < x, "a positive knee swings the foot backward"
    assert kinematics.forward(leg, (0.1, 0, 0))[1] > y, "a positive abduction swings the foot to the left"


@given(legs, fractions)
def test_forward_is_the_product_of_the_joints_rotations(leg, fraction):
    angles = within(leg, fraction)
    abduction = Rotation.from_euler("x", angles[0])
    hip, knee = Rotation.from_euler("y", angles[1]), Rotation.from_euler("y", angles[2])
    knee_to_foot = knee.apply((0, 0, -leg.lower_length))
    expected = leg.hip + abduction.apply((0, leg.hip_offset, 0) + hip.apply((0, 0, -leg.upper_length) + knee_to_foot))
    assert np.allclose(kinematics.forward(leg, angles), expected, rtol=0, atol=1e-15)


@given(legs, fractions)
def test_points_keep_the_lengths_of_the_links(leg, fraction):
    axis, hip, knee, foot = kinematics.points(leg, within(leg, fraction))
    lengths = dist(axis, hip), dist(hip, knee), dist(knee, foot)
    assert lengths == pytest.approx((abs(leg.hip_offset), leg.upper_length, leg.lower_length), abs=1e-15)


@given(legs, fractions)
def test_inverse_returns_the_angles_of_forward(leg, fraction):
    angles = within(leg, fraction)
    assume(depth(leg, angles) < -1e-3)
    found = kinematics.inverse(leg, kinematics.forward(leg, angles))
    assert found == pytest.approx(angles, rel=0, abs=1e-9)


@given(legs, st.tuples(coordinate, coordinate, coordinate))
def test_inverse_is_exact_within_the_limits_or_raises(leg, point):
    try:
        angles = kinematics.inverse(leg, point)
    except Unreachable as error:
        angles = error.angles
        assert np.allclose(kinematics.forward(leg, angles), error.nearest, rtol=0, atol=1e-12)
        assert dist(error.nearest, point) > 0
    else:
        assert dist(kinematics.forward(leg, angles), point) < 1e-9
    for angle, (lower, upper) in zip(angles, leg.limits):
        assert lower - 1e-9 <= angle <= upper + 1e-9
    assert depth(leg, angles) <= 1e-9
    assert angles[2] * leg.knee_sign >= 0


@pytest.mark.parametrize("sign", [-1, 1])
def test_law_of_cosines_of_the_two_link_arm(sign):
    """Lynch & Park, Modern Robotics (2017), section 6.1, the 2R planar arm by the law of cosines."""
    leg = with_limits(replace(KINDS[0], knee_sign=sign), (-45, 45), (-179, 179), (-179, 179))
    l1, l2 = leg.upper_length, leg.lower_length
    angles = kinematics.inverse(leg, (leg.hip[0] + 0.03, leg.hip[1] + leg.hip_offset, -0.14))
    reach_squared = 0.03**2 + 0.14**2
    beta = acos((l1**2 + l2**2 - reach_squared) / (2 * l1 * l2))
    alpha = acos((reach_squared + l1**2 - l2**2) / (2 * l1 * sqrt(reach_squared)))
    gamma = np.arctan2(-0.03, 0.14)  # from straight down, positive backward
    assert angles == pytest.approx((0, gamma - sign * alpha, sign * (pi - beta)), abs=1e-12)


@pytest.mark.parametrize("leg", KINDS, ids=ids)
def test_against_the_package_of_modern_robotics(leg):
    """FKinSpace and IKinSpace of `modern-robotics`, the software of Lynch & Park (2017)."""
    joint = np.add(leg.hip, (0, leg.hip_offset, 0))
    knee = joint - (0, 0, leg.upper_length)
    home = np.eye(4)
    home[:3, 3] = knee - (0, 0, leg.lower_length)
    axes = ((1, 0, 0), leg.hip), ((0, 1, 0), joint), ((0, 1, 0), knee)
    screws = np.array([[*axis, *-np.cross(axis, origin)] for axis, origin in axes]).T
    rng = np.random.default_rng(7)
    for _ in range(10):
        angles = within(leg, rng.uniform(0.2, 0.8, 3))
        pose = modern_robotics.FKinSpace(home, screws, angles)
        assert np.allclose(kinematics.forward(leg, angles), pose[:3, 3], rtol=0, atol=1e-12)
        spatial = modern_robotics.JacobianSpace(screws, angles)  # of the point of the body at the origin
        of_the_foot = spatial[3:] + np.cross(spatial[:3], pose[:3, 3], axis=0)
        assert np.allclose(kinematics.jacobian(leg, angles), of_the_foot, rtol=0, atol=1e-12)
        if depth(leg, angles) < -1e-3:
            start = np.array(angles) + rng.uniform(-0.02, 0.02, 3)
            found, converged = modern_robotics.IKinSpace(screws, home, pose, start, 1e-11, 1e-11)
            assert converged
            assert kinematics.inverse(leg, tuple(pose[:3, 3])) == pytest.approx(found, abs=1e-8)


@given(legs, fractions)
def test_jacobian_is_the_derivative_of_forward(leg, fraction):
    angles = np.array(within(leg, fraction))
    step = 1e-5
    numeric = [
        np.subtract(kinematics.forward(leg, angles + d), kinematics.forward(leg, angles - d)) / (2 * step)
        for d in step * np.eye(3)
    ]
    assert np.allclose(kinematics.jacobian(leg, angles), np.transpose(numeric), rtol=0, atol=1e-9)


@pytest.mark.parametrize("leg", ALL_LEGS, ids=lambda leg: leg.name)
def test_batch_equals_scalar(leg):
    rng = np.random.default_rng(11)
    angles = np.array([within(leg, f) for f in rng.uniform(0, 1, (300, 3))])
    assert np.allclose(
        kinematics.points_batch(leg, angles),
        [kinematics.points(leg, row) for row in angles],
        rtol=0,
        atol=1e-15,
    )
    assert np.array_equal(kinematics.forward_batch(leg, angles), kinematics.points_batch(leg, angles)[:, 3])
    one_by_one = [kinematics.jacobian(leg, row) for row in angles]
    assert np.allclose(kinematics.jacobian_batch(leg, angles), one_by_one, rtol=0, atol=1e-15)

    # More rows than one block, of points in reach and out of it.
    many = np.concatenate((kinematics.forward_batch(leg, angles), rng.uniform(-0.3, 0.3, (9000, 3))))
    found, reachable = kinematics.inverse_batch(leg, many)
    assert 100 < reachable.sum() < 9000
    for row, is_reachable, point in zip(found, reachable, many.tolist()):
        if is_reachable:
            assert kinematics.inverse(leg, point) == pytest.approx(row, rel=0, abs=1e-12)
    for point in many[~reachable][::50].tolist():
        with pytest.raises(Unreachable):
            kinematics.inverse(leg, point)


def test_batch_refuses_what_is_not_finite_and_takes_nothing():
    leg = KINDS[0]
    good = kinematics.forward(leg, within(leg, (0.5, 0.5, 0.5)))
    _, reachable = kinematics.inverse_batch(leg, np.array([good, (nan, 0, -0.1), (0, inf, -0.1), (0, 0, -inf)]))
    assert reachable.tolist() == [True, False, False, False]
    angles, reachable = kinematics.inverse_batch(leg, np.empty((0, 3)))
    assert angles.shape == (0, 3)
    assert reachable.shape == (0,)


@pytest.mark.parametrize("number", [nan, inf, -inf])
@pytest.mark.parametrize("axis", range(3))
def test_points_that_are_not_finite_are_refused_in_words(number, axis):
    point = [0.1, 0.1, -0.1]
    point[axis] = number
    with pytest.raises(ValueError, match=r"front_left: foot target .* is not finite: give three finite numbers"):
        kinematics.inverse(KINDS[0], tuple(point))


def test_the_limits_themselves_are_within_reach():
    for leg in ALL_LEGS:
        for corner in np.ndindex(2, 2, 2):
            angles = within(leg, corner)
            if depth(leg, angles) < -1e-3:
                kinematics.inverse(leg, kinematics.forward(leg, angles))
    straight = with_limits(KINDS[0], (-30, 45), (-40, 130), (-160, 0))
    for hip in np.linspace(-0.6, 1.2, 50):
        kinematics.inverse(straight, kinematics.forward(straight, (0.1, hip, 0.0)))


@pytest.mark.parametrize(
    ("knee", "target", "joint", "words"),
    [
        # targets relative to the hip joint hanging at abduction 0; limits of abduction −30..45, hip −40..130
        ((-160, 0), (0, 0, -0.3), "knee", "knee straight"),
        ((-180, 0), (0.0125, 0, -0.001), "knee", "knee fully folded"),
        ((-160, -5), (0, 0, -0.3), "knee", "knee at its upper limit of -5 deg"),
        ((-160, -5), (0, 0, -0.030), "knee", "knee at its lower limit of -160 deg"),
        ((-160, -5), (0.1, -0.02, 0), "abduction", "inside the hip offset"),
        ((-160, -5), (0, -0.150, -0.1), "abduction", "abduction at its lower limit of -30 deg"),
        ((-160, -5), (0, 0.120, 0.0), "abduction", "abduction at its upper limit of 45 deg"),
        ((-160, -5), (0.185, 0, -0.060), "hip", "hip at its lower limit of -40 deg"),
    ],
)
def test_an_unreachable_target_says_what_stops_the_leg(knee, target, joint, words):
    leg = with_limits(KINDS[0], (-30, 45), (-40, 130), knee)
    point = tuple(np.add(kinematics.points(leg, (0, 0, 0))[1], target))
    with pytest.raises(Unreachable, match=words) as caught:
        kinematics.inverse(leg, point)
    error = caught.value
    assert (error.leg, error.target, error.joint) == ("front_left", point, joint)
    assert words in error.limit.split(" and ")


def nearest_by_search(leg: Leg, target: tuple[float, ...], rng: np.random.Generator) -> float:
    """Distance to the nearest reachable point by scipy from many starts; feet above the axis do not count."""
    lower, upper = np.transpose(leg.limits)
    found = inf
    for start in rng.uniform(lower, upper, (16, 3)):
        fit = least_squares(
            lambda a: np.subtract(kinematics.forward(leg, a), target),
            start,
            jac=lambda a: kinematics.jacobian(leg, a),
            bounds=(lower, upper),
            xtol=1e-12,
            ftol=1e-12,
            gtol=1e-12,
        )
        ends = [fit.x]
        if depth(leg, fit.x) > 0:
            ends = [
                minimize(
                    lambda a: 1e3 * np.sum(np.subtract(kinematics.forward(leg, a), target) ** 2),
                    start,
                    bounds=list(leg.limits),
                    constraints={"type": "ineq", "fun": lambda a: -1e2 * depth(leg, a)},
                    options={"ftol": 1e-12, "maxiter": 200},
                ).x
            ]
        for end in ends:
            angles = np.clip(end, lower, upper)
            if depth(leg, angles) <= 1e-9:
                found = min(found, dist(kinematics.forward(leg, angles), target))
    return found


@pytest.mark.parametrize("leg", KINDS, ids=ids)
def test_nothing_reachable_is_nearer_than_the_nearest_point(leg):
    rng = np.random.default_rng(3)
    lower, upper = np.transpose(leg.limits)
    sampled = rng.uniform(lower, upper, (examples(20_000), 3))
    feet = kinematics.forward_batch(leg, sampled)
    feet = feet[[depth(leg, a) <= 0 for a in sampled]]
    compared = 0
    for target in np.add(leg.hip, rng.uniform(-0.3, 0.3, (60, 3))).tolist():
        try:
            kinematics.inverse(leg, tuple(target))
        except Unreachable as error:
            ours = dist(error.nearest, target)
            assert ours <= np.linalg.norm(feet - target, axis=1).min() + 1e-9
            if compared < examples(5):
                assert ours <= nearest_by_search(leg, target, rng) + 1e-6
            compared += 1
    assert compared >= 15


@given(legs, st.tuples(*[st.floats(allow_nan=False, allow_infinity=False)] * 3))
@settings(max_examples=examples(200))
def test_the_nearest_point_is_finite_and_can_be_reached(leg, point):
    try:
        kinematics.inverse(leg, point)
    except Unreachable as error:
        assert all(isfinite(value) for value in (*error.nearest, *error.angles))
        with pytest.raises(Unreachable) as again:
            kinematics.inverse(leg, point)
        assert again.value.nearest == error.nearest
        try:
            kinematics.inverse(leg, error.nearest)
        except Unreachable as edge:  # of a point on the very edge, by rounding
            assert dist(edge.nearest, error.nearest) < 1e-7


@pytest.mark.parametrize("leg", KINDS, ids=ids)
def test_the_nearest_point_moves_smoothly_as_the_target_leaves(leg):
    start = np.array(kinematics.forward(leg, within(leg, (0.5, 0.5, 0.4))))
    outward = start - kinematics.points(leg, within(leg, (0.5, 0.5, 0.4)))[1]
    previous = None
    for way in np.linspace(0, 3, 400):
        target = tuple(start + way * outward)
        try:
            kinematics.inverse(leg, target)
            nearest = target
        except Unreachable as error:
            nearest = error.nearest
        if previous is not None:
            assert dist(nearest, previous) <= 1.5 * 3 / 399 * np.linalg.norm(outward)
        previous = nearest


def test_limits_that_never_put_the_foot_below_the_axis_are_named():
    leg = with_limits(KINDS[0], (-30, 45), (170, 179), (-10, -5))
    with pytest.raises(ValueError, match="front_left: no angles within the joint limits put the foot below"):
        kinematics.inverse(leg, (0.1, 0.1, -0.1))


def test_the_knee_stays_on_its_side_whatever_its_limits():
    leg = with_limits(KINDS[0], (-30, 45), (-90, 130), (-150, 90))
    assert leg.limits[2] == (radians(-150), 0.0)
    forward_kneed = replace(leg, knee_sign=1)
    assert forward_kneed.limits[2] == (0.0, radians(90))
    point = (leg.hip[0], leg.hip[1] + leg.hip_offset, -0.15)
    assert kinematics.inverse(leg, point)[2] < 0 < kinematics.inverse(forward_kneed, point)[2]
    assert sin(kinematics.inverse(leg, point)[1]) > 0


def test_plain_columns_are_those_of_the_jacobian():
    for leg in sample_robots.inspector().legs:
        angles = (0.1, 0.9, -1.4)
        assert np.allclose(
            np.column_stack(kinematics.jacobian_columns(leg, *angles)), kinematics.jacobian(leg, angles), atol=1e-12
        )
