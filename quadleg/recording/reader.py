"""Recordings read: whole ones, cut ones, and those of other programs, as long as they are MCAP with ROS 2 messages."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from struct import Struct
from typing import BinaryIO

import lz4.frame
import zstandard
from mcap.data_stream import ReadDataStream
from mcap.opcode import Opcode
from mcap.records import Channel, Chunk, Metadata, Schema

from quadleg.errors import BadRecording
from quadleg.recording.records import CLOCK_STEP, HEAD, MESSAGE_ENCODING, SCHEMA_ENCODING, read, scan

BLOCK = 1 << 24  # bytes of messages that are read at once
_MESSAGE = Struct("<HIQQ")  # channel, sequence, log time, publish time
NS = 1e-9


@dataclass(frozen=True)
class Topic:
    """One topic of a recording: its full name, its type, and the definition of that. A name may come with two types."""

    name: str
    type: str
    definition: str


@dataclass
class Batch:
    """Messages of one topic in the order of the file: `times` in s since the recording's begin, and their bytes.

    Steps of the system clock are taken out of the times.
    """

    times: list[float] = field(default_factory=list)
    data: list[bytes] = field(default_factory=list)


class Recording:
    """One recording. Raises BadRecording for a file that is none, or has nothing in it that can be read.

    - `topics` by their full names, those of another type of the same name left out; `metadata` by its names;
    - `begin`: the system clock's time of the first message, in s since 1970;
    - `cut`: whether its end is missing; `lost`: chunks that cannot be read any more, known after all was read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.topics: dict[str, Topic] = {}
        self.metadata: dict[str, dict[str, str]] = {}
        self.cut = True
        self.lost = 0
        self._schemas: dict[int, Schema] = {}
        self._channels: dict[int, Topic] = {}
        try:
            with path.open("rb") as file:
                self._begin_ns = self._look(file)
        except OSError as error:
            raise BadRecording(f"{path} cannot be read: {error.strerror}") from None
        self.begin = self._begin_ns * NS

    @property
    def namespace(self) -> str:
        """What stands before the names of this robot's topics: that of the first with joint_states, "/" by default."""
        told = self.metadata.get("quadleg", {}).get("namespace")
        if told is not None:
            return told
        found = sorted(name for name in self.topics if name.endswith("/joint_states"))
        return found[0].removesuffix("joint_states") if found else "/"

    def batches(self, names: Collection[str]) -> Iterator[dict[Topic, Batch]]:
        """The messages of topics by their full names, some megabytes at a time."""
        wanted = {channel for channel, topic in self._channels.items() if topic.name in names}
        batches: dict[Topic, Batch] = {}
        size, shift = 0, 0
        with self.path.open("rb") as file:
            for opcode, offset, length in scan(file):
                if opcode == Opcode.DATA_END:
                    break
                if opcode == Opcode.METADATA:
                    found = read(file, Metadata, offset, length)
                    if found.name == CLOCK_STEP:
                        shift += round(float(found.metadata["seconds"]) / NS)
                    continue
                for channel, time, data in self._messages(file, opcode, offset, length):
                    if channel in wanted:
                        batch = batches.setdefault(self._channels[channel], Batch())
                        batch.times.append((time - shift - self._begin_ns) * NS)
                        batch.data.append(data)
                        size += len(data)
                if size > BLOCK:
                    yield batches
                    batches, size = {}, 0
        if batches:
            yield batches

    # The parts of it

    def _look(self, file: BinaryIO) -> int:
        """Find what topics there are; when the first message was recorded, in ns."""
        chunks = []
        first = None
        for opcode, offset, length in scan(file):
            if opcode == Opcode.FOOTER:
                self.cut = False
            elif opcode == Opcode.CHUNK:
                chunks.append((opcode, offset, length))
            elif opcode == Opcode.MESSAGE and first is None:
                first = _MESSAGE.unpack(file.read(_MESSAGE.size))[2]
            elif opcode == Opcode.METADATA:
                found = read(file, Metadata, offset, length)
                self.metadata.setdefault(found.name, found.metadata)
            self._take_description(opcode, file, offset, length)
        described = bool(self.topics)
        for place in chunks:
            if first is not None and described:
                break
            # Some programs say of a topic what it is only in the chunk with its first message, and at the file's end.
            for _, time, _ in self._messages(file, *place):
                first = time if first is None else first
        if first is None or not self.topics:
            raise BadRecording(f"{self.path} has no messages in it: it was cut too early, or nothing ran beside it")
        return first

    def _take_description(self, opcode: int, file: BinaryIO, offset: int, length: int) -> None:
        if opcode == Opcode.SCHEMA:
            self._take(read(file, Schema, offset, length))
        elif opcode == Opcode.CHANNEL:
            self._take(read(file, Channel, offset, length))

    def _take(self, record: Schema | Channel) -> None:
        if isinstance(record, Schema):
            self._schemas[record.id] = record
            return
        schema = self._schemas.get(record.schema_id)
        if schema and schema.encoding == SCHEMA_ENCODING and record.message_encoding == MESSAGE_ENCODING:
            topic = Topic(record.topic, schema.name, schema.data.decode("utf-8", "replace"))
            self._channels[record.id] = topic
            self.topics.setdefault(record.topic, topic)

    def _messages(self, file: BinaryIO, opcode: int, offset: int, length: int) -> Iterator[tuple[int, int, bytes]]:
        """(channel, log time in ns, bytes) of the messages of one record of the file."""
        if opcode == Opcode.MESSAGE:
            file.seek(offset)
            content = file.read(length)
            channel, _, time, _ = _MESSAGE.unpack_from(content)
            yield channel, time, content[_MESSAGE.size :]
        if opcode != Opcode.CHUNK:
            return
        try:
            content = _unpacked(read(file, Chunk, offset, length))
        except (zstandard.ZstdError, RuntimeError):  # the second is lz4's
            self.lost += 1
            return
        at, size, head, fields = 0, len(content), HEAD, _MESSAGE
        while at + head.size <= size:
            kind, length = head.unpack_from(content, at)
            begun = at + head.size
            at = begun + length
            if kind == Opcode.MESSAGE:
                channel, _, time, _ = fields.unpack_from(content, begun)
                yield channel, time, content[begun + fields.size : at]
            elif kind in (Opcode.SCHEMA, Opcode.CHANNEL):
                stream = ReadDataStream(BytesIO(content[begun:at]))
                self._take(Schema.read(stream) if kind == Opcode.SCHEMA else Channel.read(stream))


def _unpacked(chunk: Chunk) -> bytes:
    if chunk.compression == "zstd":
        return zstandard.ZstdDecompressor().decompress(chunk.data, chunk.uncompressed_size)
    if chunk.compression == "lz4":
        return bytes(lz4.frame.decompress(chunk.data))
    if chunk.compression:
        raise BadRecording(f"its chunks are compressed by {chunk.compression}; zstd, lz4 or none are read")
    return chunk.data
