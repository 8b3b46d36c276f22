"""The estimate of the body with its covariance, and its conversion to nav_msgs/Odometry."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quadleg.estimation.error_state_filter import (
    ACCELERATION_BIAS,
    ATTITUDE,
    GYRO_BIAS,
    POSITION,
    VELOCITY,
    cross_matrix,
    of_foot,
)
from quadleg.geometry.arrays import Array
from quadleg.geometry.rotations import Quaternion, rotation_matrix
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector
from quadleg.health import CodedFact
from quadleg.robot.model import LEGS

BLOCKS = {
    "attitude": ATTITUDE,
    "velocity": VELOCITY,
    "gyro_bias": GYRO_BIAS,
    "acceleration_bias": ACCELERATION_BIAS,
    "position": POSITION,
    **{leg: of_foot(number) for number, leg in enumerate(LEGS)},
}


@dataclass(frozen=True)
class Estimate:
    """State of the body, base_link, in the world: m, m/s, rad/s, and a quaternion (w, x, y, z).

    `velocity` is along the world's axes, `angular_velocity` along the body's; `angular_velocity_noise` is the latter's
    standard deviation, beside the gyro's bias. The rows of `covariance` are named by `BLOCKS`: errors of attitude are
    rotation vectors in the world, others plain differences. `contacts` are the feet that carry, `loads` the forces of
    the ground on them (N, along the world's axes), `innovation` the mean squared normalized innovation of the feet, 1
    being as expected. `troubles` are codes with their figures.
    """

    position: Vector
    quaternion: Quaternion
    velocity: Vector
    angular_velocity: Vector
    angular_velocity_noise: float
    gyro_bias: Vector
    covariance: Array
    contacts: tuple[bool, ...]
    loads: tuple[Vector, ...]
    slipping: tuple[bool, ...]
    innovation: float
    troubles: tuple[CodedFact, ...]


def in_body(estimate: Estimate) -> tuple[Vector, Array, Array]:
    """Return the contents of nav_msgs/Odometry: the velocity (m/s) in base_link, and the (6, 6) covariances of the
    pose in the world and of the twist in base_link, linear before angular."""
    r = np.array(rotation_matrix(estimate.quaternion))
    p = estimate.covariance
    pose_rows = [*range(POSITION.start, POSITION.stop), *range(ATTITUDE.start, ATTITUDE.stop)]
    to_body = np.hstack((cross_matrix(estimate.velocity), np.eye(3)))  # an attitude error rotates the velocity too
    motion = [*range(ATTITUDE.start, ATTITUDE.stop), *range(VELOCITY.start, VELOCITY.stop)]
    twist = np.zeros((6, 6))
    twist[:3, :3] = r.T @ to_body @ p[np.ix_(motion, motion)] @ to_body.T @ r
    twist[3:, 3:] = p[GYRO_BIAS, GYRO_BIAS] + estimate.angular_velocity_noise**2 * np.eye(3)
    x, y, z = (r.T @ np.array(estimate.velocity)).tolist()
    return (x, y, z), p[np.ix_(pose_rows, pose_rows)], twist


def loads_in_body(estimate: Estimate) -> list[list[float]]:
    """The forces of the ground on the feet, (4, 3) N in base_link."""
    rotation = np.array(Pose(estimate.position, estimate.quaternion).matrix)
    return (np.array(estimate.loads) @ rotation).tolist()
