"""Rotations and dead reckoning against SciPy; attitude against the filters of the package `ahrs`."""

from __future__ import annotations

from dataclasses import replace
from math import degrees, inf, nan, pi

import numpy as np
import pytest
import sample_robots
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from quadleg.dynamics.gravity import STANDARD_GRAVITY as GRAVITY
from quadleg.estimation.attitude import BEHIND, FROZEN, Inertial
from quadleg.geometry.rotations import (
    conjugate,
    level_attitude,
    quaternion_from_rotation_vector,
    rotation_matrix,
    rotation_vector,
)
from quadleg.robot.model import FixedFrame

STILL = (0.0, 0.0, 0.0)
UPWARD = (0.0, 0.0, GRAVITY)
PERIOD = 0.005
vectors = st.tuples(*[st.floats(-1.7, 1.7)] * 3)  # shorter than half a turn
tilts = st.tuples(st.floats(-pi, pi), st.floats(-1.5, 1.5))


def of(q) -> Rotation:
    w, x, y, z = q
    return Rotation.from_quat((x, y, z, w))


def inertial(rpy=STILL) -> Inertial:
    """Of a robot with an IMU that is mounted so."""
    return Inertial(replace(sample_robots.inspector(), frames=(FixedFrame("imu_link", (0.01, 0.0, 0.02), rpy, 0.01),)))


@given(vectors)
def test_rotation_vectors_are_scipys(vector):
    q = quaternion_from_rotation_vector(vector)
    assert np.allclose(of(q).as_matrix(), Rotation.from_rotvec(vector).as_matrix(), atol=1e-12)
    assert np.allclose(rotation_vector(q), vector, atol=1e-9)
    assert np.allclose(rotation_matrix(conjugate(q)), Rotation.from_rotvec(vector).inv().as_matrix(), atol=1e-12)


@given(tilts)
def test_level_attitude_finds_roll_and_pitch(tilt):
    body = Rotation.from_euler("xy", tilt)
    found = of(level_attitude(tuple(body.inv().apply(UPWARD).tolist())))
    assert np.allclose(found.inv().apply(UPWARD), body.inv().apply(UPWARD), atol=1e-9)
    assert found.as_matrix()[1, 0] == pytest.approx(0.0, abs=1e-9)  # no yaw


@given(mounting=vectors, rate=vectors)
def test_dead_reckoning_follows_a_body_that_turns_and_speeds_up(mounting, rate):
    """Constant turning and a constant force in the world: SciPy's rotation, and the parabola of free fall."""
    mounted = Rotation.from_euler("xyz", mounting)
    found = inertial(mounting)
    found.take(0.0, STILL, STILL)
    found.levelled = True
    push = np.array((0.3, -0.2, 0.1))
    for step in range(1, 101):
        half = Rotation.from_rotvec(np.array(rate) * (step - 0.5) * PERIOD)
        felt = mounted.inv().apply(half.inv().apply(push + UPWARD))
        felt[0] += 1e-12 * step  # a sensor that repeats itself would be taken for frozen
        found.take(step * PERIOD, tuple(mounted.inv().apply(rate).tolist()), tuple(felt.tolist()))
    assert np.allclose(
        of(found.quaternion).as_matrix(), Rotation.from_rotvec(np.array(rate) / 2).as_matrix(), atol=1e-9
    )
    assert np.allclose(found.velocity, push / 2, atol=1e-3)
    assert np.allclose(found.place, push / 8, atol=1e-3)
    assert found.integrated == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("gyro", "acceleration"),
    [((nan, 0.0, 0.0), UPWARD), (STILL, (0.0, inf, 0.0)), ((0.0, 41.0, 0.0), UPWARD), (STILL, (0.0, 0.0, 300.0))],
)
def test_a_sample_that_no_imu_can_mean_is_refused_and_counted(gyro, acceleration):
    found = inertial()
    found.take(0.0, STILL, UPWARD)
    assert not found.take(PERIOD, gyro, acceleration)
    assert found.refused == 1
    assert found.integrated == 0.0
    assert found.take(2 * PERIOD, STILL, UPWARD)  # stands for the one that was lost as well
    assert found.integrated == pytest.approx(2 * PERIOD)


