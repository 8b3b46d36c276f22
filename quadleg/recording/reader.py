"""Reading of MCAP files with ROS 2 messages: whole, cut, or written by other programs."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace
from math import isfinite
from pathlib import Path
from typing import BinaryIO

import numpy as np
from mcap.opcode import Opcode
from mcap.records import Channel, Chunk, Metadata, Schema

from quadleg.errors import RecordingError, shortened
from quadleg.recording.chunks import MOST_PACKED, MOST_UNPACKED, unpacked
from quadleg.recording.message_run import LATEST, MESSAGE, Integers, MessageRun, by_index, by_walk
from quadleg.recording.records import CLOCK_STEP, HEAD, MESSAGE_ENCODING, SCHEMA_ENCODING, parsed, read, scan

BLOCK = 1 << 24  # bytes of records that are parsed at once
NS = 1e-9
BUFFER = 1 << 20  # bytes that are read from the disk at once
BACK = 10**9  # ns that messages may come later than others in the file, if not the clock was set back
AHEAD = 86400 * 10**9  # ns that may pass between two messages, if not the clock was set forward: a day
GROWTH = 200  # times its own size that a file may unpack to; a robot that lies still is recorded at some 30 times
ANY_SIZE = 64 << 20  # bytes that a file of whatever size may unpack to
MOST_LOOSE = 500  # messages outside of chunks that are parsed at once
MOST_NOTED = 10_000  # damaged parts of which the place is kept
MOST_DESCRIPTIONS = 20_000  # records that describe topics


@dataclass(frozen=True)
class RecordedChannel:
    """One topic of a recording: its full name, its type, and the type's definition. A name may have two types."""

    name: str
    type: str
    definition: str


@dataclass
class Batch:
    """Messages of one topic in the order of the file: `times` in s since the first message, and their bytes.

    Steps of the system clock are taken out of the times.
    """

    times: list[float] = field(default_factory=list)
    data: list[bytes] = field(default_factory=list)


class DescribedTopics:
    """The topics of a recording as its schemas and channels describe them: `topics` by name, `channels` by number."""

    def __init__(self) -> None:
        self.topics: dict[str, RecordedChannel] = {}
        self.channels: dict[int, RecordedChannel] = {}
        self._schemas: dict[int, Schema] = {}
        self._known: set[tuple[int, bytes]] = set()

    def describe(self, opcode: int, content: bytes) -> None:
        """Take a schema or channel; most stand in a file more than once. Raises RecordingError for a damaged one."""
        if (opcode, content) in self._known or len(self._known) >= MOST_DESCRIPTIONS:
            return
        self._known.add((opcode, content))
        if opcode == Opcode.SCHEMA:
            schema = parsed(Schema, content)
            self._schemas[schema.id] = schema
            return
        channel = parsed(Channel, content)
        known = self._schemas.get(channel.schema_id)
        if known and known.encoding == SCHEMA_ENCODING and channel.message_encoding == MESSAGE_ENCODING:
            topic = RecordedChannel(channel.topic, known.name, known.data.decode("utf-8", "replace"))
            self.channels[channel.id] = topic
            self.topics.setdefault(channel.topic, topic)


