"""The error-state filter behind the odometry: the body by its IMU, and the standing feet as landmarks.

The feet in contact are landmarks after Bloesch et al. (Robotics: Science and Systems 2012). The errors are those of
the right-invariant form of Hartley, Ghaffari, Eustice & Grizzle (Int. J. Robotics Research 39 (2020) 402); both from
memory. With them the measurement of a foot does not depend on the state, so yaw and place stay unobservable. Unlike
there, feet are relative to the IMU, along the world's axes, so that no number grows with the distance walked.

An error is estimate less truth. That of attitude is a rotation vector in the world, R_estimate = exp(θ) R. Those of
velocity and feet are what remains after that rotation, v_estimate = exp(θ) v + ξ. Others are plain differences.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, sin, sqrt

import numpy as np

from quadleg.dynamics.gravity import STANDARD_GRAVITY as GRAVITY
from quadleg.estimation.attitude import Inertial
from quadleg.geometry.arrays import Array
from quadleg.geometry.rotations import (
    level_attitude,
    quaternion_from_rotation_vector,
    quaternion_product,
    rotation_matrix,
)
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import ZERO_VECTOR, Vector
from quadleg.robot.model import LEGS, RobotModel

# Rows of the covariance.
ATTITUDE, VELOCITY, GYRO_BIAS, ACCELERATION_BIAS, POSITION = (slice(i, i + 3) for i in range(0, 15, 3))
FEET = slice(15, 27)
YAW = 2
KEPT = slice(8, 11)  # gyro bias about the vertical, and accelerometer bias along the ground
SIZE = 27

# Of the squared normalized innovation of a vector of three: 1 in 10 000 sound ones exceeds it (chi-square, 3 degrees of
# freedom). Judges slip (contact.py), bounds what adapts a foot's noise (stance_feet.py), and judges the velocity of a
# still body (credibility.py).
OUTLIER_GATE = 21.1

# Standard deviations of a cheap MEMS part with some margin (common practice, no source), and initial uncertainties.
GYRO_NOISE = 2e-4  # rad/s/√Hz
ACCELERATION_NOISE = 3e-3  # m/s²/√Hz
GYRO_BIAS_WALK = 5e-6  # rad/s/√s
ACCELERATION_BIAS_WALK = 2e-5  # m/s²/√s
# The gyro's bias is up to 2 °/s, evenly spread.
FIRST_TILT, FIRST_VELOCITY, FIRST_GYRO_BIAS, FIRST_ACCELERATION_BIAS = 0.1, 0.01, 0.02, 0.028
LEVELLED = 0.005  # rad: tilt by the smoothed acceleration of a body that lies still, its bias apart
TURNS, SHAKES = 0.15, 1.0  # rad/√s, m/s/√s: random motion of a walking body while the IMU is silent

_ONE = np.eye(3)


def of_foot(leg: int) -> slice:
    """The rows of one leg's foot."""
    return slice(15 + 3 * leg, 18 + 3 * leg)


