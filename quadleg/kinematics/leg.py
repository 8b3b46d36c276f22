"""One leg in closed form: forward and inverse kinematics and the Jacobian, scalar and batch.

Abduction turns about +x at `leg.hip`; hip and knee turn about +y in the plane of the leg, which stands
`leg.hip_offset` beside the abduction axis. The foot centre in that plane, z < 0 being below the axis, is

    x = −l1 sin h − l2 sin(h + k),    z = −l1 cos h − l2 cos(h + k),

and the plane is turned about x by the abduction. The inverse is the law of cosines (Lynch & Park, Modern
Robotics, 2017, ch. 6), abduction and hip from one atan2 each. Points are in base_link (m), angles in rad.
"""

from __future__ import annotations

from math import acos, atan2, cos, isfinite, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from quadleg.errors import Unreachable
from quadleg.geometry.arrays import Array
from quadleg.geometry.vectors import Vector
from quadleg.kinematics.nearest_point import nearest
from quadleg.robot.model import Angles, Leg

_BLOCK = 8192  # rows: few calls of numpy, and temporaries that stay in the cache


def points(leg: Leg, angles: Angles) -> tuple[Vector, Vector, Vector, Vector]:
    """Origin of the abduction axis, hip joint, knee and foot centre."""
    abduction, hip, knee = angles
    x0, y0, z0 = leg.hip
    d, l1, l2 = leg.hip_offset, leg.upper_length, leg.lower_length
    sa, ca = sin(abduction), cos(abduction)
    knee_x, knee_z = -l1 * sin(hip), -l1 * cos(hip)
    x, z = knee_x - l2 * sin(hip + knee), knee_z - l2 * cos(hip + knee)
    y1, z1 = y0 + d * ca, z0 + d * sa
    return (
        leg.hip,
        (x0, y1, z1),
        (x0 + knee_x, y1 - knee_z * sa, z1 + knee_z * ca),
        (x0 + x, y1 - z * sa, z1 + z * ca),
    )


def forward(leg: Leg, angles: Angles) -> Vector:
    """The foot centre."""
    return points(leg, angles)[3]


def inverse(leg: Leg, point: Vector) -> Vector:
    """The angles (abduction, hip, knee) that put the foot centre at `point`, within the joint limits.

    The foot is below its abduction axis and the knee on the side of `leg.knee_sign`.

    Raises Unreachable, with the nearest point that can be reached, and ValueError for a point not finite.
    """
    x, y, z = point
    x0, y0, z0, d, l1, l2, knee_sign, squares, product, a0, a1, h0, h1, k0, k1 = leg.constants
    x -= x0
    y -= y0
    z -= z0
    below = y * y + z * z - d * d
    cosine = (x * x + below - squares) / product
    # Rounding alone must not refuse a point of the very edge; a NaN fails every comparison.
    if below >= -1e-15 and -1.0 - 1e-12 <= cosine <= 1.0 + 1e-12:
        cosine = -1.0 if cosine < -1.0 else 1.0 if cosine > 1.0 else cosine
        foot = -sqrt(below) if below > 0.0 else 0.0
        along = l1 + l2 * cosine
        across = knee_sign * l2 * sqrt(1.0 - cosine * cosine)
        abduction = atan2(z * d - y * foot, y * d + z * foot)
        hip = atan2(across * foot - along * x, -along * foot - across * x)
        knee = knee_sign * acos(cosine)
        if a0 <= abduction <= a1 and h0 <= hip <= h1 and k0 <= knee <= k1:
            return abduction, hip, knee
    if not (isfinite(x) and isfinite(y) and isfinite(z)):
        raise ValueError(f"{leg.name}: foot target {point} is not finite: give three finite numbers in m")
    angles, joint, limit = nearest(leg, (x, y, z))
    raise Unreachable(leg.name, point, forward(leg, angles), angles, joint, limit)


def jacobian(leg: Leg, angles: Angles) -> Array:
    """(3, 3): velocity of the foot centre in base_link (rows) per rad/s of each joint (columns)."""
    return jacobian_batch(leg, np.array([angles], dtype=float))[0]


def jacobian_columns(leg: Leg, abduction: float, hip: float, knee: float) -> tuple[Vector, Vector, Vector]:
    """The columns of `jacobian`, in plain floats."""
    d, l1, l2 = leg.hip_offset, leg.upper_length, leg.lower_length
    sa, ca = sin(abduction), cos(abduction)
    lower_x, lower_z = -l2 * sin(hip + knee), -l2 * cos(hip + knee)
    x, z = lower_x - l1 * sin(hip), lower_z - l1 * cos(hip)
    return (
        (0.0, -d * sa - z * ca, d * ca - z * sa),
        (z, x * sa, -x * ca),
        (lower_z, lower_x * sa, -lower_x * ca),
    )


