"""How long frames of joint angles and readings of sensors take on the way between this computer and a board's chips."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from typing import NamedTuple

from quadleg.hardware.firmata import i2c_read, i2c_reply_bytes, i2c_write
from quadleg.hardware.i2c_board import transfer_clocks
from quadleg.hardware.pca9685 import LED0_ON_L
from quadleg.hardware.serial_board import ACKNOWLEDGING, BITS_PER_BYTE, chunks
from quadleg.robot.model import BoardSettings, RobotModel

CHANNEL_BYTES = 4  # NXP, PCA9685 data sheet rev. 4, 7.3.3: two registers of a channel for on, two for off


class FrameTime(NamedTuple):
    """A frame: `size` in bytes that the computer sends, `line` and `chip` in s. `line` is the time for which the frame
    occupies the computer's bus or port, `chip` the time from there until the chip has confirmed the last byte."""

    size: int
    line: float
    chip: float

    @property
    def seconds(self) -> float:
        """The time until the chip has all of it."""
        return self.line + self.chip


class BusTiming(ABC):
    """The times of one board's bus by the robot file's figures. `link` names the bus and its speed."""

    link: str

    @abstractmethod
    def frame(self, messages: Sequence[bytes]) -> FrameTime:
        """Return the time of one transaction of these messages."""

    @abstractmethod
    def read(self, count: int) -> float:
        """Return the time in s for which a reading of `count` bytes of a chip occupies the bus or port."""


class I2cTiming(BusTiming):
    """An I2C bus of this computer."""

    def __init__(self, settings: BoardSettings) -> None:
        self._speed = settings.bus_speed
        self.link = f"I2C at {settings.bus_speed / 1e3:g} kHz"

    def frame(self, messages: Sequence[bytes]) -> FrameTime:
        size = sum(map(len, messages))
        return FrameTime(size, transfer_clocks(len(messages), size) / self._speed, 0.0)

    def read(self, count: int) -> float:
        # The register's address, then what it holds, in one transaction.
        return transfer_clocks(2, 1 + count) / self._speed


class SerialTiming(BusTiming):
    """A serial port to a microcontroller with Firmata firmware, and the I2C bus behind that."""

    def __init__(self, settings: BoardSettings) -> None:
        self._settings = settings
        self.link = f"serial port at {settings.baud} baud"

    def frame(self, messages: Sequence[bytes]) -> FrameTime:
        address = self._settings.address
        parts = [part for message in messages for part in chunks(message)]
        request = i2c_read(address, ACKNOWLEDGING[0], 1)
        size = sum(len(i2c_write(address, part)) for part in parts) + len(request)
        # The last transfer on I2C is waited for; those before it take place while the next bytes come.
        return FrameTime(
            size,
            self._line(size + i2c_reply_bytes(1)),
            transfer_clocks(1, len(parts[-1])) / self._settings.bus_speed,
        )

    def read(self, count: int) -> float:
        return self._line(len(i2c_read(self._settings.address, 0, count)) + i2c_reply_bytes(count))

    def _line(self, count: int) -> float:
        return BITS_PER_BYTE * count / self._settings.baud


def frame_messages(robot: RobotModel) -> list[bytes]:
    """Return the messages of a frame in which every joint changes: a register's address and four bytes a channel, for
    each run of neighbouring channels.
    """
    channels = sorted(joint.servo.channel for joint in robot.joints)
    messages: list[bytearray] = []
    for before, channel in zip([None, *channels], channels):
        if before is None or channel != before + 1:
            messages.append(bytearray((LED0_ON_L + CHANNEL_BYTES * channel,)))
        messages[-1] += bytes(CHANNEL_BYTES)
    return list(map(bytes, messages))