class ErrorStateFilter:
    """The state (`inertial` and `feet`, (4, 3) m) of one robot, and the covariance `p` of its error, (27, 27)."""

    def __init__(self, robot: RobotModel) -> None:
        self.inertial = Inertial(robot)
        self.gyro_noise, self.acceleration_noise = GYRO_NOISE, ACCELERATION_NOISE
        self.feet: Array = np.zeros((len(LEGS), 3))
        self.p: Array = np.zeros((SIZE, SIZE))
        deviations = np.zeros(SIZE)
        deviations[:12] = np.repeat((FIRST_TILT, FIRST_VELOCITY, FIRST_GYRO_BIAS, FIRST_ACCELERATION_BIAS), 3)
        deviations[2] = 0.0  # yaw is counted from here on
        self.p[np.diag_indices(SIZE)] = deviations**2
        self._phi: Array = np.eye(SIZE)
        self._noise: Array = np.zeros((SIZE, 6))
        # Diagonals in them, by what they are multiplied with: views, to be written through.
        self._place_by_velocity, self._feet_by_velocity = _diagonal(self._phi, POSITION), _diagonal(self._phi, FEET)
        self._attitude_by_turn = np.einsum("ii->i", self._noise[ATTITUDE, :3])
        self._velocity_by_shake = _diagonal(self._noise, VELOCITY)
        self._place_by_shake, self._feet_by_shake = _diagonal(self._noise, POSITION), _diagonal(self._noise, FEET)
        self._place = ZERO_VECTOR

    # Prediction

    def take_noise(self, gyro: float, acceleration: float, step: float) -> None:
        """Take the variances that the IMU reports, (rad/s)² and (m/s²)², of samples that are `step` s apart.

        They only raise the noise: on a robot, vibration adds to that of a good sensor.
        """
        self.gyro_noise = max(GYRO_NOISE, sqrt(gyro * step))
        self.acceleration_noise = max(ACCELERATION_NOISE, sqrt(acceleration * step))

    def predict(self, measured: float, interpolated: float, blind: float) -> None:
        """Propagate the covariance after `inertial`, which advanced by so many s with samples of the IMU, over lost
        samples, and without any."""
        dt = measured + interpolated + blind
        x0, y0, z0 = self._place
        x, y, z = self._place = self.inertial.place
        self.feet -= (x - x0, y - y0, z - z0)
        if dt <= 0.0:
            return
        r = dt * np.array(rotation_matrix(self.inertial.quaternion))
        v, feet = cross_matrix(self.inertial.velocity), _crosses(self.feet)
        phi, noise = self._phi, self._noise
        phi[ATTITUDE, GYRO_BIAS] = phi[VELOCITY, ACCELERATION_BIAS] = -r
        phi[VELOCITY, GYRO_BIAS] = -(v @ r)
        phi[FEET, GYRO_BIAS] = -(feet @ r)
        phi[3, 1], phi[4, 0] = GRAVITY * dt, -GRAVITY * dt  # g × θ
        phi[POSITION, ATTITUDE] = -dt * v
        self._place_by_velocity[:], self._feet_by_velocity[:] = dt, -dt
        turn = sqrt(self.gyro_noise**2 * measured + TURNS**2 * (interpolated + blind))
        shake = sqrt(self.acceleration_noise**2 * measured + SHAKES**2 * (interpolated + blind))
        self._attitude_by_turn[:], noise[VELOCITY, :3], noise[FEET, :3] = turn, turn * v, turn * feet
        self._velocity_by_shake[:] = shake
        self._place_by_shake[:], self._feet_by_shake[:] = shake * dt / 2, -shake * dt / 2
        self.p = phi @ self.p @ phi.T + noise @ noise.T
        variances = np.einsum("ii->i", self.p)
        variances[GYRO_BIAS] += GYRO_BIAS_WALK**2 * dt
        variances[ACCELERATION_BIAS] += ACCELERATION_BIAS_WALK**2 * dt

    def reset_place(self, place: Vector, deviation: float) -> None:
        """Set the IMU's place in the world (m), with a standard deviation (m) along each axis."""
        self.inertial.place = self._place = place
        self.p[POSITION, :] = 0.0
        self.p[:, POSITION] = 0.0
        self.p[POSITION, POSITION] = deviation**2 * _ONE

    # The feet

    def land(self, leg: int, place: Array, deviation: float) -> None:
        """Start a new landmark: the foot stands where kinematics puts it (m, `deviation` m)."""
        foot = of_foot(leg)
        self.feet[leg] = place
        self.p[foot] = 0.0
        self.p[:, foot] = 0.0
        self.p[foot, foot] = deviation**2 * _ONE

    def drift(self, variances: Array) -> None:
        """Add random motion of the feet, (4,) m²."""
        np.einsum("ii->i", self.p)[FEET] += np.repeat(variances, 3)

    def normalized_innovation(self, leg: int, off: Array, deviation: float) -> float:
        """Return the squared normalized innovation of a foot that is `off` (m) from its landmark."""
        foot = of_foot(leg)
        (a, b, c), (_, d, e), (_, _, f) = self.p[foot, foot].tolist()
        extra = deviation**2
        a, d, f = a + extra, d + extra, f + extra
        x, y, z = off.tolist()
        # The inverse of a symmetric matrix by its cofactors: numpy takes ten times as long for so small a one.
        aa, bb, cc, dd, ee, ff = (
            d * f - e * e,
            c * e - b * f,
            b * e - c * d,
            a * f - c * c,
            b * c - a * e,
            a * d - b * b,
        )
        squares = aa * x * x + dd * y * y + ff * z * z + 2.0 * (bb * x * y + cc * x * z + ee * y * z)
        return float(squares / (a * aa + b * bb + c * cc))

    # Correction

    def correct(self, index: Sequence[int], off: Array, deviation: float, walking: bool = False) -> None:
        """Correct by a measurement that is `off` from rows `index` of the state, each with the same standard deviation.

        `walking`: gyro bias about the vertical and accelerometer bias along the ground are not estimated.
        """
        columns = self.p[:, index]
        s = columns[index]
        np.einsum("ii->i", s)[:] += deviation**2
        gain = np.linalg.solve(s, columns.T).T
        known, change = gain @ columns.T, gain @ off
        if walking:
            # Steady slip would look like these biases: they are considered, not estimated (Schmidt-Kalman filter).
            known[KEPT, KEPT] = change[KEPT] = 0.0
        p = self.p - known
        self.p = (p + p.T) / 2
        ax, ay, az, vx, vy, vz, gx, gy, gz, bx, by, bz, px, py, pz = change[:15].tolist()
        inertial = self.inertial
        turn = quaternion_from_rotation_vector((ax, ay, az))
        inertial.quaternion = quaternion_product(turn, inertial.quaternion)
        matrix = rotation_matrix(turn)
        inertial.velocity = turned(matrix, _sum(inertial.velocity, (vx, vy, vz)))
        inertial.gyro_bias = _sum(inertial.gyro_bias, (gx, gy, gz))
        inertial.acceleration_bias = _sum(inertial.acceleration_bias, (bx, by, bz))
        inertial.place = self._place = _sum(inertial.place, (px, py, pz))
        self.feet = (self.feet + change[FEET].reshape(-1, 3)) @ np.array(matrix).T

    def level(self, yaw: float | None = None) -> None:
        """Level by the measured acceleration, and reset all but place and heading.

        `yaw` (rad) is the heading; None keeps that of the state.
        """
        inertial = self.inertial
        assert inertial.specific_force
        half = (Pose(ZERO_VECTOR, inertial.quaternion).yaw if yaw is None else yaw) / 2
        yaw_variance = self.p[YAW, YAW]
        heading = (cos(half), 0.0, 0.0, sin(half))
        inertial.quaternion = quaternion_product(heading, level_attitude(inertial.specific_force))
        inertial.velocity = ZERO_VECTOR
        self.p[:12] = 0.0
        self.p[:, :12] = 0.0
        for block, deviation in ((VELOCITY, FIRST_VELOCITY), (GYRO_BIAS, FIRST_GYRO_BIAS)):
            self.p[block, block] = deviation**2 * _ONE
        # The accelerometer bias tilts this vertical.
        x, y, _ = np.array(rotation_matrix(inertial.quaternion))
        by_bias = np.array([-y, x, np.zeros(3)]) / GRAVITY
        variance = FIRST_ACCELERATION_BIAS**2
        self.p[ACCELERATION_BIAS, ACCELERATION_BIAS] = variance * _ONE
        self.p[ATTITUDE, ACCELERATION_BIAS] = variance * by_bias
        self.p[ACCELERATION_BIAS, ATTITUDE] = variance * by_bias.T
        self.p[ATTITUDE, ATTITUDE] = variance * (by_bias @ by_bias.T) + LEVELLED**2 * np.diag([1.0, 1.0, 0.0])
        self.p[YAW, YAW] += yaw_variance

    # What is known

    def covariance(self) -> Array:
        """(27, 27), with the error of the velocity as a plain difference too."""
        turn = cross_matrix(self.inertial.velocity)
        result = self.p.copy()
        result[VELOCITY] -= turn @ result[ATTITUDE]
        result[:, VELOCITY] -= result[:, ATTITUDE] @ turn.T
        return result


