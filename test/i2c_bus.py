"""An I2C bus under smbus2's API with one PCA9685 on it, which can fail, stall and lose its power, and with others."""

from __future__ import annotations

import errno
from collections.abc import Callable

import pytest

from quadleg.servos.simulated_pca9685 import SimulatedPca9685, reset_registers
from quadleg.servos.simulated_sensors import SimulatedChip

smbus2 = pytest.importorskip("smbus2", reason="smbus2 is not installed: the extra `board` brings it")

I2C_M_RD = 0x0001  # Linux, include/uapi/linux/i2c.h


class FakeBus:
    """Takes what smbus2's SMBus takes; `transactions` keeps the bytes written, message by message.

    `others` are the chips at other addresses.
    """

    def __init__(self, address: int = 0x40, clock: Callable[[], float] = lambda: 1.0) -> None:
        self.address = address
        self.clock = clock
        self.transactions: list[tuple[bytes, ...]] = []
        self.failures: list[int] = []  # errno of the transfers to come, 0 for one that works
        self.always_fails: int | None = None
        self.before: Callable[[], None] = lambda: None  # called within each transfer: a stall
        self.closed = False
        self.others: dict[int, SimulatedChip] = {}
        self.chip = SimulatedPca9685(reset_registers(), 0.0, [])

    def lose_power(self) -> None:
        self.chip = SimulatedPca9685(reset_registers(), 0.0, [])

    def i2c_rdwr(self, *messages: smbus2.i2c_msg) -> None:
        assert not self.closed
        self.before()
        failure = self.failures.pop(0) if self.failures else self.always_fails
        if failure:
            raise OSError(failure, "as the test wants it")
        if any(message.addr not in (self.address, *self.others) for message in messages):
            raise OSError(errno.EREMOTEIO, "Remote I/O error")
        pointer = 0
        written = []
        for message in messages:
            other = self.others.get(message.addr)
            if message.flags & I2C_M_RD:
                for i, value in enumerate((other or self.chip).read(pointer, message.len)):
                    message.buf[i] = bytes([value])
                continue
            data = bytes(list(message))
            pointer = data[0]
            written.append(data)
            if len(data) > 1 and other:
                other.write(data)
            elif len(data) > 1:
                self.chip.write(data, self.clock())
        self.transactions.append(tuple(written))

    def close(self) -> None:
        self.closed = True
