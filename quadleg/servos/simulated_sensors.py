"""The two sensors in memory: they take and give the bytes of the real ones.

Written against the data sheets that the drivers name, not against the drivers. What they feel is asked for when they
are read: a conversion is over by then. The INA226 begins the next when it is asked whether one is ready.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable
from math import degrees, radians
from typing import Protocol, TypeVar

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import ZERO_VECTOR, Vector
from quadleg.hardware import ina226, mpu6050
from quadleg.robot.model import ImuChip, PowerSensor, RobotModel

Motion = tuple[Vector, Vector]  # angular rate in rad/s and specific force in m/s²
Power = tuple[float, float]  # V and A
Felt = TypeVar("Felt")

# At rest on a bench, of one sample: some counts of either sensor (common practice, no source).
GYRO_NOISE = radians(0.05)
ACCELERATION_NOISE = 3e-3 * STANDARD_GRAVITY


class SimulatedChip(Protocol):
    """A chip on a simulated bus, beside the PWM chip."""

    def write(self, message: bytes) -> None:
        """Take a register's address and then data."""

    def read(self, register: int, count: int) -> bytes:
        """Give so many bytes, beginning at a register."""


class SimulatedSensor(SimulatedChip, Protocol[Felt]):
    """A sensor on a simulated bus, which measures what `feel` says. `stuck`: it says for ever what it said last."""

    feel: Callable[[], Felt]
    stuck: bool

    def lose_power(self) -> None:
        """Lose its supply for a moment: its registers are those after a reset."""