def points_batch(leg: Leg, angles: Array) -> Array:
    """(n, 4, 3) from angles (n, 3): the rows of `points` for each row of angles."""
    abduction, hip, shank = angles[:, 0], angles[:, 1], angles[:, 1] + angles[:, 2]
    sa, ca = np.sin(abduction), np.cos(abduction)
    result = np.empty((len(angles), 4, 3))
    result[:] = leg.hip
    result[:, 1:, 1] += (leg.hip_offset * ca)[:, None]
    result[:, 1:, 2] += (leg.hip_offset * sa)[:, None]
    for length, angle, row in ((leg.upper_length, hip, 2), (leg.lower_length, shank, 3)):
        z = -length * np.cos(angle)
        result[:, row:, 0] -= (length * np.sin(angle))[:, None]
        result[:, row:, 1] -= (z * sa)[:, None]
        result[:, row:, 2] += (z * ca)[:, None]
    return result


def forward_batch(leg: Leg, angles: Array) -> Array:
    """(n, 3) foot centres from angles (n, 3)."""
    return points_batch(leg, angles)[:, 3]


def inverse_batch(leg: Leg, points: Array) -> tuple[Array, NDArray[np.bool_]]:
    """`inverse` for points (n, 3): angles (n, 3) and whether each row is reachable (n,).

    The angles of a row that is not reachable, or not finite, mean nothing.
    """
    angles = np.empty((len(points), 3))
    reachable = np.empty(len(points), dtype=bool)
    work = np.empty((10, min(_BLOCK, len(points))))
    with np.errstate(all="ignore"):
        for start in range(0, len(points), _BLOCK):
            rows = slice(start, start + _BLOCK)
            _inverse_block(leg, points[rows], angles[rows], reachable[rows], work)
    return angles, reachable


def _inverse_block(leg: Leg, points: Array, angles: Array, reachable: NDArray[np.bool_], work: Array) -> None:
    """One block of `inverse_batch`, into `angles` and `reachable`; in place, since memory is the limit."""
    x0, y0, z0, d, l1, l2, knee_sign, squares, product, a0, a1, h0, h1, k0, k1 = leg.constants
    x, y, z, below, foot, cosine, along, across, s, t = work[:, : len(points)]
    np.subtract(points[:, 0], x0, out=x)
    np.subtract(points[:, 1], y0, out=y)
    np.subtract(points[:, 2], z0, out=z)

    np.multiply(y, y, out=below)
    below += np.multiply(z, z, out=t)
    below -= d * d
    np.multiply(x, x, out=cosine)
    cosine += below
    cosine -= squares
    cosine /= product
    np.greater_equal(below, -1e-15, out=reachable)
    reachable &= np.abs(cosine, out=t) <= 1.0 + 1e-12

    np.clip(cosine, -1.0, 1.0, out=cosine)
    np.maximum(below, 0.0, out=foot)
    np.sqrt(foot, out=foot)  # downward
    np.multiply(cosine, l2, out=along)
    along += l1
    np.multiply(cosine, cosine, out=across)
    np.subtract(1.0, across, out=across)
    np.sqrt(across, out=across)
    across *= knee_sign * l2

    np.multiply(z, d, out=s)
    s += np.multiply(y, foot, out=t)
    y *= d
    z *= foot
    y -= z
    np.arctan2(s, y, out=s)
    reachable &= (s >= a0) & (s <= a1)
    angles[:, 0] = s

    np.multiply(along, foot, out=s)
    s -= np.multiply(across, x, out=t)
    across *= foot
    along *= x
    across += along
    np.negative(across, out=across)
    np.arctan2(across, s, out=s)
    reachable &= (s >= h0) & (s <= h1)
    angles[:, 1] = s

    np.arccos(cosine, out=s)
    s *= knee_sign
    reachable &= (s >= k0) & (s <= k1)
    angles[:, 2] = s


def jacobian_batch(leg: Leg, angles: Array) -> Array:
    """(n, 3, 3) from angles (n, 3), each as `jacobian`."""
    abduction, hip, shank = angles[:, 0], angles[:, 1], angles[:, 1] + angles[:, 2]
    d, l1, l2 = leg.hip_offset, leg.upper_length, leg.lower_length
    sa, ca = np.sin(abduction), np.cos(abduction)
    lower_x, lower_z = -l2 * np.sin(shank), -l2 * np.cos(shank)
    x, z = lower_x - l1 * np.sin(hip), lower_z - l1 * np.cos(hip)
    result = np.empty((len(angles), 3, 3))
    result[:, :, 0] = np.stack((np.zeros_like(x), -d * sa - z * ca, d * ca - z * sa), axis=1)
    result[:, :, 1] = np.stack((z, x * sa, -x * ca), axis=1)
    result[:, :, 2] = np.stack((lower_z, lower_x * sa, -lower_x * ca), axis=1)
    return result
