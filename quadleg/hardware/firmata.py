"""The messages of the Firmata protocol that carry I2C: bytes from meaning, and meaning from bytes.

Source: Firmata protocol 2.x, protocol.md, i2c.md and revisions.md of the public specification (2.8.0). What is said of
the stock firmware (StandardFirmata 2.5) is from its public source code.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

START_SYSEX = 0xF0
END_SYSEX = 0xF7
REPORT_VERSION = 0xF9

STRING_DATA = 0x71
I2C_REQUEST = 0x76
I2C_REPLY = 0x77
I2C_CONFIG = 0x78
REPORT_FIRMWARE = 0x79

# Bits 4-3 of the byte after the address: 00 is write.
_READ_ONCE = 0x08

# revisions.md: "Added I2C feature" in version 2.1.0.
OLDEST_VERSION = (2, 1)


# Outside of a message the firmware passes END_SYSEX over. Inside one that a fault left half-said, it ends it: nothing
# else does, the firmware takes even START_SYSEX for data there.
END_OF_ANY = bytes((END_SYSEX,))
VERSION_AND_FIRMWARE_QUERY = bytes((REPORT_VERSION, START_SYSEX, REPORT_FIRMWARE, END_SYSEX))
# No delay between writing the register and reading: the PWM chip needs none.
I2C_CONFIGURATION = bytes((START_SYSEX, I2C_CONFIG, 0, 0, END_SYSEX))


class Version(NamedTuple):
    """The version of the protocol that the firmware speaks."""

    major: int
    minor: int


class Firmware(NamedTuple):
    """The firmware's own name and version."""

    name: str
    major: int
    minor: int


class Text(NamedTuple):
    """What the firmware has to say, mostly of an error."""

    text: str


class I2CReply(NamedTuple):
    """What an I2C device gave to one read."""

    address: int
    register: int
    data: bytes


Message = Version | Firmware | Text | I2CReply


def pack(data: Iterable[int]) -> bytes:
    """Each byte as two: its bits 0-6, then its bit 7."""
    return bytes(half for byte in data for half in (byte & 0x7F, byte >> 7))


def unpack(packed: bytes) -> bytes:
    """The inverse of `pack`. A half without its other half is passed over."""
    return bytes((low | high << 7) & 0xFF for low, high in zip(packed[::2], packed[1::2]))


def i2c_write(address: int, data: bytes) -> bytes:
    """A request to write at most 32 bytes (its buffer) to the device at a 7-bit address. Nothing answers it."""
    return bytes((START_SYSEX, I2C_REQUEST, address, 0)) + pack(data) + END_OF_ANY


def i2c_read(address: int, register: int, count: int) -> bytes:
    """A request to read `count` bytes once, at most 32, from a register on. An I2CReply answers it."""
    return bytes((START_SYSEX, I2C_REQUEST, address, _READ_ONCE)) + pack((register, count)) + END_OF_ANY


def i2c_reply_bytes(count: int) -> int:
    """How many bytes an I2CReply of `count` data bytes has on the line."""
    return len((START_SYSEX, I2C_REPLY, END_SYSEX)) + len(pack(range(2 + count)))  # address, register, data


class Decoder:
    """Finds the firmware's messages in the bytes that come from it, in whatever portions; passes over all else."""

    def __init__(self) -> None:
        self._pending = bytearray()

    def feed(self, received: bytes) -> list[Message]:
        """The messages that these bytes complete."""
        messages: list[Message] = []
        for byte in received:
            if byte < 0x80:
                if self._pending:
                    self._pending.append(byte)
                if len(self._pending) == 3 and self._pending[0] == REPORT_VERSION:
                    messages.append(Version(*self._pending[1:]))
                    self._pending.clear()
                continue
            if byte == END_SYSEX and self._pending[:1] == bytes((START_SYSEX,)):
                message = _sysex(bytes(self._pending[1:]))
                messages += [] if message is None else [message]
            # As in MIDI, a byte with bit 7 begins anew: what was pending has lost its end.
            self._pending[:] = (byte,) if byte in (START_SYSEX, REPORT_VERSION) else ()
        return messages


def _sysex(payload: bytes) -> Message | None:
    command, body = payload[:1], payload[1:]
    if command == bytes((STRING_DATA,)):
        return Text(unpack(body).decode("utf-8", "replace"))
    if command == bytes((REPORT_FIRMWARE,)) and len(body) >= 2:
        return Firmware(unpack(body[2:]).decode("utf-8", "replace"), body[0], body[1])
    if command == bytes((I2C_REPLY,)) and len(body) >= 4:
        # The address's second byte is no part of it: i2c.md lets firmware number transactions there.
        return I2CReply(body[0], unpack(body[2:4])[0], unpack(body[4:]))
    return None
