"""What a sensor of each role of sensor_kinds.py returns, whichever chip it is."""

from __future__ import annotations

from typing import NamedTuple

from quadleg.geometry.vectors import Vector


class PowerReading(NamedTuple):
    """Voltage of the servos' supply in V, and the current drawn from it in A."""

    voltage: float
    current: float


class ImuReading(NamedTuple):
    """Angular rate in rad/s and specific force in m/s² (at rest: g, upward), in the chip's axes."""

    gyro: Vector
    acceleration: Vector
