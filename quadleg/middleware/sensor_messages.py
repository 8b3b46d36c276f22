"""The messages of the board's sensors, with what all of one robot have in common."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite, nan

import numpy as np
from sensor_msgs.msg import BatteryState, Imu

from quadleg.geometry.vectors import Vector
from quadleg.hardware.readings import PowerReading
from quadleg.middleware.topics import nanoseconds
from quadleg.robot.model import Supply

NOT_MEASURED = -1.0  # a first covariance of -1 says so (REP-145)


def imu_message(frame: str, variances: Sequence[Sequence[float]]) -> Imu:
    """Return a message of an IMU in `frame`; `variances` (2, 3) are those of gyro and accelerometer."""
    message = Imu()
    message.header.frame_id = frame
    message.orientation_covariance[0] = NOT_MEASURED
    message.angular_velocity_covariance = np.diag(variances[0]).ravel()
    message.linear_acceleration_covariance = np.diag(variances[1]).ravel()
    return message


def set_motion(message: Imu, gyro: Sequence[float], acceleration: Sequence[float]) -> None:
    """Set the angular rate (rad/s) and the specific force (m/s²), in the IMU's frame."""
    rate, force = message.angular_velocity, message.linear_acceleration
    rate.x, rate.y, rate.z = gyro
    force.x, force.y, force.z = acceleration


def supply_message(supply: Supply) -> BatteryState:
    """Return a message of the servos' supply."""
    return BatteryState(
        # Unknown, as the message's definition wants it said.
        **dict.fromkeys(("temperature", "charge", "capacity", "percentage"), nan),
        design_capacity=supply.battery / 3600 if supply.battery else nan,
        present=True,
    )


def set_supply(message: BatteryState, reading: PowerReading) -> None:
    """Set voltage and current; a reading without a voltage is not measured."""
    # By the message's definition a current that is drawn is negative.
    message.voltage, message.current = reading.voltage, -reading.current
    message.power_supply_status = message.POWER_SUPPLY_STATUS_DISCHARGING * isfinite(reading.voltage)


def supply_of(message: BatteryState) -> tuple[float, float]:
    """Voltage in V, and current in A, positive where it is drawn."""
    return message.voltage, 0.0 - message.current  # a mere minus would make a minus zero


def motion_of(message: Imu) -> tuple[Vector, Vector, float] | None:
    """Angular rate (rad/s), specific force (m/s²), and the stamp in s; None where one of them is not measured."""
    if NOT_MEASURED in (message.angular_velocity_covariance[0], message.linear_acceleration_covariance[0]):
        return None
    w, a = message.angular_velocity, message.linear_acceleration
    return (w.x, w.y, w.z), (a.x, a.y, a.z), 1e-9 * nanoseconds(message.header.stamp)


def variances_of(message: Imu) -> tuple[float, float]:
    """The largest variances of angular rate, (rad/s)², and specific force, (m/s²)²; 0 where they are not known, as all
    zeros say (sensor_msgs/Imu)."""
    rate, force = message.angular_velocity_covariance, message.linear_acceleration_covariance
    found = [max(covariance[0], covariance[4], covariance[8]) for covariance in (rate, force)]
    gyro, acceleration = (float(variance) if isfinite(variance) and variance > 0.0 else 0.0 for variance in found)
    return gyro, acceleration
