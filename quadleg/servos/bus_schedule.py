"""When sensors are read: between two frames, as often as the frames leave time."""

from __future__ import annotations

from math import ceil
from typing import Any, NamedTuple

from quadleg.hardware.bus_timing import frame_messages
from quadleg.hardware.sensor_kinds import IMU, SUPPLY, SensorRole
from quadleg.robot.model import RobotModel
from quadleg.servos.board_kinds import board_kind

IMU_RATE = 100.0  # Hz: what the estimator is made for
SUPPLY_PERIOD = 0.04  # s, a little more than the sensor averages over
IMU_SHARE, ANY_SHARE = (
    0.5,
    0.75,
)  # of the time that a frame leaves of its period: for the IMU, and for all reads of one gap


class Turns(NamedTuple):
    """`imu` reads of the IMU per control period; the supply is read every `supply_every` periods (0: never).

    `together`: one read of both fits between two frames; else the supply's read replaces the IMU's. `rate` is the
    IMU's in Hz.
    """

    imu: int
    supply_every: int
    together: bool
    rate: float


def bus_times(robot: RobotModel) -> tuple[float, float, float]:
    """Return the bus time in s of a whole frame, a read of the IMU and a read of the supply; 0 without that sensor."""
    timing = board_kind(robot.board.kind).timing(robot.board)

    def seconds(role: SensorRole[Any]) -> float:
        kind = role.kind(robot)
        return sum(map(timing.read, kind.reads)) if kind else 0.0

    return timing.frame(frame_messages(robot)).line, seconds(IMU), seconds(SUPPLY)


def turns(robot: RobotModel, period: float) -> Turns:
    """Return how often the bus can read the sensors beside one frame per period (s)."""
    frame, imu, supply = bus_times(robot)
    left = period - frame
    readings = min(ceil(IMU_RATE * period - 1e-9), int(IMU_SHARE * left / imu)) if imu and left > 0 else 0
    every = max(1, ceil(SUPPLY_PERIOD / period - 1e-9)) if supply < ANY_SHARE * left else 0
    return Turns(readings, every, imu + supply < ANY_SHARE * left, readings / period)
