"""When the sensors have the bus: between two frames, as often as the frames leave time for."""

from __future__ import annotations

from math import ceil
from typing import NamedTuple

from quadleg.hardware.i2c_board import transfer_clocks
from quadleg.hardware.mpu6050 import SAMPLE_BYTES
from quadleg.robot.model import RobotModel

IMU_RATE = 100.0  # Hz: what the estimator is made for
SUPPLY_PERIOD = 0.04  # s, a little more than the sensor takes for a mean
IMU_SHARE, ANY_SHARE = 0.5, 0.75  # of what a frame leaves of its period: for the IMU, and for all readings of a gap

FRAME_DATA = 48  # twelve channels of four registers
SUPPLY_WORDS = 3  # registers of a reading of the supply
# Behind a microcontroller, on the serial line, requests and replies: see serial_board.py and firmata.py.
SERIAL_FRAME, SERIAL_IMU, SERIAL_SUPPLY = 137, 44, SUPPLY_WORDS * 20
BITS_PER_BYTE = 10


class Turns(NamedTuple):
    """In each control period so many readings of the IMU, in every so-manieth one of the supply; 0: none.

    `together` where a reading of both fits between two frames; else the supply's takes the IMU's place. `rate` is that
    of the IMU in Hz.
    """

    imu: int
    supply_every: int
    together: bool
    rate: float


def bus_times(robot: RobotModel, messages: int) -> tuple[float, float, float]:
    """s that the bus has of a whole frame of so many messages, of a reading of the IMU, and of one of the supply."""
    board = robot.board
    if board.kind == "serial":
        frame, imu, supply = (BITS_PER_BYTE * count / board.baud for count in (SERIAL_FRAME, SERIAL_IMU, SERIAL_SUPPLY))
        return frame, imu, supply
    frame_clocks = transfer_clocks(messages, messages + FRAME_DATA)
    # The register's address, then what it holds, in one transaction.
    imu_clocks, word_clocks = transfer_clocks(2, 1 + SAMPLE_BYTES), transfer_clocks(2, 1 + 2)
    return (
        frame_clocks / board.bus_speed,
        imu_clocks / board.bus_speed,
        SUPPLY_WORDS * word_clocks / board.bus_speed,
    )


def turns(robot: RobotModel, period: float, messages: int) -> Turns:
    """What the bus allows beside a frame of so many messages in each period (s)."""
    frame, imu, supply = bus_times(robot, messages)
    left = period - frame
    readings = min(ceil(IMU_RATE * period - 1e-9), int(IMU_SHARE * left / imu)) if left > 0 else 0
    every = max(1, ceil(SUPPLY_PERIOD / period - 1e-9)) if supply < ANY_SHARE * left else 0
    return Turns(readings, every, imu + supply < ANY_SHARE * left, readings / period)
