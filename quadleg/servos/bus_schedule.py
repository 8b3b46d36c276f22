"""When the sensors have the bus: between two frames, as often as the frames leave time for."""

from __future__ import annotations

from math import ceil
from typing import Any, NamedTuple

from quadleg.hardware.bus_timing import frame_messages
from quadleg.hardware.sensor_kinds import IMU, SUPPLY, SensorRole
from quadleg.robot.model import RobotModel
from quadleg.servos.board_kinds import board_kind

IMU_RATE = 100.0  # Hz: what the estimator is made for
SUPPLY_PERIOD = 0.04  # s, a little more than the sensor takes for a mean
IMU_SHARE, ANY_SHARE = 0.5, 0.75  # of what a frame leaves of its period: for the IMU, and for all readings of a gap


class Turns(NamedTuple):
    """In each control period so many readings of the IMU, in every so-manieth one of the supply; 0: none.

    `together` where a reading of both fits between two frames; else the supply's takes the IMU's place. `rate` is that
    of the IMU in Hz.
    """

    imu: int
    supply_every: int
    together: bool
    rate: float


def bus_times(robot: RobotModel) -> tuple[float, float, float]:
    """s that the bus has of a whole frame, a reading of the IMU and one of the supply; 0 for what is not there."""
    timing = board_kind(robot.board.kind).timing(robot.board)

    def seconds(role: SensorRole[Any]) -> float:
        kind = role.kind(robot)
        return sum(map(timing.read, kind.reads)) if kind else 0.0

    return timing.frame(frame_messages(robot)).line, seconds(IMU), seconds(SUPPLY)


def turns(robot: RobotModel, period: float) -> Turns:
    """What the bus allows beside a frame in each period (s)."""
    frame, imu, supply = bus_times(robot)
    left = period - frame
    readings = min(ceil(IMU_RATE * period - 1e-9), int(IMU_SHARE * left / imu)) if imu and left > 0 else 0
    every = max(1, ceil(SUPPLY_PERIOD / period - 1e-9)) if supply < ANY_SHARE * left else 0
    return Turns(readings, every, imu + supply < ANY_SHARE * left, readings / period)
