"""What a PCA9685 does with the bytes it gets: NXP, PCA9685 data sheet, rev. 4, section 7.3.

Written against the data sheet, not against the driver, so that it shows what the driver gets wrong.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from quadleg.hardware.pca9685 import (
    AI,
    ALL_LED_OFF_H,
    ALL_LED_ON_L,
    ALLCALL,
    CHANNELS,
    COUNTS,
    EXTCLK,
    FULL,
    INVRT,
    LED0_ON_L,
    MODE1,
    MODE2,
    OSCILLATOR_START,
    OUTDRV,
    PRE_SCALE,
    PRE_SCALE_RANGE,
    RESTART,
    SLEEP,
    counts_from_registers,
)

_LED_END = LED0_ON_L + 4 * CHANNELS
_SUBADDRESSES = range(0x02, 0x06)
_FIVE_BITS = bytes(value & 0x1F for value in range(256))  # what a high register keeps of a value
_ON_OFF = struct.Struct("<HH")  # a channel's registers


def reset_registers() -> bytearray:
    """The 256 registers after a power-on reset."""
    registers = bytearray(256)
    registers[MODE1] = SLEEP | ALLCALL
    registers[MODE2] = OUTDRV
    registers[_SUBADDRESSES.start : _SUBADDRESSES.stop] = bytes((0xE2, 0xE4, 0xE8, 0xE0))
    registers[LED0_ON_L:_LED_END] = bytes((0, 0, 0, FULL)) * CHANNELS
    registers[PRE_SCALE] = 0x1E
    return registers


@dataclass
class SimulatedPca9685:
    """The chip's state: 256 registers, and when (s) SLEEP was last cleared. `now` in s is the same clock's.

    What the chip passes over goes into `refused` with the reason.
    """

    registers: bytearray
    woken: float
    refused: list[str]

    def write(self, message: bytes, now: float) -> None:
        """Take one message: a register's address, then data."""
        register = message[0]
        if len(message) > 2 and register != MODE1 and not self.registers[MODE1] & AI:
            self.refused.append(
                f"register 0x{register:02X}: {len(message) - 1} bytes all went there, auto-increment is off"
            )
        end = register + len(message) - 1
        if LED0_ON_L <= register < end <= _LED_END and self.registers[MODE1] & AI:
            self._set_channels(register, message[1:])  # what nearly all messages are
            return
        for value in message[1:]:
            self._set(register, value, now)
            register = self._following(register)

    def read(self, register: int, count: int) -> bytes:
        """Give `count` bytes, beginning at a register."""
        values = bytearray()
        for _ in range(count):
            values.append(self.registers[register])
            register = self._following(register)
        return bytes(values)

    def start_of_pulses(self) -> float | None:
        """From when on (s) the outputs follow the channels' registers; None while they do not."""
        # Nothing drives the external clock's pin.
        if self.registers[MODE1] & (SLEEP | RESTART | EXTCLK):
            return None
        return self.woken + OSCILLATOR_START

    def counts(self) -> list[int | None]:
        """The counts that each channel's output is high while pulses are made, None where it is steady."""
        pairs = _ON_OFF.iter_unpack(self.registers[LED0_ON_L:_LED_END])
        counts = [counts_from_registers(on, off) for on, off in pairs]
        if self.registers[MODE2] & INVRT:
            return [None if count is None else COUNTS - count for count in counts]
        return counts

    def _following(self, register: int) -> int:
        if not self.registers[MODE1] & AI:
            return register
        # Data sheet, remark under table 3: past register 69 the pointer goes to register 0, and from 250 it counts up
        # to 254 and rolls over to 0.
        return 0 if register in (_LED_END - 1, PRE_SCALE) else (register + 1) % 256

    def _set(self, register: int, value: int, now: float) -> None:
        if LED0_ON_L <= register < _LED_END:
            self._set_channels(register, bytes((value,)))
        elif ALL_LED_ON_L <= register <= ALL_LED_OFF_H:
            for first in range(LED0_ON_L, _LED_END, 4):
                self._set_channels(first + register - ALL_LED_ON_L, bytes((value,)))
        elif register == MODE1:
            self._set_mode1(value, now)
        elif register == MODE2:
            self.registers[MODE2] = value & 0x1F
        elif register in _SUBADDRESSES:
            self.registers[register] = value & 0xFE
        elif register == PRE_SCALE:
            self._set_prescale(value)
        else:
            self.refused.append(f"register 0x{register:02X} is reserved")

    def _set_channels(self, register: int, values: bytes) -> None:
        self.registers[register : register + len(values)] = values
        first_high = register + (register - LED0_ON_L + 1) % 2
        highs = slice(first_high, register + len(values), 2)
        self.registers[highs] = self.registers[highs].translate(_FIVE_BITS)
        # Section 7.3.1.1: a write to a channel also clears the pending restart, and its outputs go on.
        self.registers[MODE1] &= ~RESTART

    def _set_mode1(self, value: int, now: float) -> None:
        old = self.registers[MODE1]
        new = value & ~(RESTART | EXTCLK) | old & (RESTART | EXTCLK)
        if value & EXTCLK & ~old:
            if old & value & SLEEP:
                new |= EXTCLK
            else:
                self.refused.append("EXTCLK is set in sleep only")
        if new & SLEEP and not old & SLEEP and any(self.counts()):
            new |= RESTART
        elif value & old & RESTART:
            if (new | old) & SLEEP or 0 <= now - self.woken < OSCILLATOR_START:
                self.refused.append("RESTART is answered only 500 us after SLEEP was cleared")
            else:
                new &= ~RESTART
        if old & SLEEP and not new & SLEEP:
            self.woken = now
        self.registers[MODE1] = new

    def _set_prescale(self, value: int) -> None:
        if not self.registers[MODE1] & SLEEP:
            self.refused.append("PRE_SCALE is written in sleep only")
            return
        if value < PRE_SCALE_RANGE[0]:
            self.refused.append(f"PRE_SCALE {value} is below {PRE_SCALE_RANGE[0]}")
        self.registers[PRE_SCALE] = max(value, PRE_SCALE_RANGE[0])
