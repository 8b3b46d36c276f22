"""Recordings read: whole ones, cut ones, and those of other programs, as long as they are MCAP with ROS 2 messages."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field, replace
from io import BytesIO
from pathlib import Path
from struct import Struct
from typing import BinaryIO

import lz4.frame
import numpy as np
import zstandard
from mcap.data_stream import ReadDataStream
from mcap.opcode import Opcode
from mcap.records import Channel, Chunk, Metadata, Schema
from numpy.typing import NDArray

from quadleg.errors import BadRecording
from quadleg.recording.records import CLOCK_STEP, HEAD, MESSAGE_ENCODING, SCHEMA_ENCODING, read, scan

Integers = NDArray[np.int64]

BLOCK = 1 << 24  # bytes of records that are taken apart at once
_MESSAGE = Struct("<HIQQ")  # channel, sequence, log time, publish time
_INDEX = Struct("<HI")  # channel, bytes of (log time, offset) that follow
NS = 1e-9
BUFFER = 1 << 20  # bytes that are read from the disk at once
BACK = 10**9  # ns that messages may come later than others in the file, if not the clock was set back


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
    - `cut`: whether its end is missing; known after all was read: `lost`, chunks that cannot be read any more, and
      `clock_steps`, when (s since the begin) and by how much (s) the system clock was set meanwhile.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.topics: dict[str, Topic] = {}
        self.metadata: dict[str, dict[str, str]] = {}
        self.cut = True
        self.lost = 0
        self.clock_steps: list[tuple[float, float]] = []
        self._schemas: dict[int, Schema] = {}
        self._channels: dict[int, Topic] = {}
        try:
            with path.open("rb", buffering=BUFFER) as file:
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
        parts: list[_Part] = []
        size, shift, last = 0, 0, self._begin_ns
        self.clock_steps.clear()
        self.lost = 0
        with self.path.open("rb", buffering=BUFFER) as file:
            for part in self._parts(file):
                if isinstance(part, Metadata):
                    shift += self._step(last, round(float(part.metadata["seconds"]) / NS))
                    continue
                times = part.times - shift
                before = np.maximum.accumulate(np.append(last, times))[:-1]
                for i in np.flatnonzero(times < before - BACK).tolist():
                    # The recording of another program says nothing of steps.
                    least = int(times[:i].max(initial=last))
                    if times[i] < least - BACK:  # those since an earlier step of this part are right again
                        step = self._step(least, int(times[i]) - least)
                        times[i:] -= step
                        shift += step
                last = int(times.max(initial=last))
                parts.append(replace(part, times=times - self._begin_ns))
                size += len(part.content)
                if size > BLOCK:
                    yield self._by_topic(parts, names)
                    parts, size = [], 0
        if parts:
            yield self._by_topic(parts, names)

    def _by_topic(self, parts: list[_Part], names: Collection[str]) -> dict[Topic, Batch]:
        channels, times, begins, ends = (
            np.concatenate([getattr(part, key) for part in parts]) for key in ("channels", "times", "begins", "ends")
        )
        sources = np.repeat(np.arange(len(parts)), [len(part.times) for part in parts])
        contents = [part.content for part in parts]
        wanted: dict[Topic, list[int]] = {}
        for channel, topic in self._channels.items():
            if topic.name in names:
                wanted.setdefault(topic, []).append(channel)
        batches: dict[Topic, Batch] = {}
        for topic, own_channels in wanted.items():
            own = np.flatnonzero(np.isin(channels, own_channels))
            if len(own):
                places = zip(sources[own].tolist(), begins[own].tolist(), ends[own].tolist())
                messages = [contents[source][begin:end] for source, begin, end in places]
                batches[topic] = Batch((times[own] * NS).tolist(), messages)
        return batches

    def _step(self, last: int, step: int) -> int:
        """A step of the clock in ns, noted."""
        self.clock_steps.append(((last - self._begin_ns) * NS, step * NS))
        return step

    # The parts of it

    def _look(self, file: BinaryIO) -> int:
        """Find what topics there are; when the first message was recorded, in ns."""
        chunks = []
        first = None
        for opcode, offset, length in scan(file):
            if opcode == Opcode.FOOTER:
                self.cut = False
            elif opcode == Opcode.CHUNK:
                chunks.append((offset, length))
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
            content = self._content(file, *place)
            if content is not None:
                times = self._walk(content).times
                first = int(times[0]) if first is None and len(times) else first
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

    def _parts(self, file: BinaryIO) -> Iterator[_Part | Metadata]:
        """All messages, a chunk at a time, and the steps of the clock between them."""
        chunk: bytes | None = None
        index: list[bytes] = []
        for opcode, offset, length in scan(file):
            if opcode == Opcode.MESSAGE_INDEX:
                file.seek(offset)
                index.append(file.read(length))
                continue
            if chunk is not None:
                yield self._by_index(chunk, index) or self._walk(chunk)
            chunk, index = None, []
            if opcode == Opcode.CHUNK:
                chunk = self._content(file, offset, length)
            elif opcode == Opcode.MESSAGE:
                file.seek(offset - HEAD.size)
                yield self._walk(file.read(HEAD.size + length))
            elif opcode == Opcode.METADATA:
                found = read(file, Metadata, offset, length)
                if found.name == CLOCK_STEP:
                    yield found
            elif opcode == Opcode.DATA_END:
                return
        if chunk is not None:  # the file is cut, maybe within the indexes
            yield self._walk(chunk)

    def _content(self, file: BinaryIO, offset: int, length: int) -> bytes | None:
        """The records in a chunk, None where it is damaged."""
        try:
            return _unpacked(read(file, Chunk, offset, length))
        except (zstandard.ZstdError, RuntimeError):  # the second is lz4's
            self.lost += 1
            return None

    def _by_index(self, content: bytes, index: list[bytes]) -> _Part | None:
        """The messages in a chunk as its message indexes have them; None where they do not fit, or a topic is new."""
        heads = [_INDEX.unpack_from(each) for each in index]
        if not sum(size for _, size in heads) or any(channel not in self._channels for channel, _ in heads):
            return None
        entries = np.concatenate([np.frombuffer(each, "<i8", offset=_INDEX.size).reshape(-1, 2) for each in index])
        channels = np.repeat([channel for channel, _ in heads], [size // 16 for _, size in heads])
        order = np.argsort(entries[:, 1])
        times, offsets = entries[order].T
        raw = np.frombuffer(content, np.uint8)
        if offsets[-1] + HEAD.size > len(raw) or (raw[offsets] != Opcode.MESSAGE).any():
            return None
        lengths = raw[offsets[:, None] + np.arange(1, HEAD.size)].view("<i8")[:, 0]
        ends = offsets + HEAD.size + lengths
        if ends[-1] > len(raw):
            return None
        return _Part(content, channels[order], times, offsets + HEAD.size + _MESSAGE.size, ends)

    def _walk(self, content: bytes) -> _Part:
        """The messages among records, one after the other; what is said of topics among them is taken."""
        at, size, head, fields = 0, len(content), HEAD, _MESSAGE
        found = []
        while at + head.size <= size:
            kind, length = head.unpack_from(content, at)
            begun = at + head.size
            at = begun + length
            if kind == Opcode.MESSAGE:
                channel, _, time, _ = fields.unpack_from(content, begun)
                found.append((channel, time, begun + fields.size, at))
            elif kind in (Opcode.SCHEMA, Opcode.CHANNEL):
                stream = ReadDataStream(BytesIO(content[begun:at]))
                self._take(Schema.read(stream) if kind == Opcode.SCHEMA else Channel.read(stream))
        return _Part(content, *np.array(found, np.int64).reshape(-1, 4).T)


@dataclass(frozen=True)
class _Part:
    """n messages in the order of the file: their `channels`, log `times` in ns, and where each begins and ends in the
    `content`."""

    content: bytes
    channels: Integers
    times: Integers
    begins: Integers
    ends: Integers


def _unpacked(chunk: Chunk) -> bytes:
    if chunk.compression == "zstd":
        return zstandard.ZstdDecompressor().decompress(chunk.data, chunk.uncompressed_size)
    if chunk.compression == "lz4":
        return bytes(lz4.frame.decompress(chunk.data))
    if chunk.compression:
        raise BadRecording(f"its chunks are compressed by {chunk.compression}; zstd, lz4 or none are read")
    return chunk.data
