"""The recorder's writer: packs messages twice a second into a file, into memory for a minute, or both.

A worker of its host does all work on chunks and disk, so that the caller never waits for it.
"""

from __future__ import annotations

import shutil
import threading
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import closing, suppress
from pathlib import Path
from typing import Protocol

from mcap.records import Channel, Schema

from quadleg.errors import OutputPathError
from quadleg.recording.chunks import PackedChunk, ReceivedMessage, pack
from quadleg.recording.mcap_file import McapFile
from quadleg.recording.records import CLOCK_STEP, MESSAGE_ENCODING, SCHEMA_ENCODING

FLUSH_PERIOD = 0.5  # s: a cut loses no more than this and the time of one flush
LAST_MINUTE = 60.0  # s that stay in memory
CLOCK_STEPPED = 0.1  # s that the system clock gains on the steady one between two messages: it was set
LEAST_FREE = 64 << 20  # bytes that are left free on the disk
LARGEST_CHUNK = 8 << 20  # bytes of messages in one chunk: far below what readers take (chunks.MOST_UNPACKED)
MOST_WAITING = 400_000  # messages that wait for a slow disk


class FlushWorker(Protocol):
    """What takes the steps that a `RecordingHost` was given."""

    def close(self) -> None:
        """Take no further step, and wait for the end of the one under way."""


class RecordingHost(Protocol):
    """The clocks and the threads of the process, as a node has them."""

    def steady_time(self) -> float:
        """Return the seconds of the clock that never jumps."""

    def ros_time(self) -> int:
        """Return what the clock of received messages shows in ns, which may be set while this runs."""

    def start_worker(self, name: str, step: Callable[[bool], float | None], delay: float = 0.0) -> FlushWorker:
        """Take steps in a thread of its own, as `middleware.interface.Middleware` has it."""


