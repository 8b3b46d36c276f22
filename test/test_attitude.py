"""Rotations and dead reckoning against SciPy; attitude against the filters of the package `ahrs`."""

from __future__ import annotations

from dataclasses import replace
from math import degrees, pi

import numpy as np
import pytest
import sample_robots
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from quadleg.dynamics.gravity import STANDARD_GRAVITY as GRAVITY
from quadleg.estimation.attitude import Inertial
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
    found.levelled = True
    push = np.array((0.3, -0.2, 0.1))
    for step in range(1, 101):
        half = Rotation.from_rotvec(np.array(rate) * (step - 0.5) * PERIOD)
        felt = mounted.inv().apply(half.inv().apply(push + UPWARD))
        found.measured(PERIOD, tuple(mounted.inv().apply(rate).tolist()), tuple(felt.tolist()))
    assert np.allclose(
        of(found.quaternion).as_matrix(), Rotation.from_rotvec(np.array(rate) / 2).as_matrix(), atol=1e-9
    )
    assert np.allclose(found.velocity, push / 2, atol=1e-3)
    assert np.allclose(found.place, push / 8, atol=1e-3)


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
