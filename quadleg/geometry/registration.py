"""The rigid transform that best fits points to points, of one moment and of many; the rotation that best fits
directions to directions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from transforms3d.quaternions import mat2quat

from quadleg.geometry.arrays import Array
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import ZERO_VECTOR, Vector


def fit_pose(in_base: Sequence[Vector], feet: Sequence[Vector]) -> Pose:
    """The pose of base_link that best fits foot centres in base_link to the same feet in base_footprint.

    Least squares over three feet or more that are not in one line, by the greatest eigenvector of a matrix of their
    products: Horn, J. Opt. Soc. Am. A 4 (1987) 629.
    """
    base, ground = np.asarray(in_base, dtype=float), np.asarray(feet, dtype=float)
    base_centre, ground_centre = base.sum(axis=0) / len(base), ground.sum(axis=0) / len(ground)
    (xx, xy, xz), (yx, yy, yz), (zx, zy, zz) = ((base - base_centre).T @ (ground - ground_centre)).tolist()
    _, vectors = np.linalg.eigh(
        (
            (xx + yy + zz, yz - zy, zx - xz, xy - yx),
            (yz - zy, xx - yy - zz, xy + yx, zx + xz),
            (zx - xz, xy + yx, yy - xx - zz, yz + zy),
            (xy - yx, zx + xz, yz + zy, zz - xx - yy),
        )
    )
    w, x, y, z = vectors[:, 3].tolist()
    turn = Pose((0.0, 0.0, 0.0), (w, x, y, z) if w > 0.0 else (-w, -x, -y, -z))
    px, py, pz = (ground_centre - turn.matrix @ base_centre).tolist()
    return Pose((px, py, pz), turn.quaternion)


def fit_poses(in_base: NDArray[Any], feet: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Rotations (n, 3, 3) and places (n, 3) of base_link, as `fit_pose`, for feet (n, 4, 3) of n moments.

    NaN where a foot is not finite. Least squares by singular values: Umeyama, IEEE PAMI 13 (1991) 376.
    """
    feet = np.broadcast_to(feet, in_base.shape).astype(float)
    known = np.isfinite(in_base).all(axis=(1, 2)) & np.isfinite(feet).all(axis=(1, 2))
    rotations, places = np.full((len(in_base), 3, 3), np.nan), np.full((len(in_base), 3), np.nan)
    base, ground = in_base[known], feet[known]
    base_centre, ground_centre = base.mean(axis=1), ground.mean(axis=1)
    products = (ground - ground_centre[:, None]).transpose(0, 2, 1) @ (base - base_centre[:, None])
    left, _, right = np.linalg.svd(products)
    left[:, :, 2] *= np.linalg.det(left @ right)[:, None]  # a rotation, and no reflection
    rotations[known] = turned = left @ right
    places[known] = ground_centre - (turned @ base_centre[..., None])[..., 0]
    return rotations, places


def fit_rotation(first: tuple[Vector, Vector], others: Sequence[tuple[Vector, Vector]]) -> Pose:
    """The rotation that takes a direction to another exactly, and further ones as nearly as it then can.

    Each pair is a direction in the rotated frame, and the same in the frame that it is expressed in, of any length; of
    the others, their parts across the first count. Wahba's problem (SIAM Review 7 (1965) 409) with all of the weight on
    the first pair; with one other it is TRIAD: Black, AIAA J. 2 (1964) 1350. Raises ValueError where no other is across
    the first, so that the turn about it is unknown.
    """
    rotated, fixed = (_frame_along(direction) for direction in first)
    turn = sum(
        _complex_across(rotated, given).conjugate() * _complex_across(fixed, expressed) for given, expressed in others
    )
    if abs(turn) < 1e-12:
        raise ValueError(f"the directions {others} say nothing of the turn about {first[1]}")
    c, s = turn.real / abs(turn), turn.imag / abs(turn)
    about = np.array(((1.0, 0.0, 0.0), (0.0, c, -s), (0.0, s, c)))
    w, x, y, z = mat2quat(fixed.T @ about @ rotated).tolist()
    return Pose(ZERO_VECTOR, (w, x, y, z))


def _frame_along(direction: Vector) -> Array:
    """(3, 3): the rows of a right-handed frame whose first axis is along a direction."""
    along = np.asarray(direction) / np.linalg.norm(direction)
    aside = np.cross(along, np.eye(3)[np.argmin(np.abs(along))])
    aside /= np.linalg.norm(aside)
    return np.array((along, aside, np.cross(along, aside)))


def _complex_across(frame: Array, direction: Vector) -> complex:
    """The part of a direction, brought to unit length, across the first axis of a frame."""
    _, aside, up = frame @ direction / np.linalg.norm(direction)
    return complex(aside, up)
