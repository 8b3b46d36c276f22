"""The rigid transform that best fits points to points."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector


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
