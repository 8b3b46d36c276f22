"""Firmata's bytes, against the tables of the public specification (firmata protocol 2.8.0: protocol.md, i2c.md)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quadleg.hardware.firmata import (
    I2C_CONFIGURATION,
    VERSION_AND_FIRMWARE_QUERY,
    Decoder,
    Firmware,
    I2CReply,
    Message,
    Text,
    Version,
    i2c_read,
    i2c_write,
    pack,
    unpack,
)

REPLY = bytes.fromhex("F0 77 40 00 06 00 7F 01 F7")


def test_queries() -> None:
    # protocol.md, "Request version report" and "Query Firmware Name and Version".
    assert VERSION_AND_FIRMWARE_QUERY.hex(" ") == "f9 f0 79 f7"


def test_i2c_config() -> None:
    # i2c.md, "I2C config": the delay is two bytes, LSB and MSB.
    assert I2C_CONFIGURATION.hex(" ") == "f0 78 00 00 f7"


def test_i2c_write() -> None:
    # i2c.md, "I2C read/write request": address, then bits 4-3 = 00, then each byte as LSB (bits 0-6) and MSB (bit 7).
    assert i2c_write(0x40, bytes((0x06, 0x00, 0x80, 0xFF))) == bytes.fromhex("F0 76 40 00 06 00 00 00 00 01 7F 01 F7")


def test_i2c_read_once() -> None:
    # i2c.md, the same table: bits 4-3 = 01. Register, then count: StandardFirmata 2.5, sysexCallback, I2C_READ.
    assert i2c_read(0x40, 0xFE, 1) == bytes.fromhex("F0 76 40 08 7E 01 01 00 F7")


@pytest.mark.parametrize(
    ("received", "message"),
    [
        # protocol.md, "Version report format"
        ("F9 02 05", Version(2, 5)),
        # protocol.md, "Receive Firmware Name and Version (after query)"
        ("F0 79 02 05 41 00 6E 00 F7", Firmware("An", 2, 5)),
        # protocol.md, "String"
        ("F0 71 49 00 32 00 43 00 F7", Text("I2C")),
        # i2c.md, "I2C reply"
        ("F0 77 40 00 06 00 7F 01 00 00 F7", I2CReply(0x40, 0x06, b"\xff\x00")),
        ("F0 77 40 00 7E 01 F7", I2CReply(0x40, 0xFE, b"")),
        # i2c.md: bits 0-2 after the address "return the transaction sequence"
        ("F0 77 40 03 00 00 11 00 F7", I2CReply(0x40, 0x00, b"\x11")),
    ],
)
def test_messages_of_the_firmware(received: str, message: Message) -> None:
    assert Decoder().feed(bytes.fromhex(received)) == [message]


@pytest.mark.parametrize(
    "noise",
    [
        "00 31 7F",  # text
        "F7",  # an end without a beginning
        "F0 77 40 00",  # a message without its end
        "F9 02",
        "F0 F7",
        "F0 77 40 F7",  # too short
        "F0 79 02 F7",
        "F0 6C 7F F7",  # another feature's
        "90 01 02 E0 03 04",  # reports of pins: protocol.md, "Message Types"
        "FF FE",
    ],
)
def test_what_else_comes_is_passed_over(noise: str) -> None:
    assert Decoder().feed(bytes.fromhex(noise) + REPLY) == [I2CReply(0x40, 0x06, b"\xff")]


@given(st.binary())
def test_packing_is_undone_by_unpacking(data: bytes) -> None:
    packed = pack(data)
    assert len(packed) == 2 * len(data)
    assert max(packed, default=0) < 0x80
    assert unpack(packed) == data


@given(st.binary(max_size=60), st.lists(st.integers(1, 20), max_size=10))
def test_portions_do_not_matter(noise: bytes, portions: list[int]) -> None:
    received = noise + REPLY + REPLY
    whole = Decoder().feed(received)
    assert whole[-1] == I2CReply(0x40, 0x06, b"\xff")
    decoder, found = Decoder(), []
    for portion in portions:
        found += decoder.feed(received[:portion])
        received = received[portion:]
    assert found + decoder.feed(received) == whole
