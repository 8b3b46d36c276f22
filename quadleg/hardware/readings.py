"""What sensors read, whichever chip it is."""

from __future__ import annotations

from typing import NamedTuple

from quadleg.geometry.vectors import Vector


class PowerReading(NamedTuple):
    """What the servos' supply gives: V, and A that are drawn."""

    voltage: float
    current: float


class ImuReading(NamedTuple):
    """Angular rate in rad/s and specific force in m/s² (at rest g up), in the chip's axes."""

    gyro: Vector
    acceleration: Vector
