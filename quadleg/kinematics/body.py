"""The pose of the body over its feet, and what it asks of the twelve joints.

Feet are foot centres, in the order of `LEGS`; in base_footprint they stay while the body moves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import atan2, degrees, isfinite, sqrt

import numpy as np
from transforms3d.euler import euler2quat, quat2euler

from quadleg.kinematics import leg as kinematics
from quadleg.robot.model import Angles, Body, Robot, Stance, Vector

Quaternion = tuple[float, float, float, float]


@dataclass(frozen=True)
class Pose:
    """The pose of base_link in base_footprint (or of any frame in another): m, and a quaternion (w, x, y, z).

    The quaternion is brought to unit length. Raises ValueError if it is zero or any number is not finite.
    """

    position: Vector
    quaternion: Quaternion = (1.0, 0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        w, x, y, z = self.quaternion
        norm = sqrt(w * w + x * x + y * y + z * z)
        if not isfinite(sum(self.position) + norm):
            raise ValueError(f"{self!r} is not finite: give finite numbers for position and quaternion")
        if norm < 1e-6:
            raise ValueError(f"the quaternion of {self!r} is zero: (1, 0, 0, 0) is no rotation")
        object.__setattr__(self, "quaternion", (w / norm, x / norm, y / norm, z / norm))

    @classmethod
    def from_rpy(cls, x: float, y: float, z: float, roll: float, pitch: float, yaw: float) -> Pose:
        """Position in m and turns in rad about the fixed axes x, then y, then z, as in a URDF."""
        a, b, c, d = euler2quat(roll, pitch, yaw, "sxyz").tolist()
        return cls((x, y, z), (a, b, c, d))

    @property
    def rpy(self) -> Vector:
        """Roll, pitch and yaw in rad, the inverse of `from_rpy`."""
        roll, pitch, yaw = quat2euler(self.quaternion, "sxyz")
        return float(roll), float(pitch), float(yaw)

    @property
    def yaw(self) -> float:
        """That of `rpy`, in rad."""
        (ahead, _, _), (aside, _, _), _ = self.matrix
        return atan2(aside, ahead)

    def __str__(self) -> str:
        """As a person asks for it: height and shifts in mm, turns in degrees; what is zero is left out."""
        x, y, z = (1000 * value for value in self.position)
        shown = [f"height {z:.1f} mm"]
        shown += [f"{name} {value:+.1f} mm" for name, value in (("x", x), ("y", y)) if abs(value) >= 0.05]
        turns = zip(("roll", "pitch", "yaw"), map(degrees, self.rpy))
        shown += [f"{name} {value:+.1f}°" for name, value in turns if abs(value) >= 0.05]
        return ", ".join(shown)

    @cached_property
    def matrix(self) -> tuple[Vector, Vector, Vector]:
        """The rotation matrix by rows."""
        w, x, y, z = self.quaternion
        return (
            (1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)),
            (2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)),
            (2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)),
        )


def compose(a: Pose, b: Pose) -> Pose:
    """Pose `b`, which is expressed in the frame of `a`, in the frame that `a` is expressed in."""
    x, y, z = b.position
    px, py, pz = (p + r[0] * x + r[1] * y + r[2] * z for p, r in zip(a.position, a.matrix))
    return Pose((px, py, pz), quaternion_product(a.quaternion, b.quaternion))


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


def feet_in_base(pose: Pose, feet: Sequence[Vector]) -> tuple[Vector, Vector, Vector, Vector]:
    """The four foot centres, given in base_footprint, in base_link with the body at `pose`."""
    px, py, pz = pose.position
    (xx, xy, xz), (yx, yy, yz), (zx, zy, zz) = pose.matrix
    result = []
    for foot_x, foot_y, foot_z in feet:
        x, y, z = foot_x - px, foot_y - py, foot_z - pz
        result.append((xx * x + yx * y + zx * z, xy * x + yy * y + zy * z, xz * x + yz * y + zz * z))
    front_left, front_right, rear_left, rear_right = result
    return front_left, front_right, rear_left, rear_right


def legs_inverse(robot: Robot, pose: Pose, feet: Sequence[Vector]) -> tuple[float, ...]:
    """The twelve angles, in the order of `JOINT_NAMES`, that hold the body at `pose` over `feet`.

    Raises Unreachable for the first leg that cannot reach its foot.
    """
    angles: list[float] = []
    for leg, foot in zip(robot.legs, feet_in_base(pose, feet)):
        angles += kinematics.inverse(leg, foot)
    return tuple(angles)


def all_forward(robot: Robot, angles: Angles) -> tuple[Vector, Vector, Vector, Vector]:
    """The four foot centres in base_link from the twelve angles."""
    front_left, front_right, rear_left, rear_right = robot.legs
    return (
        kinematics.forward(front_left, angles[0:3]),
        kinematics.forward(front_right, angles[3:6]),
        kinematics.forward(rear_left, angles[6:9]),
        kinematics.forward(rear_right, angles[9:12]),
    )


def stance_angles(robot: Robot, stance: Stance) -> tuple[float, ...]:
    """The twelve angles of a stance with the body level; raises Unreachable where a leg cannot."""
    return legs_inverse(robot, Pose((0.0, 0.0, stance.height)), stance.feet)


def lowest_of_body(robot: Robot, pose: Pose) -> float:
    """Height in m of the body box's lowest corner above the ground."""
    return pose.position[2] + lowest_corner(robot.body, pose.matrix[2])


def lowest_corner(body: Body, up: Vector) -> float:
    """Height in m of the box's lowest corner over base_link, `up` being the vertical in base_link."""
    (x, y, z), (cx, cy, cz), (length, width, height) = up, body.centre, body.size
    return x * cx + y * cy + z * cz - (abs(x) * length + abs(y) * width + abs(z) * height) / 2


def pose_from_feet(in_base: Sequence[Vector], feet: Sequence[Vector]) -> Pose:
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
