"""Rotations of many moments at once: equal to scipy's, and to those of one moment."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from quadleg.geometry.registration import fit_pose, fit_poses
from quadleg.geometry.rotation_arrays import (
    matrices_from_quaternions,
    quaternion_products,
    rpy_from_matrices,
    rpy_from_quaternions,
    small_rotation_vectors,
    small_rotations_between,
)

COUNT = 200
FEET = np.array([[0.11, 0.09, 0.0], [0.11, -0.09, 0.0], [-0.11, 0.09, 0.0], [-0.11, -0.09, 0.0]])


@pytest.fixture
def random() -> np.random.Generator:
    return np.random.default_rng(3)


def wxyz(turns: Rotation) -> np.ndarray:
    return np.roll(turns.as_quat(), 1, axis=1)


def test_angles_matrices_and_products_are_those_of_scipy(random: np.random.Generator) -> None:
    a, b = (Rotation.random(COUNT, random_state=seed) for seed in random.integers(0, 1000, 2).tolist())
    angles = a.as_euler("xyz")
    assert rpy_from_quaternions(wxyz(a)) == pytest.approx(angles, abs=1e-9)
    assert rpy_from_matrices(a.as_matrix()) == pytest.approx(angles, abs=1e-9)
    assert matrices_from_quaternions(wxyz(a)) == pytest.approx(a.as_matrix(), abs=1e-12)
    assert matrices_from_quaternions(quaternion_products(wxyz(a), wxyz(b))) == pytest.approx((a * b).as_matrix())


def test_small_rotations_are_known_to_the_third_order(random: np.random.Generator) -> None:
    true, vectors = Rotation.random(COUNT, random_state=5), random.normal(0.0, 0.01, (COUNT, 3))
    found = Rotation.from_rotvec(vectors) * true
    assert small_rotations_between(wxyz(found), wxyz(true)) == pytest.approx(vectors, abs=1e-5)
    assert small_rotation_vectors((found * true.inv()).as_matrix()) == pytest.approx(vectors, abs=1e-5)


def test_many_poses_are_fitted_as_each_alone(random: np.random.Generator) -> None:
    in_base = FEET - [0.0, 0.0, 0.15] + random.normal(0.0, 0.01, (COUNT, 4, 3))
    rotations, places = fit_poses(in_base, FEET)
    for k in range(COUNT):
        pose = fit_pose(in_base[k].tolist(), FEET.tolist())
        assert rotations[k] == pytest.approx(np.array(pose.matrix), abs=1e-9)
        assert places[k] == pytest.approx(pose.position, abs=1e-9)
    in_base[3, 2, 1] = np.nan
    rotations, places = fit_poses(in_base, FEET)
    assert np.isnan(rotations[3]).all()
    assert np.isfinite(np.delete(places, 3, axis=0)).all()
