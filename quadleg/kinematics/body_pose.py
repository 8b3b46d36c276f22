"""The pose of the body over its feet, and what it asks of the twelve joints.

Feet are foot centres, in the order of `LEGS`; in base_footprint they stay while the body moves.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from quadleg.geometry.arrays import Array, Flags
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector
from quadleg.kinematics import leg as kinematics
from quadleg.robot.model import Angles, BodyBox, RobotModel, Stance


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


def legs_inverse(robot: RobotModel, pose: Pose, feet: Sequence[Vector]) -> tuple[float, ...]:
    """The twelve angles, in the order of `JOINT_NAMES`, that hold the body at `pose` over `feet`.

    Raises Unreachable for the first leg that cannot reach its foot.
    """
    angles: list[float] = []
    for leg, foot in zip(robot.legs, feet_in_base(pose, feet)):
        angles += kinematics.inverse(leg, foot)
    return tuple(angles)


def all_inverse_batch(robot: RobotModel, feet: Array) -> tuple[Array, Flags]:
    """Angles (n, 12) for the foot centres (n, 4, 3) in base_link, and whether all are reachable (n,)."""
    legs = [
        kinematics.inverse_batch(leg, np.ascontiguousarray(feet[:, number])) for number, leg in enumerate(robot.legs)
    ]
    return np.hstack([angles for angles, _ in legs]), np.all([reached for _, reached in legs], axis=0)


def all_forward(robot: RobotModel, angles: Angles) -> tuple[Vector, Vector, Vector, Vector]:
    """The four foot centres in base_link from the twelve angles."""
    front_left, front_right, rear_left, rear_right = robot.legs
    return (
        kinematics.forward(front_left, angles[0:3]),
        kinematics.forward(front_right, angles[3:6]),
        kinematics.forward(rear_left, angles[6:9]),
        kinematics.forward(rear_right, angles[9:12]),
    )


def stance_angles(robot: RobotModel, stance: Stance) -> tuple[float, ...]:
    """The twelve angles of a stance with the body level; raises Unreachable where a leg cannot."""
    return legs_inverse(robot, Pose((0.0, 0.0, stance.height)), stance.feet)


def lowest_of_body(robot: RobotModel, pose: Pose) -> float:
    """Height in m of the body box's lowest corner above the ground."""
    return pose.position[2] + lowest_corner(robot.body, pose.matrix[2])


def lowest_corner(body: BodyBox, up: Vector) -> float:
    """Height in m of the box's lowest corner over base_link, `up` being the vertical in base_link."""
    (x, y, z), (cx, cy, cz), (length, width, height) = up, body.centre, body.size
    return x * cx + y * cy + z * cz - (abs(x) * length + abs(y) * width + abs(z) * height) / 2
