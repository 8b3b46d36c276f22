"""The one table of sensors: what each is for, and the chips that can do it.

A chip added here also needs its simulation in servos/simulated_sensors.py and its entry in
robot_file/robot_file.schema.json. A role added here is read, timed, simulated and published by code that names each
role: see "Add a sensor" in DEVELOPERS.md.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from quadleg.hardware import ina226, mpu6050
from quadleg.hardware.board import Board
from quadleg.hardware.readings import ImuReading, PowerReading
from quadleg.hardware.reconnecting_sensor import Driver, ReconnectingSensor
from quadleg.robot.model import ImuChip, PowerSensor, RobotModel

Reading = TypeVar("Reading")


@dataclass(frozen=True)
class SensorKind(Generic[Reading]):
    """A kind of chip: its driver, made on the chip's `Board.neighbour` by the robot file's settings; `identity`, the
    registers that tell it and the bytes that they hold; `addresses`, those that it can have on the bus; `reads`, the
    bytes of each transaction of a reading.

    Of an IMU `variances` (2, 3) are those of gyro in (rad/s)² and accelerometer in (m/s²)², without their biases; of a
    supply sensor `shunt_range` is the largest voltage in V across its shunt.
    """

    driver: Callable[[Board, Any], Driver[Reading]]
    identity: tuple[tuple[int, bytes], ...]
    addresses: range
    reads: tuple[int, ...]
    variances: Sequence[Sequence[float]] = ()
    shunt_range: float = 0.0


@dataclass(frozen=True)
class SensorRole(Generic[Reading]):
    """What a sensor is for: its section in the robot file, its name in a sentence, the topic that it says, the
    robot's settings of it (None: it has none), and the kinds of chips by the robot file's `kind`."""

    section: tuple[str, ...]
    name: str
    topic: str
    settings: Callable[[RobotModel], PowerSensor | ImuChip | None]
    kinds: Mapping[str, SensorKind[Reading]]

    def kind(self, robot: RobotModel) -> SensorKind[Reading] | None:
        """Return the entry of the robot's chip; None where it has none."""
        settings = self.settings(robot)
        return self.kinds[settings.kind] if settings else None

    def on_bus(self, robot: RobotModel) -> ReconnectingSensor[Reading] | None:
        """Return the robot's sensor, to be read through its board; None where it has none."""
        settings = self.settings(robot)
        if settings is None:
            return None
        driver = self.kinds[settings.kind].driver
        return ReconnectingSensor(lambda board: driver(board.neighbour(settings.address), settings))


SUPPLY: SensorRole[PowerReading] = SensorRole(
    section=("supply", "sensor"),
    name="supply sensor",
    topic="supply",
    settings=lambda robot: robot.supply.sensor,
    kinds={
        "ina226": SensorKind(
            ina226.Ina226,
            identity=tuple(
                (register, value.to_bytes(2, "big"))
                for register, value in zip((ina226.MANUFACTURER_ID, ina226.DIE_ID), ina226.IDS)
            ),
            addresses=ina226.ADDRESSES,
            reads=ina226.READS,
            shunt_range=ina226.SHUNT_RANGE,
        )
    },
)

IMU: SensorRole[ImuReading] = SensorRole(
    section=("imu",),
    name="IMU",
    topic="imu/data",
    settings=lambda robot: robot.imu,
    kinds={
        "mpu6050": SensorKind(
            mpu6050.Mpu6050,
            identity=((mpu6050.WHO_AM_I, bytes((mpu6050.IDENTITY,))),),
            addresses=mpu6050.ADDRESSES,
            reads=(mpu6050.SAMPLE_BYTES,),
            variances=mpu6050.VARIANCES,
        )
    },
)

SENSOR_ROLES: tuple[SensorRole[Any], ...] = (SUPPLY, IMU)


def all_kinds() -> dict[str, SensorKind[Any]]:
    """Return every kind of chip, by its name."""
    return {name: kind for role in SENSOR_ROLES for name, kind in role.kinds.items()}
