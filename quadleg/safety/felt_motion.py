"""Attitude and rates of the body by its IMU alone, fast enough to see a fall: a complementary filter."""

from __future__ import annotations

from math import inf, isfinite, sqrt

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.estimation.tilt import IMU_FRAME
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import ZERO_VECTOR, Vector
from quadleg.robot.model import RobotModel

LEVEL_TIME = 1.5  # s over which the accelerometer corrects the gyro: some strides (our own choice)
HARD = 0.3  # share of gravity by which a specific force may differ that still tells where up is
RATE_TIME = 0.03  # s: low-pass of the angular rate; three samples of a common IMU
SINK_TIME = 0.5  # s after which a vertical velocity is forgotten: an accelerometer's bias would add up in it
GAP = 0.1  # s between two samples that resets the filter
SETTLE_TIME = 1.0  # s from then until it is used: one accelerometer sample in mid-step gives no vertical


class FeltMotion:
    """By an IMU's samples: the vertical `up` in base_link (unit vector, None before the first sample), the turning
    `rate` (rad/s about x and y of base_link), `yawed` (rad about z, adding up) and the vertical velocity `rising` (m/s,
    forgotten over SINK_TIME).
    """

    def __init__(self, robot: RobotModel) -> None:
        turn = next((frame.rpy for frame in robot.frames if frame.name == IMU_FRAME), ZERO_VECTOR)
        self._to_body = Pose.from_rpy(*ZERO_VECTOR, *turn).matrix
        self._at = self._heard = self._began = -inf
        self.up: Vector | None = None
        self.rate = (0.0, 0.0)
        self.rising = self.yawed = 0.0

    def sample(self, gyro: Vector, acceleration: Vector, stamp: float, now: float) -> None:
        """One sample in the IMU's axes (rad/s, m/s²), taken at `stamp` (s of its own clock) and heard at `now` (s of a
        steady one); what is not finite is left out."""
        if not isfinite(sum(gyro) + sum(acceleration)):
            return
        dt, self._at, self._heard = stamp - self._at, stamp, now
        wx, wy, wz = (r[0] * gyro[0] + r[1] * gyro[1] + r[2] * gyro[2] for r in self._to_body)
        ax, ay, az = (r[0] * acceleration[0] + r[1] * acceleration[1] + r[2] * acceleration[2] for r in self._to_body)
        force = sqrt(ax * ax + ay * ay + az * az)
        if self.up is None or not 0.0 <= dt < GAP:
            if force > (1.0 - HARD) * STANDARD_GRAVITY:
                self.up = ax / force, ay / force, az / force
                self.rate, self.rising, self._began = (0.0, 0.0), 0.0, now
            return
        x, y, z = self.up
        # The vertical as the body sees it turns the other way: u' = -ω × u.
        x, y, z = x + dt * (y * wz - z * wy), y + dt * (z * wx - x * wz), z + dt * (x * wy - y * wx)
        if abs(force / STANDARD_GRAVITY - 1.0) < HARD:
            share = dt / LEVEL_TIME / force
            x, y, z = x + share * (ax - x * force), y + share * (ay - y * force), z + share * (az - z * force)
        length = sqrt(x * x + y * y + z * z)
        self.up = x, y, z = x / length, y / length, z / length
        self.yawed += dt * wz
        share = min(dt / RATE_TIME, 1.0)
        self.rate = self.rate[0] + share * (wx - self.rate[0]), self.rate[1] + share * (wy - self.rate[1])
        self.rising += dt * (ax * x + ay * y + az * z - STANDARD_GRAVITY - self.rising / SINK_TIME)

    def heard(self, now: float) -> bool:
        """Whether IMU samples are fresh and the filter has settled."""
        return now - self._heard < GAP and now - self._began > SETTLE_TIME
