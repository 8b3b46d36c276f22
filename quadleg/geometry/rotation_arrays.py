"""Rotations of many moments at once, as numpy arrays: unit quaternions (n, 4), w first, and matrices (n, 3, 3).

The same conventions as in rotations.py; angles in rad about fixed x, y, z as in REP-103.
"""

from __future__ import annotations

from itertools import permutations, product

import numpy as np

from quadleg.geometry.arrays import AnyArray, Array


def rpy_from_quaternions(quaternions: AnyArray) -> AnyArray:
    """(n, 3) in rad: roll, pitch, yaw."""
    w, x, y, z = quaternions.astype(float).T
    roll = np.arctan2(2 * (w * x + y * z), 1 - 2 * (x * x + y * y))
    pitch = np.arcsin(np.clip(2 * (w * y - x * z), -1.0, 1.0))
    return np.column_stack((roll, pitch, np.arctan2(2 * (w * z + x * y), 1 - 2 * (y * y + z * z))))


def rpy_from_matrices(rotations: AnyArray) -> AnyArray:
    """(n, 3) in rad: roll, pitch, yaw."""
    pitch = -np.arcsin(np.clip(rotations[:, 2, 0], -1.0, 1.0))
    roll = np.arctan2(rotations[:, 2, 1], rotations[:, 2, 2])
    return np.column_stack((roll, pitch, np.arctan2(rotations[:, 1, 0], rotations[:, 0, 0])))


def matrices_from_quaternions(quaternions: AnyArray) -> AnyArray:
    """(n, 3, 3) the same rotations."""
    w, x, y, z = quaternions.T
    rows = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
        [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
        [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
    ]
    return np.moveaxis(np.array(rows), -1, 0)


def quaternion_products(a: AnyArray, b: AnyArray) -> AnyArray:
    """(n, 4): the rotations `b`, then `a`."""
    (aw, ax, ay, az), (bw, bx, by, bz) = a.T, b.T
    return np.column_stack(
        (
            aw * bw - ax * bx - ay * by - az * bz,
            aw * bx + ax * bw + ay * bz - az * by,
            aw * by - ax * bz + ay * bw + az * bx,
            aw * bz + ax * by - ay * bx + az * bw,
        )
    )


def small_rotations_between(found: AnyArray, true: AnyArray) -> AnyArray:
    """(n, 3): the rotation vectors from `true` to `found` quaternions, to the third order of their angles."""
    turn = quaternion_products(found, true * [1.0, -1.0, -1.0, -1.0])
    return 2 * turn[:, :1] * turn[:, 1:]


def small_rotation_vectors(rotations: AnyArray) -> AnyArray:
    """(n, 3): the rotation vectors of matrices near the unit matrix, to the third order of their angles."""
    r = rotations
    return np.column_stack((r[:, 2, 1] - r[:, 1, 2], r[:, 0, 2] - r[:, 2, 0], r[:, 1, 0] - r[:, 0, 1])) / 2


def axis_aligned_rotations() -> Array:
    """(24, 3, 3): all rotations that turn each axis into an axis, to either side."""
    turned = [np.diag(signs) @ np.eye(3)[list(order)] for order in permutations(range(3)) for signs in _SIGNS]
    return np.array([matrix for matrix in turned if np.linalg.det(matrix) > 0.0])


_SIGNS = tuple(product((1.0, -1.0), repeat=3))
