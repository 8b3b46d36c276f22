"""The tilt of the body, against SciPy's rotations."""

from __future__ import annotations

from dataclasses import replace
from math import exp, inf, nan, pi, radians

import numpy as np
import pytest
import sample_robots
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from quadleg.estimation.tilt import Tilt
from quadleg.robot.model import FixedFrame

GRAVITY = 9.80665  # m/s², exact by definition: 3rd CGPM (1901)
IDENTITY = (1.0, 0.0, 0.0, 0.0)
angles = st.floats(-pi, pi)
turns = st.tuples(angles, angles, angles)


def tilt_of(rpy=(0.0, 0.0, 0.0)) -> Tilt:
    """Of a robot with an IMU that is mounted so."""
    robot = sample_robots.inspector()
    return Tilt(replace(robot, frames=(FixedFrame("imu_link", (0.01, 0.0, 0.02), rpy, 0.01),)))


def measured(body: Rotation, mounting) -> tuple[tuple, tuple, float]:
    """What an IMU says of a body at rest, turned so: quaternion (w, x, y, z) and acceleration; and the true tilt."""
    imu = body * Rotation.from_euler("xyz", mounting)
    x, y, z, w = imu.as_quat()
    acceleration = imu.inv().apply((0.0, 0.0, GRAVITY))
    across, along = np.linalg.norm(body.apply((0.0, 0.0, 1.0))[:2]), body.apply((0.0, 0.0, 1.0))[2]
    return (w, x, y, z), tuple(acceleration.tolist()), np.arctan2(across, along)


@given(body=turns, mounting=turns)
def test_both_ways_give_the_angle_between_body_z_and_the_vertical(body, mounting):
    quaternion, acceleration, true = measured(Rotation.from_euler("xyz", body), mounting)
    tilt = tilt_of(mounting)
    # The arc cosine loses half of the digits near 0 and 180°.
    assert tilt.from_orientation(quaternion) == pytest.approx(true, abs=1e-6)
    up = Rotation.from_euler("xyz", body).inv().apply((0.0, 0.0, 1.0))
    assert tilt.up == pytest.approx(up, abs=1e-9)
    assert tilt.from_acceleration(acceleration, 5.0) == pytest.approx(true, abs=1e-6)
    assert tilt.up == pytest.approx(up, abs=1e-9)
    assert tilt.refused == 0


@given(yaw=angles, scale=st.floats(0.1, 10))
def test_heading_and_length_of_the_quaternion_do_not_matter(yaw, scale):
    quaternion, _, _ = measured(Rotation.from_euler("xyz", (0.3, 0.0, yaw)), (0, 0, 0))
    assert tilt_of().from_orientation(tuple(scale * q for q in quaternion)) == pytest.approx(0.3, abs=1e-6)


@pytest.mark.parametrize(("roll", "angle"), [(0.0, 0.0), (pi, pi)])
def test_an_upright_or_upturned_body_is_no_error_of_rounding_however_the_imu_is_mounted(roll, angle):
    """The cosine of the tilt may come out above 1 by rounding."""
    for mounting in np.random.default_rng(0).uniform(-pi, pi, (50, 3)):
        quaternion, acceleration, _ = measured(Rotation.from_euler("x", roll), mounting)
        tilt = tilt_of(mounting)
        assert tilt.from_orientation(quaternion) == pytest.approx(angle, abs=1e-6)
        assert tilt.from_acceleration(acceleration, 0.0) == pytest.approx(angle, abs=1e-6)


def test_known_attitudes():
    tilt = tilt_of()
    assert tilt.up is None
    assert tilt.from_orientation(IDENTITY) == 0.0
    assert tilt.from_orientation((0.0, 1.0, 0.0, 0.0)) == pytest.approx(pi)  # on its back
    assert tilt_of((pi, 0.0, 0.0)).from_orientation((0.0, 1.0, 0.0, 0.0)) == pytest.approx(0, abs=1e-6)
    assert tilt.from_acceleration((0.0, GRAVITY, 0.0), 0.0) == pytest.approx(pi / 2)  # its left side is up


def test_without_the_frame_the_axes_are_those_of_the_body():
    tilt = Tilt(replace(sample_robots.inspector(), frames=()))
    assert tilt.from_orientation(IDENTITY) == 0.0
    assert tilt.from_acceleration((0.0, 0.0, GRAVITY), 0.0) == 0.0


@pytest.mark.parametrize("step", [0.002, 0.05])
def test_the_acceleration_is_low_passed_whatever_the_rate(step):
    tilt = tilt_of()
    tilt.from_acceleration((0.0, 0.0, GRAVITY), 0.0)
    for k in range(1, round(0.5 / step) + 1):
        angle = tilt.from_acceleration((GRAVITY, 0.0, 0.0), k * step)
    # A first-order step response after one time constant, half a second: 1/e of the old is left.
    assert angle == pytest.approx(np.arctan2(1 - exp(-1), exp(-1)))


def test_a_jolt_tips_nothing():
    tilt = tilt_of()
    tilt.from_acceleration((0.0, 0.0, GRAVITY), 0.0)
    assert tilt.from_acceleration((4 * GRAVITY, 0.0, 0.0), 0.01) < radians(10)


BAD = [(nan, 0.0, 0.0), (0.0, inf, 0.0), (inf, -inf, 0.0)]


@pytest.mark.parametrize("bad", BAD)
def test_what_is_not_finite_is_passed_over_and_counted(bad):
    tilt = tilt_of()
    good = tilt.from_acceleration((0.0, 1.0, GRAVITY), 0.0)
    assert tilt.from_acceleration(bad, 0.1) is None
    assert tilt.from_orientation((1.0, *bad)) is None
    assert tilt.refused == 2
    assert tilt.from_acceleration((0.0, 1.0, GRAVITY), 0.2) == pytest.approx(good)


def test_free_fall_to_a_millimetre_a_second_squared_has_no_direction():
    assert tilt_of().from_acceleration((0.0, 0.0, 0.00099), 0.0) is None
    assert tilt_of().from_acceleration((0.0, 0.0, 0.001), 0.0) == 0.0


def test_no_direction_at_all_is_passed_over_and_counted():
    tilt = tilt_of()
    assert tilt.from_orientation((0.0, 0.0, 0.0, 0.0)) is None
    assert tilt.from_acceleration((0.0, 0.0, 0.0), 0.0) is None
    assert tilt.refused == 2
