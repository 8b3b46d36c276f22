"""Writing of MCAP files: https://mcap.dev/spec. Flushed data can be read back wherever the file is cut after it.

The summary section, by which readers find messages, is written at the end. `finish` writes it for a file whose writer
did not get to it.
"""

from __future__ import annotations

import fcntl
import os
import zlib
from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from struct import Struct
from typing import BinaryIO

from mcap.data_stream import RecordBuilder
from mcap.opcode import Opcode
from mcap.records import (
    Channel,
    Chunk,
    ChunkIndex,
    DataEnd,
    Footer,
    Header,
    McapRecord,
    Metadata,
    MetadataIndex,
    Schema,
    Statistics,
    SummaryOffset,
)

from quadleg.errors import RecordingError
from quadleg.recording.chunks import PackedChunk, ReceivedMessage, pack, unpacked
from quadleg.recording.message_run import MESSAGE, by_walk
from quadleg.recording.records import HEAD, LIBRARY, MAGIC, read, scan

PROFILE = "ros2"  # https://mcap.dev/spec/registry: messages are CDR, schemas are ROS 2 message definitions
_FOOTER = Struct("<BQQQ")
_INDEX = Struct("<HI")  # channel, bytes of (log time, offset) that follow
MOST_CUT_OFF = 16 << 20  # bytes: a recording that was cut has no more than its last chunk behind the last whole record


class McapFile:
    """A new recording at `path`, which must not exist. Raises OSError if it cannot be written."""

    def __init__(self, path: Path, metadata: Mapping[str, Mapping[str, str]]) -> None:
        self.path = path
        self._file: BinaryIO = path.open("xb")
        # Tells readers that the file is still being written; the system releases it however this process ends.
        fcntl.flock(self._file, fcntl.LOCK_EX)
        self._schemas: dict[int, Schema] = {}
        self._channels: dict[int, Channel] = {}
        self._summary = SummarySection()
        self._file.write(MAGIC + _written(Header(PROFILE, LIBRARY)))
        for name, values in metadata.items():
            self.note(name, values)
        self.flush()

    def add_channels(self, schemas: Sequence[Schema], channels: Sequence[Channel]) -> None:
        """Write schemas and channels, before the first message on them; those written before are skipped."""
        for schema in schemas:
            if schema.id not in self._schemas:
                self._schemas[schema.id] = schema
                self._file.write(_written(schema))
        for channel in channels:
            if channel.id not in self._channels:
                self._channels[channel.id] = channel
                self._file.write(_written(channel))

    def note(self, name: str, values: Mapping[str, str]) -> None:
        record = Metadata(name, dict(values))
        data = _written(record)
        self._summary.add_metadata(record, self._file.tell(), len(data))
        self._file.write(data)

    def add(self, packed: PackedChunk) -> None:
        self._summary.add_chunk(packed.index(self._file.tell()), packed.counts)
        self._file.write(packed.data)

    def flush(self) -> None:
        """Write all data to the disk. Raises OSError, as all writing does."""
        self._file.flush()
        os.fsync(self._file.fileno())

    def close(self) -> None:
        """Write the summary section. Raises OSError if that fails; flushed data stays readable. Again: does nothing."""
        if self._file.closed:
            return
        try:
            at = self._file.tell()
            self._file.write(self._summary.records(at, self._schemas, self._channels))
            self.flush()
        finally:
            with suppress(OSError):
                self._file.close()


def finish(path: Path) -> bool:
    """Write the summary section of a recording that was cut, in place of what follows its last whole record.

    Return whether that was done: a file that is still being written, or is of another program, stays as it is. Raises
    RecordingError if the file is not a recording, and OSError if it cannot be written.
    """
    with path.open("r+b") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        found = CutFile(file)
        data = True
        for opcode, offset, length in scan(file):
            if opcode == Opcode.HEADER and read(file, Header, offset, length).library != LIBRARY:
                return False
            if opcode == Opcode.FOOTER:
                return False
            data = data and opcode != Opcode.DATA_END
            if data:
                found.take(opcode, offset, length)
        if path.stat().st_size - found.end > MOST_CUT_OFF:
            return False  # it is damaged there, and not cut
        found.write_end()
    return True