class RecordingWriter:
    """Keeps the last minute, and records into `path` unless that is None.

    `metadata` go into each file. Raises OutputPathError where `path` cannot be written. `trouble` says why nothing is
    recorded any more; `recorded` and `lost` count messages.
    """

    def __init__(self, host: RecordingHost, path: Path | None, metadata: Mapping[str, Mapping[str, str]]) -> None:
        self._host = host
        self.trouble: str | None = None
        self.recorded = self.lost = 0
        self._metadata = dict(metadata)
        self._schemas: dict[str, Schema] = {}
        self._channels: dict[int, Channel] = {}
        self._sequences: dict[int, int] = {}
        self._latched: dict[int, ReceivedMessage] = {}  # the last on each topic that is published once
        self._latching: set[int] = set()
        # A number among the messages: the system clock was set forward by so many s.
        self._waiting: deque[ReceivedMessage | float] = deque()
        self._ahead = 1e-9 * host.ros_time() - host.steady_time()
        self._set_at = 0  # ns: what the system clock was set to when it was last seen to step
        self._minute: deque[tuple[float, PackedChunk | float]] = deque()  # with the steady clock's time
        self._file = open_file(path, self._metadata) if path else None
        self._work = threading.Lock()  # held while packing
        self._worker = host.start_worker("recorder", self._flush, FLUSH_PERIOD)

    @property
    def path(self) -> Path | None:
        """The file that is recorded into; None where there is none, or not any more."""
        return self._file.path if self._file else None

    def channel(self, topic: str, type_name: str, definition: str, qos: str, latched: bool) -> int:
        """The channel for a topic, by its full name; `qos` is kept with it, and the last message of a latched one."""
        if type_name not in self._schemas:
            number = len(self._schemas) + 1
            self._schemas[type_name] = Schema(number, definition.encode(), SCHEMA_ENCODING, type_name)
        number = len(self._channels) + 1
        metadata = {"offered_qos_profiles": qos}
        self._channels[number] = Channel(number, topic, MESSAGE_ENCODING, metadata, self._schemas[type_name].id)
        self._sequences[number] = 0
        if latched:
            self._latching.add(number)
        return number

    def take(self, channel: int, data: bytes, received: int = 0) -> None:
        """Take one message as received: at `received` ns of the system clock, or just now if that is not known."""
        now, steady = self._host.ros_time(), self._host.steady_time()
        ahead = 1e-9 * now - steady
        if abs(ahead - self._ahead) > CLOCK_STEPPED:
            self._waiting.append(ahead - self._ahead)
            self._ahead, self._set_at = ahead, now
        # What was received before the clock was set has a time that is no more.
        at = received if self._set_at < received <= now else now
        if len(self._waiting) > MOST_WAITING:
            self.lost += 1
            return
        self._sequences[channel] = sequence = self._sequences[channel] + 1
        self._waiting.append(ReceivedMessage(channel, sequence, at, data))

    def describe(self, name: str, values: Mapping[str, str]) -> None:
        """Add to the metadata of the file and of what is kept later; what is known already is left."""
        if self._metadata.get(name) == values:
            return
        with self._work:
            self._metadata[name] = values
            if self._file:
                self._write(lambda file: file.note(name, values))

    def keep(self, path: Path) -> int:
        """Save the last minute; how many messages that were. Raises OutputPathError where it cannot be written."""
        with self._work:
            self._pack()
            stored = [entry for _, entry in self._minute]
            begin = min((entry.start_time for entry in stored if isinstance(entry, PackedChunk)), default=None)
            if begin is None:
                raise OutputPathError("there is nothing to keep: nothing was heard in the last minute")
            before = [
                ReceivedMessage(message.channel, message.sequence, begin, message.data)
                for message in self._latched.values()
                if message.log_time < begin
            ]
            try:
                with closing(open_file(path, self._metadata)) as file:
                    file.add_channels(list(self._schemas.values()), list(self._channels.values()))
                    if before:
                        file.add(pack(before))
                    for entry in stored:
                        _add(file, entry)
            except OSError as error:
                raise OutputPathError(f"{path} cannot be written: {error.strerror or error}") from error
        return sum(sum(entry.counts.values()) for entry in stored if isinstance(entry, PackedChunk)) + len(before)

    def close(self) -> None:
        """Write what is left, and the end of the file."""
        self._worker.close()
        with self._work:
            self._pack()
            if self._file:
                self._write(McapFile.close)
                self._file = None

    # The worker

    def _flush(self, _: bool) -> float:
        with self._work:
            self._pack()
        return FLUSH_PERIOD

    def _pack(self) -> None:
        """Pack all that waits, into the last minute and into the file."""
        entries: list[PackedChunk | float] = []
        messages: list[ReceivedMessage] = []
        size = 0
        for _ in range(len(self._waiting)):  # what comes meanwhile waits for the next time
            message = self._waiting.popleft()
            if isinstance(message, ReceivedMessage):
                if size + len(message.data) > LARGEST_CHUNK and messages:
                    entries.append(_packed(messages))
                    messages, size = [], 0
                messages.append(message)
                size += len(message.data)
                if message.channel in self._latching:
                    self._latched[message.channel] = message
                continue
            if messages:
                entries.append(_packed(messages))
                messages, size = [], 0
            entries.append(message)
        if messages:
            entries.append(_packed(messages))
        now = self._host.steady_time()
        self._minute.extend((now, entry) for entry in entries)
        while self._minute and now - self._minute[0][0] > LAST_MINUTE:
            self._minute.popleft()
        if self._file and entries:
            self._write(lambda file: self._record(file, entries))

    def _record(self, file: McapFile, entries: list[PackedChunk | float]) -> None:
        if full := _is_full(file.path.parent):
            file.close()
            self._stop(full)
            return
        file.add_channels(list(self._schemas.values()), list(self._channels.values()))
        for entry in entries:
            _add(file, entry)
        file.flush()
        self.recorded += sum(sum(entry.counts.values()) for entry in entries if isinstance(entry, PackedChunk))

    def _write(self, action: Callable[[McapFile], None]) -> None:
        assert self._file
        try:
            action(self._file)
        except OSError as error:
            with suppress(OSError):
                self._file.close()
            self._stop(f"{error.strerror or error}")

    def _stop(self, why: str) -> None:
        assert self._file
        self.trouble = f"recording stopped: {why}; what was recorded before is in {self._file.path}"
        self._file = None


def open_file(path: Path, metadata: Mapping[str, Mapping[str, str]]) -> McapFile:
    """A new file.

    Raises OutputPathError where there is one already, it cannot be written, or the disk is nearly full.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if full := _is_full(path.parent):
            raise OutputPathError(f"{path} is not written: {full}")
        return McapFile(path, metadata)
    except FileExistsError:
        raise OutputPathError(f"{path} is there already and stays as it is: name a new file") from None
    except OSError as error:
        raise OutputPathError(f"{path} cannot be written: {error.strerror or error}") from error


def _is_full(folder: Path) -> str | None:
    """Why nothing more should be written into a folder; None where there is room."""
    free = shutil.disk_usage(folder).free
    return f"only {free >> 20} MB are free on the disk" if free < LEAST_FREE else None


def _packed(messages: list[ReceivedMessage]) -> PackedChunk:
    """Pack in the order of times: messages may come topic by topic."""
    return pack(sorted(messages, key=lambda message: message.log_time))


def _add(file: McapFile, entry: PackedChunk | float) -> None:
    if isinstance(entry, PackedChunk):
        file.add(entry)
    else:
        file.note(CLOCK_STEP, {"seconds": f"{entry:.9f}"})
