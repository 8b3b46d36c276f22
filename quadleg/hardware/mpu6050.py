"""The MPU-6050 six-axis inertial sensor: its registers, and the driver that reads them.

Registers and bits: InvenSense, MPU-6000 and MPU-6050 register map (RM-MPU-6000A, rev. 4.2), section 4; noise: product
specification (PS-MPU-6000A, rev. 3.4), section 6.

The chip's axes are those of `imu_link`: how the chip lies in the body is that frame's roll, pitch and yaw.
"""

from __future__ import annotations

import struct
from math import pi, radians, sqrt

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.errors import BoardError
from quadleg.hardware.board import Board
from quadleg.hardware.readings import ImuReading
from quadleg.robot.model import ImuChip

SMPLRT_DIV = 0x19
CONFIG = 0x1A
GYRO_CONFIG = 0x1B
ACCEL_CONFIG = 0x1C
ACCEL_XOUT_H = 0x3B  # three of acceleration, one of temperature, three of the gyro, two bytes each
PWR_MGMT_1 = 0x6B
WHO_AM_I = 0x75

ADDRESSES = range(0x68, 0x6A)  # by its pin AD0
IDENTITY = 0x68  # at either address
SLEEP = 0x40
DEVICE_RESET = 0x80
GYRO_X_CLOCK = 0x01  # the PLL on the gyro's x axis: steadier than the internal oscillator

# From SMPLRT_DIV on: 1000 samples a second; low-pass 3, which ends at 42 Hz (gyro) and 44 Hz (accelerometer) and delays
# by 4.8 and 4.9 ms, as the mean over a hundredth of a second does; full scales of 500 °/s and 4 g.
SET_UP = bytes((0, 3, 1 << 3, 1 << 3))
GYRO_LSB = radians(1) / 65.5  # rad/s
ACCELERATION_LSB = STANDARD_GRAVITY / 8192  # m/s²
BANDWIDTH = 44.0 * pi / 2  # Hz of noise that a low-pass of the first order with that end lets through

# (2, 3): variances of gyro (rad/s)² and accelerometer (m/s²)², by 0.05 °/s and 400 µg/√Hz, without their biases.
VARIANCES = ((radians(0.05) ** 2,) * 3, ((400e-6 * STANDARD_GRAVITY * sqrt(BANDWIDTH)) ** 2,) * 3)

SAMPLE_BYTES = 14
SETTLING = 5  # readings after waking that are thrown away: the gyro takes 30 ms to start (section 6.1)
STUCK = 20  # readings in a row that are the same to the last bit, which noise alone makes impossible

_SAMPLE = struct.Struct(">7h")


class Mpu6050:
    """One MPU-6050 on the board's bus, asleep until `start`; the robot file's bias is taken from its gyro.

    Both methods raise BoardError, in words, where the chip does not answer or answers nonsense; it is then to be
    started again.
    """

    def __init__(self, board: Board, settings: ImuChip) -> None:
        self._board = board
        self._where = f"0x{settings.address:02X}"
        self._bias = settings.gyro_bias
        self._settling = 0
        self._last = b""
        self._equal = 0

    def start(self) -> None:
        identity = self._board.read(WHO_AM_I, 1)[0]
        if identity != IDENTITY:
            raise BoardError(
                f"what answers at {self._where} is no MPU-6050: it says 0x{identity:02X}, where 0x{IDENTITY:02X} would "
                f"be right",
                "check imu.address, SDA, SCL and ground",
            )
        self._board.write(bytes((PWR_MGMT_1, GYRO_X_CLOCK)))
        self._board.write(bytes((SMPLRT_DIV,)) + SET_UP)
        if self._board.read(SMPLRT_DIV, len(SET_UP)) != SET_UP or self._board.read(PWR_MGMT_1, 1)[0] != GYRO_X_CLOCK:
            raise BoardError(
                f"the MPU-6050 at {self._where} does not keep what is written", "check its supply and wires"
            )
        self._settling = SETTLING
        self._last, self._equal = b"", 0

    def read(self) -> ImuReading | None:
        """The latest sample, None where there is no new one yet."""
        sample = self._board.read(ACCEL_XOUT_H, SAMPLE_BYTES)
        if not any(sample):
            # A chip that was without power sleeps, and its registers are empty.
            raise BoardError(
                f"the MPU-6050 at {self._where} sleeps: it was without power, and is woken again", "check its supply"
            )
        if sample == b"\xff" * SAMPLE_BYTES:
            raise BoardError(f"the MPU-6050 at {self._where} says nothing but ones", "check SDA, SCL and its supply")
        if sample == self._last:
            self._equal += 1
            if self._equal >= STUCK:
                raise BoardError(f"the MPU-6050 at {self._where} always says the same", "check its supply")
            return None
        self._last, self._equal = sample, 0
        if self._settling:
            self._settling -= 1
            return None
        ax, ay, az, _, wx, wy, wz = _SAMPLE.unpack(sample)
        bx, by, bz = self._bias
        return ImuReading(
            (GYRO_LSB * wx - bx, GYRO_LSB * wy - by, GYRO_LSB * wz - bz),
            (ACCELERATION_LSB * ax, ACCELERATION_LSB * ay, ACCELERATION_LSB * az),
        )
