"""Rotations as unit quaternions (w, x, y, z), rotation vectors (rad) and matrices, in plain numbers.

A rotation takes vectors given in the rotated frame to the frame that it is expressed in. Formulas: Diebel,
Representing Attitude (2006).
"""

from __future__ import annotations

from math import atan2, cos, hypot, sin, sqrt

from quadleg.geometry.vectors import Vector

Quaternion = tuple[float, float, float, float]


def quaternion_product(a: Quaternion, b: Quaternion) -> Quaternion:
    """Hamilton's product: the rotation `b`, then `a`. Plain numbers, since it runs several times a frame."""
    aw, ax, ay, az = a
    bw, bx, by, bz = b
    # In these brackets a quaternion by its own inverse is exactly no turn.
    return (
        aw * bw - ax * bx - ay * by - az * bz,
        (aw * bx + ax * bw) + (ay * bz - az * by),
        (aw * by + ay * bw) + (az * bx - ax * bz),
        (aw * bz + az * bw) + (ax * by - ay * bx),
    )


def quaternion_from_rotation_vector(vector: Vector) -> Quaternion:
    """The quaternion of a rotation vector."""
    x, y, z = vector
    angle = sqrt(x * x + y * y + z * z)
    s = sin(angle / 2) / angle if angle > 1e-9 else 0.5
    return cos(angle / 2), s * x, s * y, s * z


def rotation_vector(q: Quaternion) -> Vector:
    """The rotation vector, of at most half a turn, of a unit quaternion."""
    w, x, y, z = q if q[0] >= 0.0 else (-q[0], -q[1], -q[2], -q[3])
    s = sqrt(x * x + y * y + z * z)
    scale = 2.0 * atan2(s, w) / s if s > 1e-9 else 2.0
    return scale * x, scale * y, scale * z


def conjugate(q: Quaternion) -> Quaternion:
    """The inverse of a unit quaternion."""
    w, x, y, z = q
    return w, -x, -y, -z


def rotation_matrix(q: Quaternion) -> tuple[Vector, Vector, Vector]:
    """The rotation matrix of a unit quaternion, by rows."""
    w, x, y, z = q
    return (
        (1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)),
        (2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)),
        (2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)),
    )


def level_attitude(acceleration: Vector) -> Quaternion:
    """The attitude without yaw of a body at rest that feels this acceleration (m/s²), which then points up."""
    x, y, z = acceleration
    roll, pitch = atan2(y, z), atan2(-x, hypot(y, z))
    return quaternion_product((cos(pitch / 2), 0.0, sin(pitch / 2), 0.0), (cos(roll / 2), sin(roll / 2), 0.0, 0.0))
