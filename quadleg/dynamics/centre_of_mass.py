"""Centre of mass of the whole robot, by the masses of its links: see robot/urdf.py for where each is."""

from __future__ import annotations

import numpy as np

from quadleg.geometry.arrays import Array
from quadleg.geometry.vectors import Vector
from quadleg.kinematics.leg import points_batch
from quadleg.robot.model import Angles, RobotModel


def centre_of_mass(robot: RobotModel, angles: Angles) -> Vector:
    """Of the robot with the joints at twelve angles (rad), in base_link (m)."""
    x, y, z = centre_of_mass_batch(robot, np.array([angles], dtype=float))[0].tolist()
    return x, y, z


def centre_of_mass_batch(robot: RobotModel, angles: Array) -> Array:
    """(n, 3) in base_link (m) for angles (n, 12) in rad. A tube's centre is its middle."""
    masses = robot.masses
    fixed = sum(frame.mass for frame in robot.frames)
    moment = (masses.body - fixed) * np.array(robot.body.centre)
    for frame in robot.frames:
        moment = moment + frame.mass * np.array(frame.position)
    links = np.array([masses.abductor, masses.upper, masses.lower])[:, None]
    moments = np.tile(moment, (len(angles), 1))
    for i, leg in enumerate(robot.legs):
        ends = points_batch(leg, angles[:, 3 * i : 3 * i + 3])
        moments += (links * (ends[:, :-1] + ends[:, 1:]) / 2).sum(axis=1)
    return moments / masses.total