class Recording:
    """One recording. Raises RecordingError if the file is not a recording, or has no readable message.

    - `topics` by their full names, those of another type of the same name left out; `metadata` by its names;
    - `begin`: the system clock's time of the first message, in s since 1970;
    - `cut`: whether its end is missing; known after reading: `damage`, the unreadable parts by their place in the file,
      and `clock_steps`, when (s since the begin) and by how much (s) the system clock was set.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._described = DescribedTopics()
        self.topics = self._described.topics
        self.metadata: dict[str, dict[str, str]] = {}
        self.cut = True
        self.damage: dict[int, str] = {}
        self.clock_steps: list[tuple[float, float]] = []
        self._unpacked = self._most_unpacked = 0
        if path.exists() and not path.is_file() and not path.is_dir():
            raise RecordingError(f"{path} is no file on a disk, but a pipe or a device")
        try:
            self._most_unpacked = max(ANY_SIZE, GROWTH * path.stat().st_size)
            with path.open("rb", buffering=BUFFER) as file:
                self._begin_ns = self._look(file)
        except OSError as error:
            raise RecordingError(f"{path} cannot be read: {error.strerror}") from None
        self.begin = self._begin_ns * NS

    @property
    def lost(self) -> int:
        """The number of unreadable parts of the file."""
        return len(self.damage)

    @property
    def namespace(self) -> str:
        """The namespace of the robot's topics, with both slashes: the first with joint_states, "/" by default."""
        told = self.metadata.get("quadleg", {}).get("namespace")
        if told is not None and f"{told}joint_states" in self.topics:
            return told
        found = sorted(name for name in self.topics if name.endswith("/joint_states"))
        return found[0].removesuffix("joint_states") if found else "/"

    def batches(self, names: Collection[str]) -> Iterator[dict[RecordedChannel, Batch]]:
        """The messages of topics by their full names, some megabytes at a time."""
        parts: list[MessageRun] = []
        size, shift, last = 0, 0, self._begin_ns
        self.clock_steps.clear()
        self._unpacked = 0
        with self.path.open("rb", buffering=BUFFER) as file:
            for part in self._parts(file):
                if isinstance(part, int):
                    if part and abs(shift + part) < LATEST // 2:
                        shift += self._step(last, part)
                    continue
                times = part.times - shift
                most = np.maximum.accumulate(np.append(last, times))
                if ((times < most[:-1] - BACK) | (times > most[:-1] + AHEAD)).any():
                    # The recording of another program says nothing of steps.
                    times, shift = self._without_steps(part.times, shift, last)
                last = max(last, int(times.max(initial=last)))
                parts.append(replace(part, times=times - self._begin_ns))
                size += len(part.content)
                if size > BLOCK:
                    yield self._by_topic(parts, names)
                    parts, size = [], 0
        if parts:
            yield self._by_topic(parts, names)

    def _by_topic(self, parts: list[MessageRun], names: Collection[str]) -> dict[RecordedChannel, Batch]:
        channels, times, begins, ends = (
            np.concatenate([getattr(part, key) for part in parts]) for key in ("channels", "times", "begins", "ends")
        )
        sources = np.repeat(np.arange(len(parts)), [len(part.times) for part in parts])
        contents = [part.content for part in parts]
        wanted: dict[RecordedChannel, list[int]] = {}
        for channel, topic in self._described.channels.items():
            if topic.name in names:
                wanted.setdefault(topic, []).append(channel)
        batches: dict[RecordedChannel, Batch] = {}
        for topic, own_channels in wanted.items():
            own = np.flatnonzero(np.isin(channels, own_channels))
            if len(own):
                places = zip(sources[own].tolist(), begins[own].tolist(), ends[own].tolist())
                messages = [contents[source][begin:end] for source, begin, end in places]
                batches[topic] = Batch((times[own] * NS).tolist(), messages)
        return batches

    def _without_steps(self, log_times: Integers, shift: int, last: int) -> tuple[Integers, int]:
        """Return times without the steps of the clock, unrecorded ones too, and the shift after them."""
        times = []
        for log_time in log_times.tolist():
            time = log_time - shift
            if not last - BACK <= time <= last + AHEAD:
                shift += self._step(last, time - last)
                time = last
            last = max(last, time)
            times.append(time)
        return np.array(times, np.int64), shift

    def _step(self, last: int, step: int) -> int:
        """Note a step of the clock in ns, and return it."""
        self.clock_steps.append(((last - self._begin_ns) * NS, step * NS))
        return step

    # The parts of it

    def _look(self, file: BinaryIO) -> int:
        """Find the topics; return when the first message was recorded, in ns."""
        chunks = []
        first = None
        for opcode, offset, length in scan(file):
            if opcode == Opcode.FOOTER:
                self.cut = False
            elif opcode == Opcode.CHUNK:
                chunks.append((offset, length))
            elif opcode == Opcode.MESSAGE and first is None and length >= MESSAGE.size:
                time = MESSAGE.unpack(file.read(MESSAGE.size))[2]
                first = time if time < LATEST else None
            elif opcode in (Opcode.METADATA, Opcode.SCHEMA, Opcode.CHANNEL):
                self._look_at(file, opcode, offset, length)
        described = bool(self.topics)
        for place in chunks:
            if first is not None and described:
                break
            # Some programs describe a topic only in the chunk with its first message, and at the file's end.
            content = self._content(file, *place)
            if content is not None:
                times = self._walk(*content).times
                first = int(times[0]) if first is None and len(times) else first
        if first is None or not self.topics:
            why = f" ({next(iter(self.damage.values()))})" if self.damage else ""
            raise RecordingError(
                f"{self.path} has no messages in it that can be read{why}: it was cut too early, or is damaged, or "
                f"nothing ran beside it"
            )
        return first

    def _look_at(self, file: BinaryIO, opcode: int, offset: int, length: int) -> None:
        """Take a record of metadata, a schema or a channel; damage is noted."""
        try:
            if opcode == Opcode.METADATA:
                found = read(file, Metadata, offset, length)
                self.metadata.setdefault(found.name, found.metadata)
            elif length <= MOST_PACKED:
                file.seek(offset)
                self._described.describe(opcode, file.read(length))
        except RecordingError as error:
            self._note(offset, str(error))

    def _parts(self, file: BinaryIO) -> Iterator[MessageRun | int]:
        """All messages, a chunk at a time, and the steps of the clock between them in ns."""
        chunk: tuple[bytes, int] | None = None
        index: list[bytes] = []
        loose: list[tuple[int, int]] = []  # where messages outside of chunks stand, and how long they are
        for opcode, offset, length in scan(file):
            if opcode == Opcode.MESSAGE_INDEX:
                if chunk and sum(map(len, index)) + length <= len(chunk[0]):  # 16 bytes for each message of 31 or more
                    file.seek(offset)
                    index.append(file.read(length))
                continue
            if chunk:
                yield by_index(chunk[0], index) or self._walk(*chunk)
                chunk, index = None, []
            if opcode == Opcode.MESSAGE:
                loose.append((offset, length))
                if len(loose) < MOST_LOOSE and sum(size for _, size in loose) < BLOCK:
                    continue
            if loose:
                yield self._loose(file, loose)
                loose = []
            if opcode == Opcode.CHUNK:
                chunk = self._content(file, offset, length)
            elif opcode == Opcode.METADATA:
                yield self._noted_step(file, offset, length)
        # The file may be cut within the indexes.
        yield (by_index(chunk[0], index) or self._walk(*chunk)) if chunk else self._loose(file, loose)

    def _loose(self, file: BinaryIO, places: Sequence[tuple[int, int]]) -> MessageRun:
        """Messages outside of chunks."""
        records = []
        for offset, length in places:
            if MESSAGE.size <= length <= MOST_UNPACKED:
                file.seek(offset - HEAD.size)
                records.append(file.read(HEAD.size + length))
            else:
                self._note(offset, f"a message of {length} bytes")
        return self._walk(b"".join(records), places[0][0] if places else 0)

    def _noted_step(self, file: BinaryIO, offset: int, length: int) -> int:
        """Return the ns by which a record of metadata says the clock was set; 0 if it is another, or damaged."""
        try:
            found = read(file, Metadata, offset, length)
        except RecordingError:
            return 0  # noted when the file was looked through
        if found.name != CLOCK_STEP:
            return 0
        said = found.metadata.get("seconds", "")
        try:
            seconds = float(said)
        except ValueError:
            seconds = np.nan
        if not isfinite(seconds) or abs(seconds) > NS * LATEST / 8:
            self._note(offset, f"a step of the clock by {shortened(said, 20)!r} s")
            return 0
        return round(seconds / NS)

    def _note(self, offset: int, why: str) -> None:
        if len(self.damage) < MOST_NOTED:
            self.damage.setdefault(offset, why)

    def _content(self, file: BinaryIO, offset: int, length: int) -> tuple[bytes, int] | None:
        """Return the records in a chunk and its place; None if it is damaged."""
        try:
            chunk = read(file, Chunk, offset, length)
            self._unpacked += chunk.uncompressed_size if chunk.uncompressed_size <= MOST_UNPACKED else 0
            if self._unpacked > self._most_unpacked:
                raise RecordingError(f"the file unpacks to more than {self._most_unpacked >> 20} MB")
            return unpacked(chunk), offset
        except RecordingError as error:
            self._note(offset, str(error))
            return None

    def _walk(self, content: bytes, offset: int) -> MessageRun:
        """Return the messages among records, and take the schemas and channels among them."""

        def describe(opcode: int, record: bytes) -> None:
            try:
                self._described.describe(opcode, record)
            except RecordingError as error:
                self._note(offset, str(error))

        run = by_walk(content, describe)
        if run.damage:
            self._note(offset, run.damage)
        return run
