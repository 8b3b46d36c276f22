"""The INA226 current and voltage monitor: its registers, and the driver that reads them.

Registers, bits and formulas: Texas Instruments, INA226 data sheet (SBOS547B), sections 6.5 (programming) and 7.1
(register maps).

Wiring: the shunt goes into the positive wire of the servos' supply (high side), IN+ on the supply's end and IN- on the
servos', VBUS to the servos' end; all grounds are one. In the ground wire (low side) it works only where no other wire
joins the servos' ground with the supply's: on most PWM boards the servos' ground is also that of the logic, so that the
computer's ground wire leads around the shunt. Which way round the shunt is does not matter: servos only draw.
"""

from __future__ import annotations

from quadleg.errors import BoardError
from quadleg.hardware.board import Board
from quadleg.hardware.readings import PowerReading
from quadleg.robot.model import PowerSensor

CONFIGURATION = 0x00
SHUNT_VOLTAGE = 0x01
BUS_VOLTAGE = 0x02
POWER = 0x03
CURRENT = 0x04
CALIBRATION = 0x05
MASK_ENABLE = 0x06
MANUFACTURER_ID = 0xFE
DIE_ID = 0xFF

ADDRESSES = range(0x40, 0x50)  # by its pins A0 and A1
IDS = (0x5449, 0x2260)

SHUNT_LSB = 2.5e-6  # V
BUS_LSB = 1.25e-3  # V
SHUNT_RANGE = 0.08192  # V across the shunt: section 7.1.2

# Configuration: bit 14 reads as 1; 16 averages (bits 11-9) of 1.1 ms each for voltage (8-6) and current (5-3), both
# without end (2-0). A reading is the mean over 35 ms, almost two pulses of a servo, and there are 28 a second.
MEASURING = 0x4000 | 2 << 9 | 4 << 6 | 4 << 3 | 7

# Mask/enable: conversion ready on the alert pin, which goes nowhere; the bit is ours to tell a chip that was reset.
READY_ON_ALERT = 0x0400
CONVERSION_READY = 0x0008  # since this register was last read
_FLAGS = 0x001C  # what the chip itself sets: alert function, conversion ready, overflow

READS = (2, 2, 2)  # bytes of the transactions of a reading: mask/enable, voltage, current
STUCK = 20  # readings in a row without a new conversion


def calibration(shunt: float, current_lsb: float) -> int:
    """What goes into the calibration register for a shunt in ohm and an LSB of the current register in A.

    Data sheet, section 6.5.1, equation 1: 0.00512 / (current LSB · shunt), less its fraction.
    """
    return int(0.00512 / (current_lsb * shunt) + 1e-9)


class Ina226:
    """One INA226 on the board's bus, at rest until `start`.

    Both methods raise BoardError, in words, where the chip does not answer or answers nonsense; it is then to be
    started again.
    """

    def __init__(self, board: Board, settings: PowerSensor) -> None:
        self._board = board
        self._where = f"0x{settings.address:02X}"
        self._shunt = settings.shunt
        # The finest: the current register then has all that the shunt's has.
        self._current_lsb = SHUNT_LSB / settings.shunt
        self._last: PowerReading | None = None
        self._stale = 0

    def start(self) -> None:
        """Let it measure without end. What it then says is the mean over 35 ms."""
        ids = self._word(MANUFACTURER_ID), self._word(DIE_ID)
        if ids != IDS:
            said, right = (" and ".join(f"0x{number:04X}" for number in numbers) for numbers in (ids, IDS))
            raise BoardError(
                f"what answers at {self._where} is no INA226: it says {said}, where {right} would be right",
                "check supply.sensor.address, SDA, SCL and ground",
            )
        settings = (
            (CALIBRATION, calibration(self._shunt, self._current_lsb)),
            (MASK_ENABLE, READY_ON_ALERT),
            (CONFIGURATION, MEASURING),
        )
        for register, value in settings:
            self._board.write(bytes((register, *value.to_bytes(2, "big"))))
        for register, value in settings:
            kept = self._word(register) & ~_FLAGS if register == MASK_ENABLE else self._word(register)
            if kept != value:
                raise BoardError(
                    f"the INA226 at {self._where} does not keep what is written: register 0x{register:02X} has "
                    f"0x{kept:04X}, not 0x{value:04X}",
                    "check its supply, SDA and SCL",
                )
        self._stale = 0

    def read(self) -> PowerReading | None:
        """The latest mean, None before the first."""
        mask = self._word(MASK_ENABLE)
        if mask & ~_FLAGS != READY_ON_ALERT:
            raise BoardError(
                f"the INA226 at {self._where} is not as it was set up (0x{mask:04X}), it was without power, or SDA "
                f"or SCL is disturbed",
                "check its supply, SDA and SCL",
            )
        if not mask & CONVERSION_READY:
            self._stale += 1
            if self._stale >= STUCK:
                raise BoardError(f"the INA226 at {self._where} answers but measures nothing new", "check its supply")
            return self._last
        self._stale = 0
        voltage = BUS_LSB * self._word(BUS_VOLTAGE)
        current = self._current_lsb * int.from_bytes(self._board.read(CURRENT, 2), "big", signed=True)
        self._last = PowerReading(voltage, abs(current))
        return self._last

    def _word(self, register: int) -> int:
        return int.from_bytes(self._board.read(register, 2), "big")
