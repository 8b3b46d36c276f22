"""Torques that hold the joints still in a pose, on the feet that stand, and those that accelerate the links.

A joint holds the weight of its leg's links against the push of the ground on the foot, each through the transposed
Jacobian of where it acts (Lynch & Park, Modern Robotics, 2017, 5.2 and 8.1). Link masses act at the middle of their
tubes (robot/urdf.py). The ground pushes along the vertical; what the feet push against each other sideways, through
friction, comes on top.

Arrays are for many poses at once. `static_torques` does the same for one pose in plain numbers, which is faster there.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import copysign, cos, sin, sqrt

import numpy as np

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.dynamics.load_sharing import share_weight, share_weight_batch
from quadleg.geometry.arrays import Array
from quadleg.geometry.vectors import UP, Vector, cross, difference, dot
from quadleg.kinematics.leg import points, points_batch
from quadleg.robot.model import Angles, Masses, RobotModel

LegPoints = tuple[Vector, Vector, Vector, Vector]  # see `points` of kinematics/leg.py

BELLY_DOWN = 0.003  # m: nearer to its resting height than this the belly lies on the ground (our own choice)
LIFTED = 0.005  # m over the ground: a foot higher than this does not stand (our own choice)
_SLIVER = 1e-6  # m²: three feet in one line span less


def holding_torques(robot: RobotModel, angles: Array, loads: Array, up: Vector = UP) -> Array:
    """Torques (..., 12) in N·m that hold joints still at `angles` (..., 12) in rad.

    `loads` (..., 4) in N is the push of the ground on each foot along the vertical `up`, a unit vector in base_link.
    """
    return _torques(robot, angles, loads, STANDARD_GRAVITY * np.array(up), None)


def stride_torques(robot: RobotModel, angles: Array, loads: Array, period: float) -> Array:
    """Torques (n, samples, 12) in N·m that move joints through cycles of `angles` (n, samples, 12), upright.

    A cycle is sampled every `period` s and repeats; `loads` (n, samples, 4) in N is the push of the ground on the feet.
    Each link is a mass at its middle; the body itself goes evenly.
    """
    return _torques(robot, angles, loads, STANDARD_GRAVITY * np.array(UP), period)


def cyclic_rate(values: Array, period: float) -> Array:
    """(n, samples, k) the derivative of values that repeat after their samples (s), by central differences."""
    return (np.roll(values, -1, axis=1) - np.roll(values, 1, axis=1)) / (2 * period)


def cyclic_second_rate(values: Array, period: float) -> Array:
    """As `cyclic_rate`, the second derivative."""
    return (np.roll(values, -1, axis=1) - 2 * values + np.roll(values, 1, axis=1)) / period**2


def foot_loads(robot: RobotModel, feet: Array, standing: Sequence[int], centres: Array) -> Array:
    """(..., 4) the ground's push in N on feet (..., 4, 2) of which some stand, with centres of mass (..., 2)."""
    loads = np.zeros(feet.shape[:-1])
    some = feet[..., list(standing), :]
    shares = share_weight_batch(some.reshape(-1, len(standing), 2), centres.reshape(-1, 2))
    loads[..., list(standing)] = shares.reshape(some.shape[:-1])
    return loads * (robot.masses.total * STANDARD_GRAVITY)


def _torques(robot: RobotModel, angles: Array, loads: Array, lift: Array, period: float | None) -> Array:
    """Torques (..., 12). `lift` (3,) in m/s² holds a mass against gravity; `period` of cycles, None: at rest."""
    masses = np.array([robot.masses.abductor, robot.masses.upper, robot.masses.lower])[:, None]
    direction = lift / STANDARD_GRAVITY
    torques = np.empty(angles.shape)
    for i, leg in enumerate(robot.legs):
        own = slice(3 * i, 3 * i + 3)
        places = points_batch(leg, angles[..., own].reshape(-1, 3)).reshape(*angles.shape[:-1], 4, 3) - leg.hip
        origins = places[..., :3, :]
        middles = (origins + places[..., 1:, :]) / 2
        accelerations = lift if period is None else lift + cyclic_second_rate(middles, period)
        forces = masses * accelerations
        push = loads[..., i, None] * direction
        # What each joint holds: the forces on its own link and all after, less the push on the foot.
        force, moment = _beyond(np.broadcast_to(forces, middles.shape)), _beyond(_crossed(middles, forces))
        force = force - push[..., None, :]
        moment = moment - _crossed(places[..., 3, :], push)[..., None, :] - _crossed(origins, force)
        abduction = angles[..., 3 * i, None]
        torques[..., own] = np.cos(abduction) * moment[..., 1] + np.sin(abduction) * moment[..., 2]
        torques[..., 3 * i] = moment[..., 0, 0]
    return torques


def _beyond(values: Array) -> Array:
    """(..., 3, 3) the sums over the links from each of three joints outward."""
    return np.cumsum(values[..., ::-1, :], axis=-2)[..., ::-1, :]


