"""Rotations of many moments at once: equal to scipy's, and to those of one moment."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from quadleg.geometry.registration import fit_pose, fit_poses, fit_rotation
from quadleg.geometry.rotation_arrays import (
    axis_aligned_rotations,
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


def test_the_axis_aligned_rotations_are_those_of_the_octahedron() -> None:
    ours = {tuple(matrix.astype(int).ravel()) for matrix in axis_aligned_rotations()}
    theirs = {tuple(matrix.round().astype(int).ravel()) for matrix in Rotation.create_group("O").as_matrix()}
    assert ours == theirs
    assert len(ours) == 24


@pytest.mark.parametrize("others", [1, 2, 5])
def test_a_rotation_from_directions_is_scipys_with_all_weight_on_the_first(
    others: int, random: np.random.Generator
) -> None:
    for _ in range(20):
        rotated = random.normal(size=(others + 1, 3))
        fixed = Rotation.random(random_state=random.integers(1000)).apply(rotated)
        fixed += 0.1 * random.normal(size=fixed.shape)
        rotated /= np.linalg.norm(rotated, axis=1)[:, None]
        fixed /= np.linalg.norm(fixed, axis=1)[:, None]
        pairs = [(tuple(a), tuple(b)) for a, b in zip(rotated.tolist(), fixed.tolist())]
        found = fit_rotation(pairs[0], pairs[1:])
        # A finite weight, since scipy takes infinite ones from 1.11 on.
        weighted, _ = Rotation.align_vectors(fixed, rotated, weights=[1e7] + [1.0] * others)
        assert np.array(found.matrix) == pytest.approx(weighted.as_matrix(), abs=1e-5)
        assert np.array(found.matrix) @ rotated[0] == pytest.approx(fixed[0], abs=1e-12)


def test_directions_along_the_first_give_no_rotation() -> None:
    with pytest.raises(ValueError, match="say nothing of the turn"):
        fit_rotation(((0, 0, 1), (1, 0, 0)), [((0, 0, -2), (0, 1, 0))])