def test_old_samples_are_refused_until_it_is_clear_that_the_clock_was_put_back():
    found = inertial()
    found.take(10.0, STILL, UPWARD)
    taken = [found.take(5.0 + k * PERIOD, (1e-3 * k, 0.0, 0.0), UPWARD) for k in range(BEHIND + 10)]
    assert taken.index(True) == BEHIND + 1
    assert all(taken[BEHIND + 1 :])
    assert found.refused == BEHIND


def test_a_gap_is_not_bridged_and_is_counted():
    found = inertial()
    found.take(0.0, STILL, UPWARD)
    assert not found.take(3.0, (1.0, 0.0, 0.0), UPWARD)
    assert (found.integrated, found.jumps) == (0.0, 1)


def test_a_sensor_that_repeats_itself_is_taken_for_frozen_until_it_moves():
    found = inertial()
    for k in range(FROZEN + 5):
        found.take(k * PERIOD, (0.1, 0.0, 0.0), UPWARD)
    assert found.frozen
    assert found.integrated < (FROZEN + 1) * PERIOD
    found.take(1.0, (0.1, 0.0, 1e-4), UPWARD)
    assert not found.frozen


def test_attitude_is_no_worse_than_that_of_other_filters_on_the_same_data():
    """Against `ahrs` (Madgwick, Mahony, extended Kalman filter), each with its own default gains, while trotting.

    All begin level; what ours knows besides is the legs. Roll and pitch alone: none of them knows yaw.
    """
    pytest.importorskip("mujoco", reason="mujoco does not import: install the extra `sim`")
    filters = pytest.importorskip("ahrs", reason="ahrs does not import: install the extra `test`").filters
    from physics_walks import EstimateErrors, recorded, replayed

    run = recorded("trot", (0.15, 0.0, 0.0), 8.0, 1)
    samples = [sample for tick in run.ticks for sample in tick.imu]
    gyro = np.array([sample.gyro for sample in samples])
    acceleration = np.array([sample.acceleration for sample in samples])
    each = len(run.ticks[0].imu)
    rate = each / (run.ticks[1].time - run.ticks[0].time)
    ours = EstimateErrors(run, replayed(run)).tilt
    for name, arguments in {
        "Madgwick": {"gain_imu": 0.033},
        "Mahony": {},
        "EKF": {"frame": "ENU"},
    }.items():
        found = getattr(filters, name)(
            gyr=gyro, acc=acceleration, frequency=rate, q0=np.array(level_attitude(tuple(acceleration[0]))), **arguments
        ).Q[each - 1 :: each]
        errors = []
        for q, tick in list(zip(found, run.ticks))[run.walk :]:
            # Where the vertical is in the body does not depend on yaw.
            up, true = of(q).inv().apply((0.0, 0.0, 1.0)), tick.rotation.inv().apply((0.0, 0.0, 1.0))
            errors.append(np.cross(up, true)[:2])
        theirs = degrees(float(np.sqrt((np.array(errors) ** 2).mean(axis=0)).max()))
        print(f"tilt, deg rms: ours {ours:.3f}, {name} {theirs:.3f}")
        assert ours <= theirs


def test_one_stamp_that_comes_early_makes_no_later_sample_a_lost_one():
    inertial = Inertial(sample_robots.inspector())
    times = [0.01 * n for n in range(1, 400)]
    times[50] -= 0.0095
    for n, moment in enumerate(times):
        inertial.take(moment, (0.001 * (n % 7), 0.0, 0.0), (0.0, 0.0, GRAVITY))
    assert inertial.interpolated < 0.02