def _crossed(a: Array, b: Array) -> Array:
    """(..., 3) cross products; several times as fast as numpy's."""
    ax, ay, az = a[..., 0], a[..., 1], a[..., 2]
    bx, by, bz = b[..., 0], b[..., 1], b[..., 2]
    return np.stack((ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx), axis=-1)


def static_torques(robot: RobotModel, angles: Angles, up: Vector | None = None) -> tuple[float, ...]:
    """Torques in N·m that hold the robot still at twelve angles (rad), on level ground, on the feet that stand.

    Those feet are the lowest ones along the vertical `up`, a unit vector in base_link. None: it is that of the plane
    that three feet span and none is below. Lying on its belly it weighs on none.
    """
    legs = [points(leg, angles[3 * number : 3 * number + 3]) for number, leg in enumerate(robot.legs)]
    feet = [places[3] for places in legs]
    up = up or _vertical(feet)
    heights = [dot(foot, up) for foot in feet]
    lowest = min(heights)
    shares = [0.0] * len(feet)
    if robot.legs[0].foot_radius - lowest > robot.resting.height + BELLY_DOWN:
        count = sum(height <= lowest + LIFTED for height in heights)
        # On one foot alone nothing stands; a robot that is so near to tipping has a second one that will.
        standing = sorted(range(len(feet)), key=heights.__getitem__)[: max(count, 2)]
        over = _along(_centre_of_mass(robot, legs), up)
        for foot, share in zip(standing, share_weight([_along(feet[foot], up) for foot in standing], over)):
            shares[foot] = share
    weight = robot.masses.total * STANDARD_GRAVITY
    torques: list[float] = []
    for number, places in enumerate(legs):
        torques += _leg_torques(places, angles[3 * number], robot.masses, up, shares[number] * weight)
    return tuple(torques)


def _vertical(feet: Sequence[Vector]) -> Vector:
    """The vertical in base_link: of the most level plane through three feet that has no foot below it."""
    best = UP
    most_level = 0.0
    for a, b, c in combinations(feet, 3):
        x, y, z = cross(difference(b, a), difference(c, a))
        length = copysign(sqrt(x * x + y * y + z * z), z)
        if abs(z) < _SLIVER:
            continue
        normal = x / length, y / length, z / length
        if normal[2] > most_level and min(dot(difference(foot, a), normal) for foot in feet) > -1e-6:
            best, most_level = normal, normal[2]
    return best


def _centre_of_mass(robot: RobotModel, legs: Sequence[LegPoints]) -> Vector:
    """As dynamics/centre_of_mass.py has it, of one pose, in plain numbers."""
    masses = robot.masses
    fixed = sum(frame.mass for frame in robot.frames)
    x, y, z = ((masses.body - fixed) * value for value in robot.body.centre)
    parts = [(frame.mass, frame.position) for frame in robot.frames]
    for hip, outer, knee, foot in legs:
        parts += (
            (masses.abductor, _middle(hip, outer)),
            (masses.upper, _middle(outer, knee)),
            (masses.lower, _middle(knee, foot)),
        )
    for mass, (px, py, pz) in parts:
        x, y, z = x + mass * px, y + mass * py, z + mass * pz
    return x / masses.total, y / masses.total, z / masses.total


def _along(place: Vector, up: Vector) -> tuple[float, float]:
    """Where a plumb line through a place meets the plane of the hips."""
    x, y, z = place
    return x - z * up[0] / up[2], y - z * up[1] / up[2]


def _leg_torques(places: LegPoints, abduction: float, masses: Masses, up: Vector, load: float) -> Vector:
    """Torques of one leg's joints, `up` being the vertical in base_link and `load` (N) the push of the ground."""
    hip, outer, knee, foot = places
    forces = [
        (_middle(hip, outer), -masses.abductor * STANDARD_GRAVITY),
        (_middle(outer, knee), -masses.upper * STANDARD_GRAVITY),
        (_middle(knee, foot), -masses.lower * STANDARD_GRAVITY),
        (foot, load),
    ]
    along, across = (1.0, 0.0, 0.0), (0.0, cos(abduction), sin(abduction))
    return (
        -sum(_moment(along, hip, place, up) * upward for place, upward in forces),
        -sum(_moment(across, outer, place, up) * upward for place, upward in forces[1:]),
        -sum(_moment(across, knee, place, up) * upward for place, upward in forces[2:]),
    )


def _middle(a: Vector, b: Vector) -> Vector:
    return (a[0] + b[0]) / 2, (a[1] + b[1]) / 2, (a[2] + b[2]) / 2


def _moment(axis: Vector, origin: Vector, place: Vector, force: Vector) -> float:
    """About an axis through `origin`, of a force at `place`: axis · (arm × force)."""
    return dot(axis, cross(difference(place, origin), force))
