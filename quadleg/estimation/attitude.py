"""Dead reckoning by an IMU alone: attitude, velocity and place.

Quaternions are (w, x, y, z) of the body against the world, whose z is up; rotation vectors are in rad.
"""

from __future__ import annotations

from math import sqrt

from quadleg.dynamics.gravity import STANDARD_GRAVITY as GRAVITY
from quadleg.estimation.tilt import IMU_FRAME
from quadleg.geometry.rotations import (
    Quaternion,
    level_attitude,
    quaternion_from_rotation_vector,
    quaternion_product,
    rotation_matrix,
)
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import ZERO_VECTOR, Vector
from quadleg.robot.model import FixedFrame, RobotModel

BUMP_TIME = 0.1  # s: low-pass of the published specific force


class Inertial:
    """Dead reckoning by an IMU: attitude, and velocity and place of the IMU in the world.

    The samples are in the axes of the IMU, which the robot file's `imu_link` gives (none: those of base_link). Biases
    are in the axes of base_link.
    """

    def __init__(self, robot: RobotModel) -> None:
        level = FixedFrame(IMU_FRAME, ZERO_VECTOR, ZERO_VECTOR, 0.0)
        frame = next((frame for frame in robot.frames if frame.name == IMU_FRAME), level)
        self.arm: Vector = frame.position
        self._mounting = None if frame.rpy == ZERO_VECTOR else Pose.from_rpy(*ZERO_VECTOR, *frame.rpy).matrix
        self.quaternion: Quaternion = (1.0, 0.0, 0.0, 0.0)
        self.velocity: Vector = ZERO_VECTOR
        self.place: Vector = ZERO_VECTOR
        self.gyro_bias: Vector = ZERO_VECTOR
        self.acceleration_bias: Vector = ZERO_VECTOR
        self.angular_velocity: Vector = ZERO_VECTOR  # rad/s in base_link, without bias
        self.specific_force: Vector | None = None  # m/s² in base_link (at rest: g, upward), smoothed
        self.velocity_increment: Vector = (
            ZERO_VECTOR  # m/s in base_link, the integral of the specific force since it was last zero
        )
        self.turn_increment: Vector = ZERO_VECTOR  # rad in base_link, the same of the angular velocity
        self.levelled = False

    def measured(self, dt: float, gyro: Vector, acceleration: Vector) -> None:
        """Integrate one sample over `dt` s: rad/s and m/s², in the axes of the IMU."""
        if self._mounting:
            gx, gy, gz = gyro
            ax, ay, az = acceleration
            (a, b, c), (d, e, f), (g, h, i) = self._mounting
            gyro = a * gx + b * gy + c * gz, d * gx + e * gy + f * gz, g * gx + h * gy + i * gz
            acceleration = a * ax + b * ay + c * az, d * ax + e * ay + f * az, g * ax + h * ay + i * az
        bx, by, bz = self.acceleration_bias
        ax, ay, az = acceleration[0] - bx, acceleration[1] - by, acceleration[2] - bz
        if self.specific_force is None:
            self.specific_force = (ax, ay, az)
        share = min(dt / BUMP_TIME, 1.0)
        fx, fy, fz = self.specific_force
        self.specific_force = fx + share * (ax - fx), fy + share * (ay - fy), fz + share * (az - fz)
        if not self.levelled:
            self.quaternion, self.levelled = level_attitude(acceleration), True
        bx, by, bz = self.gyro_bias
        self.angular_velocity = gyro[0] - bx, gyro[1] - by, gyro[2] - bz
        self.go(dt, self.angular_velocity, (ax, ay, az))

    def go(self, dt: float, angular_velocity: Vector, acceleration: Vector) -> None:
        """Integrate `dt` s with constant angular velocity (rad/s) and specific force (m/s²), both in base_link."""
        wx, wy, wz = angular_velocity
        ax, ay, az = acceleration
        before = self.quaternion
        # The specific force is taken at half of the rotation (midpoint rule).
        w, x, y, z = quaternion_product(before, (1.0, dt * wx / 4, dt * wy / 4, dt * wz / 4))
        (a, b, c), (d, e, f), (g, h, i) = rotation_matrix((w, x, y, z))
        vx, vy, vz = self.velocity
        ix, iy, iz = self.velocity_increment
        self.velocity_increment = ix + dt * ax, iy + dt * ay, iz + dt * az
        ix, iy, iz = self.turn_increment
        self.turn_increment = ix + dt * wx, iy + dt * wy, iz + dt * wz
        dx = dt * (a * ax + b * ay + c * az)
        dy = dt * (d * ax + e * ay + f * az)
        dz = dt * (g * ax + h * ay + i * az - GRAVITY)
        px, py, pz = self.place
        self.place = px + dt * (vx + dx / 2), py + dt * (vy + dy / 2), pz + dt * (vz + dz / 2)
        self.velocity = vx + dx, vy + dy, vz + dz
        w, x, y, z = quaternion_product(before, quaternion_from_rotation_vector((dt * wx, dt * wy, dt * wz)))
        norm = sqrt(w * w + x * x + y * y + z * z)
        self.quaternion = w / norm, x / norm, y / norm, z / norm