class SimulatedIna226:
    """An INA226 that feels the volts and amperes of `feel`, over a shunt in ohm. `stuck`: it converts no more."""

    def __init__(self, shunt: float, feel: Callable[[], Power]) -> None:
        self._shunt = shunt
        self.feel = feel
        self.stuck = False
        self.lose_power()

    def lose_power(self) -> None:
        """A loss of its supply for a moment: its registers are those after a reset."""
        self._registers = {ina226.CONFIGURATION: 0x4127, ina226.CALIBRATION: 0, ina226.MASK_ENABLE: 0}
        self._converted: Power | None = None

    def write(self, message: bytes) -> None:
        register, value = message[0], int.from_bytes(message[1:3], "big")
        if register == ina226.CONFIGURATION and value & 0x8000:
            self.lose_power()
        elif register in self._registers:
            # Bit 15 of the calibration is not used.
            self._registers[register] = value & 0x7FFF if register == ina226.CALIBRATION else value

    def read(self, register: int, count: int) -> bytes:
        return self._word(register).to_bytes(2, "big")[:count]

    def _word(self, register: int) -> int:
        measures = not self.stuck and self._registers[ina226.CONFIGURATION] & 0x0003
        if measures and (register == ina226.MASK_ENABLE or self._converted is None):
            self._converted = self.feel()
        if register == ina226.MASK_ENABLE:
            return self._registers[register] | (0x0008 if measures else 0)
        if register in self._registers:
            return self._registers[register]
        if register in (ina226.MANUFACTURER_ID, ina226.DIE_ID):
            return ina226.IDS[register - ina226.MANUFACTURER_ID]
        voltage, current = self._converted or (0.0, 0.0)
        shunt = min(max(round(current * self._shunt / 2.5e-6), -0x8000), 0x7FFF)
        bus = min(max(round(voltage / 1.25e-3), 0), 0x7FFF)
        amperes = int(shunt * self._registers[ina226.CALIBRATION] / 2048)
        words = {
            ina226.SHUNT_VOLTAGE: shunt,
            ina226.BUS_VOLTAGE: bus,
            ina226.CURRENT: min(max(amperes, -0x8000), 0x7FFF),
            ina226.POWER: min(abs(amperes) * bus // 20000, 0xFFFF),
        }
        return words.get(register, 0) & 0xFFFF


class SimulatedMpu6050:
    """An MPU-6050 that feels the motion of `feel`, in its own axes; `bias` (rad/s) is what its gyro says at rest.

    `stuck`: it says for ever what it said last.
    """

    def __init__(self, feel: Callable[[], Motion], bias: Vector = ZERO_VECTOR) -> None:
        self.feel = feel
        self._bias = bias
        self.stuck = False
        self.lose_power()

    def lose_power(self) -> None:
        """A loss of its supply for a moment: it sleeps, its registers are those after a reset."""
        self._registers = {
            mpu6050.SMPLRT_DIV: 0,
            mpu6050.CONFIG: 0,
            mpu6050.GYRO_CONFIG: 0,
            mpu6050.ACCEL_CONFIG: 0,
            mpu6050.PWR_MGMT_1: mpu6050.SLEEP,
        }
        self._sample = bytes(mpu6050.SAMPLE_BYTES)

    def write(self, message: bytes) -> None:
        for register, value in enumerate(message[1:], message[0]):
            if register == mpu6050.PWR_MGMT_1 and value & mpu6050.DEVICE_RESET:
                self.lose_power()
            elif register in self._registers:
                self._registers[register] = value

    def read(self, register: int, count: int) -> bytes:
        if not self.stuck and not self._registers[mpu6050.PWR_MGMT_1] & mpu6050.SLEEP:
            self._sample = self._convert()
        held = {
            **self._registers,
            mpu6050.WHO_AM_I: mpu6050.IDENTITY,
            **dict(enumerate(self._sample, mpu6050.ACCEL_XOUT_H)),
        }
        return bytes(held.get(register + place, 0) for place in range(count))

    def _convert(self) -> bytes:
        gyro, acceleration = self.feel()
        # Sensitivities of the full scales 0 to 3, in counts per °/s and per g (sections 4.17 and 4.19).
        per_degree = (131.0, 65.5, 32.8, 16.4)[self._registers[mpu6050.GYRO_CONFIG] >> 3 & 3]
        per_g = (16384, 8192, 4096, 2048)[self._registers[mpu6050.ACCEL_CONFIG] >> 3 & 3]
        counts = [
            *(value / STANDARD_GRAVITY * per_g for value in acceleration),
            (25.0 - 36.53) * 340,  # °C (section 4.18)
            *(degrees(value + bias) * per_degree for value, bias in zip(gyro, self._bias)),
        ]
        return struct.pack(">7h", *(min(max(round(count), -0x8000), 0x7FFF) for count in counts))


def at_rest(robot: RobotModel, seed: int) -> Callable[[], Motion]:
    """What an IMU in a level robot at rest feels, with noise by `seed`, in the axes of its `imu_link`."""
    noise = random.Random(seed)
    rpy = next((frame.rpy for frame in robot.frames if frame.name == "imu_link"), ZERO_VECTOR)
    up = Pose.from_rpy(*ZERO_VECTOR, *rpy).matrix[2]  # of the body, in the sensor's axes

    def feel() -> Motion:
        gx, gy, gz = (noise.gauss(0.0, GYRO_NOISE) for _ in range(3))
        ax, ay, az = (STANDARD_GRAVITY * axis + noise.gauss(0.0, ACCELERATION_NOISE) for axis in up)
        return (gx, gy, gz), (ax, ay, az)

    return feel


# By the robot file's `kind`, as in hardware/sensor_kinds.py: each with its settings and what it feels.
SIMULATED_SUPPLY_SENSORS: dict[str, Callable[[PowerSensor, Callable[[], Power]], SimulatedSensor[Power]]] = {
    "ina226": lambda settings, feel: SimulatedIna226(settings.shunt, feel),
}
SIMULATED_IMUS: dict[str, Callable[[ImuChip, Callable[[], Motion]], SimulatedSensor[Motion]]] = {
    "mpu6050": lambda settings, feel: SimulatedMpu6050(feel, settings.gyro_bias),
}