def cross_matrix(vector: Sequence[float]) -> Array:
    """The matrix of the cross product by a vector from the left."""
    x, y, z = vector
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])


def _diagonal(matrix: Array, block: slice) -> Array:
    """(n, 3) a view of the diagonals of the 3 by 3 matrices in some rows, at columns 3 to 6."""
    return np.einsum("nii->ni", matrix[block, 3:6].reshape(-1, 3, 3))


def _crosses(vectors: Array) -> Array:
    """(3 n, 3): `cross_matrix` of each row of (n, 3), one below the other."""
    result = np.zeros((len(vectors), 3, 3))
    result[:, 2, 1] = vectors[:, 0]
    result[:, 0, 2] = vectors[:, 1]
    result[:, 1, 0] = vectors[:, 2]
    result -= result.transpose(0, 2, 1)
    return result.reshape(-1, 3)


def _sum(a: Vector, b: Vector) -> Vector:
    return a[0] + b[0], a[1] + b[1], a[2] + b[2]


def turned(matrix: tuple[Vector, Vector, Vector], vector: Vector) -> Vector:
    """A vector turned by a rotation matrix, given by rows."""
    x, y, z = vector
    (a, b, c), (d, e, f), (g, h, i) = matrix
    return a * x + b * y + c * z, d * x + e * y + f * z, g * x + h * y + i * z
