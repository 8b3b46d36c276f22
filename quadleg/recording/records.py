"""The records of an MCAP file one after the other, whole or cut: https://mcap.dev/spec."""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from io import BytesIO
from struct import Struct
from typing import BinaryIO, TypeVar

from mcap.data_stream import ReadDataStream
from mcap.exceptions import McapError
from mcap.opcode import Opcode
from mcap.records import Chunk, McapRecord

from quadleg.errors import RecordingError

LIBRARY = "quadleg"  # what the header says of who wrote it
MAGIC = b"\x89MCAP0\r\n"
HEAD = Struct("<BQ")  # opcode, length
SCHEMA_ENCODING, MESSAGE_ENCODING = "ros2msg", "cdr"  # https://mcap.dev/spec/registry
CLOCK_STEP = "clock_step"  # metadata: the system clock has just been set forward by `seconds`, or back where negative
MOST_BYTES = 65 << 20  # of one record that is read whole: a chunk of the largest
MOST_DESCRIBED = 1 << 20  # bytes of a record that describes something; a robot file and most schemas have some 10 kB
_Record = TypeVar("_Record", bound=McapRecord)


def scan(file: BinaryIO) -> Iterator[tuple[int, int, int]]:
    """(opcode, offset, length) of each whole record of a file; `offset` is where its content begins, after both.

    It ends where the file is cut or its records make no sense. Raises RecordingError if the file is not MCAP.
    """
    size = file.seek(0, os.SEEK_END)
    if not size:
        raise RecordingError(f"{file.name} is empty: a recording that was just begun, or none")
    file.seek(0)
    if file.read(len(MAGIC)) != MAGIC:
        raise RecordingError(
            f"{file.name} is no recording: it does not begin as an MCAP file does. `quadleg run --record FILE.mcap` "
            f"makes one; `ros2 bag convert` makes one of a bag of another kind"
        )
    at = len(MAGIC)
    while at + HEAD.size <= size:
        file.seek(at)
        opcode, length = HEAD.unpack(file.read(HEAD.size))
        offset = at + HEAD.size
        behind = len(MAGIC) if opcode == Opcode.FOOTER else 0
        if not opcode or offset + length + behind > size:
            return
        yield opcode, offset, length
        at = offset + length
        if opcode == Opcode.FOOTER:
            return


def read(file: BinaryIO, kind: type[_Record], offset: int, length: int) -> _Record:
    """Return the record of a kind that `scan` found. Raises RecordingError if it is damaged."""
    if length > MOST_BYTES:
        raise RecordingError(f"{file.name}: a {kind.__name__} record of {length} bytes at byte {offset}")
    file.seek(offset)
    try:
        return parsed(kind, file.read(length))
    except RecordingError as error:
        raise RecordingError(f"{file.name}: {error} at byte {offset}") from None


def parsed(kind: type[_Record], content: bytes) -> _Record:
    """Return the record of a kind with this content. Raises RecordingError if it is damaged."""
    if kind is not Chunk and len(content) > MOST_DESCRIBED:
        raise RecordingError(f"a {kind.__name__} record of {len(content)} bytes")
    try:
        record: _Record = kind.read(ReadDataStream(BytesIO(content)))  # type: ignore[attr-defined]
    except (McapError, struct.error, ValueError, OverflowError) as error:
        raise RecordingError(f"a damaged {kind.__name__} record ({error or type(error).__name__})") from None
    return record