class CutFile:
    """The whole records of a file that was cut."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._summary = SummarySection()
        self._schemas: dict[int, Schema] = {}
        self._channels: dict[int, Channel] = {}
        self._chunk: FoundChunk | None = None  # the last one, until something that is not its index follows
        self.end = len(MAGIC)

    def take(self, opcode: int, offset: int, length: int) -> None:
        """Take the next record, as `scan` finds it."""
        file, begun, self.end = self._file, offset - HEAD.size, offset + length
        if opcode == Opcode.MESSAGE_INDEX and self._chunk:
            file.seek(offset)
            channel, size = _INDEX.unpack(file.read(_INDEX.size)) if length >= _INDEX.size else (0, 0)
            self._chunk.offsets[channel] = begun
            self._chunk.counts[channel] = size // 16
            return
        if self._chunk:
            self._summary.add_chunk(self._chunk.index(begun), self._chunk.counts)
            self._chunk = None
        if opcode == Opcode.SCHEMA:
            schema = read(file, Schema, offset, length)
            self._schemas[schema.id] = schema
        elif opcode == Opcode.CHANNEL:
            channel = read(file, Channel, offset, length)
            self._channels[channel.id] = channel
        elif opcode == Opcode.METADATA:
            self._summary.add_metadata(read(file, Metadata, offset, length), begun, self.end - begun)
        elif opcode == Opcode.CHUNK:
            self._chunk = FoundChunk(begun, self.end, read(file, Chunk, offset, length))

    def write_end(self) -> None:
        """Write the summary section behind the whole records."""
        rest, end = b"", self.end
        if self._chunk:  # some of its indexes may be missing, and readers would not look for their messages
            end = self._chunk.begun
            if packed := self._chunk.packed_anew():
                self._summary.add_chunk(packed.index(end), packed.counts)
                rest = packed.data
        self._file.seek(end)
        self._file.truncate()
        self._file.write(rest + self._summary.records(end + len(rest), self._schemas, self._channels))
        self._file.flush()
        os.fsync(self._file.fileno())


@dataclass
class FoundChunk:
    """A chunk from `begun` to `end` of a file."""

    begun: int
    end: int
    chunk: Chunk
    offsets: dict[int, int] = field(default_factory=dict)
    counts: dict[int, int] = field(default_factory=dict)

    def index(self, after: int) -> ChunkIndex:
        """Return the index record of the chunk, whose message indexes end at `after`."""
        return ChunkIndex(
            chunk_length=self.end - self.begun,
            chunk_start_offset=self.begun,
            compression=self.chunk.compression,
            compressed_size=len(self.chunk.data),
            message_end_time=self.chunk.message_end_time,
            message_index_length=after - self.end,
            message_index_offsets=self.offsets,
            message_start_time=self.chunk.message_start_time,
            uncompressed_size=self.chunk.uncompressed_size,
        )

    def packed_anew(self) -> PackedChunk | None:
        """Pack the same messages with all their indexes; None if the content on the disk is not whole."""
        try:
            run = by_walk(unpacked(self.chunk), lambda *_: None)
        except RecordingError:
            return None
        places = zip(run.channels.tolist(), run.times.tolist(), run.begins.tolist(), run.ends.tolist())
        messages = []
        for channel, time, begin, end in places:
            sequence = MESSAGE.unpack_from(run.content, begin - MESSAGE.size)[1]
            messages.append(ReceivedMessage(channel, sequence, time, run.content[begin:end]))
        return pack(messages) if messages else None


class SummarySection:
    """The records at a file's end by which readers find all others."""

    def __init__(self) -> None:
        self._chunks: list[ChunkIndex] = []
        self._metadata: list[MetadataIndex] = []
        self._counts: Counter[int] = Counter()

    def add_chunk(self, index: ChunkIndex, counts: Mapping[int, int]) -> None:
        self._chunks.append(index)
        self._counts.update(counts)

    def add_metadata(self, record: Metadata, offset: int, length: int) -> None:
        self._metadata.append(MetadataIndex(offset, length, record.name))

    def records(self, at: int, schemas: Mapping[int, Schema], channels: Mapping[int, Channel]) -> bytes:
        """Return all that follows the data, from DataEnd to the magic; the data end at `at`."""
        data_end = _written(DataEnd(0))
        start = at + len(data_end)
        statistics = Statistics(
            attachment_count=0,
            channel_count=len(channels),
            channel_message_counts=dict(self._counts),
            chunk_count=len(self._chunks),
            message_count=self._counts.total(),
            message_end_time=max((chunk.message_end_time for chunk in self._chunks), default=0),
            message_start_time=min((chunk.message_start_time for chunk in self._chunks), default=0),
            metadata_count=len(self._metadata),
            schema_count=len(schemas),
        )
        groups: list[tuple[Opcode, Sequence[McapRecord]]] = [
            (Opcode.SCHEMA, list(schemas.values())),
            (Opcode.CHANNEL, list(channels.values())),
            (Opcode.STATISTICS, [statistics]),
            (Opcode.CHUNK_INDEX, self._chunks),
            (Opcode.METADATA_INDEX, self._metadata),
        ]
        summary, offsets = bytearray(), bytearray()
        for opcode, records in groups:
            group = b"".join(map(_written, records))
            if group:
                offsets += _written(SummaryOffset(opcode, start + len(summary), len(group)))
            summary += group
        offset_start = start + len(summary)
        summary += offsets
        # The checksum goes from the summary's first byte to the footer's field before it.
        crc = zlib.crc32(_FOOTER.pack(Opcode.FOOTER, 8 + 8 + 4, start, offset_start), zlib.crc32(summary))
        return bytes(data_end + summary + _written(Footer(start, offset_start, crc)) + MAGIC)


def _written(record: McapRecord) -> bytes:
    builder = RecordBuilder()
    record.write(builder)
    return builder.end()
