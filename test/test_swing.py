"""The path of a foot in the air: at rest at both ends, continuous, and slower at its fastest than textbook paths."""

from __future__ import annotations

from math import cos, pi, sin

import numpy as np
import pytest
import sample_robots
from hypothesis import given
from hypothesis import strategies as st
from sample_robots import BOTH, ROBOTS
from scipy.interpolate import CubicHermiteSpline

from quadleg.gait.swing import OVER, RAMP, advance, advance_batch, lift, lift_batch, towards
from quadleg.kinematics.leg import inverse_batch, jacobian_batch

SHARES = np.linspace(0, 1, 2001)
numbers = st.floats(-1, 1)


@pytest.mark.parametrize("path", [advance, lift])
def test_a_foot_leaves_and_meets_the_ground_at_rest(path):
    assert path(0.0) == (0.0, 0.0)
    place, rate = path(1.0)
    assert (place, rate) == pytest.approx((1.0 if path is advance else 0.0, 0.0), abs=1e-12)


def test_the_foot_is_at_its_clearance_halfway_and_never_above_nor_below_the_ground():
    assert lift(0.5) == pytest.approx((1.0, 0.0), abs=1e-12)
    heights = lift_batch(SHARES)
    assert heights.min() >= 0
    assert heights.max() == pytest.approx(1.0)
    assert np.allclose(heights, heights[::-1], rtol=0, atol=1e-12)


def test_the_way_over_the_ground_goes_ahead_only_and_ends_before_the_foot_comes_down():
    way = advance_batch(SHARES)
    assert (np.diff(way[SHARES < OVER]) > 0).all()
    assert (way[SHARES >= OVER] == 1.0).all()
    assert lift(OVER)[0] > 0.04


@pytest.mark.parametrize("path", [advance, lift])
def test_rates_are_the_derivatives_and_continuous(path):
    rates = np.array([path(share)[1] for share in SHARES])
    step = 1e-6
    numeric = [(path(s + step)[0] - path(s - step)[0]) / (2 * step) for s in SHARES[1:-1]]
    assert np.allclose(rates[1:-1], numeric, rtol=0, atol=1e-4)
    # A jump would show as a difference that does not get less with the step: 1/2000 of the time in the air.
    assert np.abs(np.diff(rates)).max() < 2.1 * 3.2 / 0.2 / 2000


@given(st.floats(0, 1))
def test_batch_equals_scalar(share):
    assert advance_batch(np.array([share]))[0] == pytest.approx(advance(share)[0], abs=1e-12)
    assert lift_batch(np.array([share]))[0] == pytest.approx(lift(share)[0], abs=1e-12)


@given(numbers, numbers, numbers, st.floats(0.05, 2), st.floats(0, 1))
def test_towards_is_the_cubic_of_scipy(place, speed, end, seconds, share):
    curve = CubicHermiteSpline([0, seconds], [place, end], [speed, 0])
    dt = share * seconds
    assert towards(place, speed, end, seconds, dt) == pytest.approx((float(curve(dt)), float(curve(dt, 1))), abs=1e-9)


@given(numbers, numbers, numbers, st.integers(2, 40))
def test_towards_in_many_steps_is_the_same_curve(place, speed, end, count):
    dt = 1 / count
    x, v = place, speed
    for k in range(count):
        x, v = towards(x, v, end, 1 - k * dt, dt)
        whole = towards(place, speed, end, 1.0, (k + 1) * dt)
        assert (x, v) == pytest.approx(whole, abs=1e-9)
    assert (x, v) == pytest.approx((end, 0.0), abs=1e-12)
    assert towards(x, v, end, 0.01, 0.02) == (end, 0.0)


# The least peak joint speed


def minimum_jerk(share: float) -> float:
    """Flash & Hogan, J. Neuroscience 5 (1985) 1688: 10 s³ − 15 s⁴ + 6 s⁵."""
    return share**3 * (10 - 15 * share + 6 * share * share)


def cycloid(share: float) -> float:
    return share - sin(2 * pi * share) / (2 * pi)


PROFILES = {
    "ours": (lambda s: advance(s)[0], lambda s: lift(s)[0]),
    "minimum jerk": (minimum_jerk, lambda s: minimum_jerk(2 * min(s, 1 - s))),
    "minimum jerk, one polynomial up and down": (minimum_jerk, lambda s: 64 * (s * (1 - s)) ** 3),
    "cycloid": (cycloid, lambda s: (1 - cos(2 * pi * s)) / 2),
}


def peaks(robot, gait, speed: float, profile: str) -> tuple[float, float]:
    """The highest joint speed in rad/s and acceleration in rad/s² of the legs' swings at a forward speed in m/s."""
    over, up = PROFILES[profile]
    seconds = (1 - gait.duty_factor) * gait.stride_period
    half = speed * gait.duty_factor * gait.stride_period / 2  # of the stance: in base_link the foot goes this far
    share = np.linspace(0, 1, 301)
    way, height = np.array([over(s) for s in share]), np.array([up(s) for s in share])
    fastest = hardest = 0.0
    for leg, home in zip(robot.legs, robot.standing.feet):
        x = home[0] - half + (2 * half + speed * seconds) * way - speed * seconds * share
        z = home[2] + gait.foot_clearance * height - robot.standing.height
        angles, reached = inverse_batch(leg, np.stack((x, np.full_like(x, home[1]), z), axis=1))
        assert reached.all()
        speeds = np.gradient(angles, seconds / 300, axis=0)
        fastest = max(fastest, np.abs(speeds).max())
        hardest = max(hardest, np.abs(np.gradient(speeds, seconds / 300, axis=0)).max())
    return fastest, hardest


@pytest.mark.parametrize("other", [name for name in PROFILES if name != "ours"])
@pytest.mark.parametrize(("gait", "speed"), [("creep", 0.08), ("trot", 0.2)])
@BOTH
def test_the_fastest_joint_is_slower_than_on_a_textbook_path(robot, gait, speed, other):
    own, _ = peaks(robot, robot.gait(gait), speed, "ours")
    theirs, _ = peaks(robot, robot.gait(gait), speed, other)
    assert own < 0.85 * theirs


def test_a_servo_frame_fits_into_the_ramp():
    """Faster ramps would ask for an acceleration that the frames of a hobby servo, 20 ms, cannot carry."""
    for robot in ROBOTS:
        for gait in robot.gaits:
            assert RAMP * (1 - gait.duty_factor) * gait.stride_period >= 0.02


def test_speeds_found_so_are_those_of_the_jacobian():
    """The measure itself: joint speeds by differences against the inverse of the Jacobian."""
    robot = sample_robots.inspector()
    leg = robot.legs[0]
    points = np.array([[0.089, 0.090, -0.142], [0.0891, 0.090, -0.1421]])
    angles, _ = inverse_batch(leg, points)
    found = np.linalg.solve(jacobian_batch(leg, angles)[0], points[1] - points[0])
    assert np.allclose(np.diff(angles, axis=0)[0], found, rtol=2e-2, atol=1e-6)
