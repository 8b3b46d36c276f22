"""Recordings as files: by the MCAP specification (https://mcap.dev/spec), read back by `mcap` and by `rosbags`,
which are two implementations that know nothing of ours; whole, cut anywhere, and finished afterwards.
"""

from __future__ import annotations

import re
import resource
from collections.abc import Callable
from pathlib import Path

import pytest
from damaged_files import FilePart, joined, pieces, record
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis_settings import examples
from mcap.opcode import Opcode
from mcap.reader import make_reader
from mcap.records import Channel, Metadata, Schema
from mcap.stream_reader import StreamReader
from mcap.writer import CompressionType, Writer
from rosbags.highlevel import AnyReader

from quadleg.errors import RecordingError
from quadleg.recording.chunks import MOST_UNPACKED, ReceivedMessage, pack
from quadleg.recording.mcap_file import MOST_CUT_OFF, McapFile, finish
from quadleg.recording.open_recording import opened
from quadleg.recording.reader import Recording

SCHEMA = Schema(id=1, data=b"string data\n", encoding="ros2msg", name="std_msgs/msg/String")
CHANNELS = [Channel(k, f"/topic_{k}", "cdr", {}, 1) for k in (1, 2, 3)]
CHUNKS, PER_CHUNK = 6, 20


def message(number: int) -> ReceivedMessage:
    text = f"message {number}".encode()
    data = b"\0\1\0\0" + (len(text) + 1).to_bytes(4, "little") + text + b"\0"
    return ReceivedMessage(1 + number % 3, number, 10**18 + number * 1000, data)


MESSAGES = [message(number) for number in range(CHUNKS * PER_CHUNK)]


def write(path: Path, closed: bool = True) -> list[int]:
    """A recording of all MESSAGES; the sizes that the file had after each chunk."""
    file = McapFile(path, {"quadleg": {"namespace": "/"}})
    file.add_channels([SCHEMA], CHANNELS)
    sizes = []
    for begin in range(0, len(MESSAGES), PER_CHUNK):
        file.add(pack(MESSAGES[begin : begin + PER_CHUNK]))
        file.flush()
        sizes.append(path.stat().st_size)
    if closed:
        file.close()
    return sizes


def by_mcap(path: Path) -> list[tuple[int, int, int, bytes]]:
    """All messages in the order of the file, by the mcap library, which checks all checksums."""
    with path.open("rb") as file:
        reader = make_reader(file, validate_crcs=True)
        assert reader.get_summary() is not None
        found = [
            (m.channel_id, m.sequence, m.log_time, m.data) for _, _, m in reader.iter_messages(log_time_order=False)
        ]
    with path.open("rb") as file:
        list(StreamReader(file, validate_crcs=True).records)  # raises where a record or a checksum is wrong
    return found


def by_us(path: Path) -> list[bytes]:
    recording = Recording(path)
    batches = list(recording.batches(recording.topics))
    every = [pair for batch in batches for one in batch.values() for pair in zip(one.times, one.data)]
    return [data for _, data in sorted(every)]


def as_written(count: int) -> list[tuple[int, int, int, bytes]]:
    return [(m.channel, m.sequence, m.log_time, m.data) for m in MESSAGES[:count]]


def test_a_whole_file_is_read_by_two_other_implementations(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    write(path)
    assert by_mcap(path) == as_written(len(MESSAGES))
    with AnyReader([path]) as reader:
        assert [(c.topic, t, bytes(d)) for c, t, d in reader.messages()] == [
            (f"/topic_{m.channel}", m.log_time, m.data) for m in MESSAGES
        ]
        assert reader.deserialize(MESSAGES[3].data, "std_msgs/msg/String").data == "message 3"
    assert by_us(path) == [m.data for m in MESSAGES]
    with path.open("rb") as file:
        summary = make_reader(file).get_summary()
        assert summary.statistics.message_count == len(MESSAGES)
        assert summary.statistics.chunk_count == CHUNKS
        assert summary.statistics.channel_message_counts == {1: 40, 2: 40, 3: 40}
        (metadata,) = make_reader(file).iter_metadata()
        assert metadata.metadata == {"namespace": "/"}
    assert not finish(path)


def test_a_reader_that_wants_one_topic_finds_it_by_the_indexes(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    write(path)
    with path.open("rb") as file:
        found = [m.data for _, _, m in make_reader(file).iter_messages(["/topic_2"])]
    assert found == [m.data for m in MESSAGES if m.channel == 2]


@settings(max_examples=examples(60), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.floats(0, 1))
def test_a_file_cut_anywhere_has_all_that_was_flushed_before_and_can_be_finished(tmp_path: Path, share: float) -> None:
    path = tmp_path / "a.mcap"
    path.unlink(missing_ok=True)
    sizes = write(path, closed=False)
    length = round(share * sizes[-1])
    with path.open("r+b") as file:
        file.truncate(length)
    flushed = sum(size <= length for size in sizes) * PER_CHUNK
    try:
        before = by_us(path)
    except RecordingError as error:
        assert not flushed
        assert re.search("no messages|no recording|is empty", str(error))
        return
    assert before[:flushed] == [m.data for m in MESSAGES[:flushed]]
    assert before == [m.data for m in MESSAGES[: len(before)]]
    assert Recording(path).cut
    assert finish(path)
    assert by_mcap(path) == as_written(len(before))
    with path.open("rb") as file:
        found = [m.data for _, _, m in make_reader(file).iter_messages(["/topic_2"])]
    assert found == [m.data for m in MESSAGES[: len(before)] if m.channel == 2]
    assert not Recording(path).cut
    assert not finish(path)


@settings(max_examples=examples(60), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.floats(0, 1), st.binary(min_size=1, max_size=30))
def test_rubbish_on_the_disk_behind_the_last_flush_costs_nothing_before_it(
    tmp_path: Path, share: float, rubbish: bytes
) -> None:
    path = tmp_path / "a.mcap"
    path.unlink(missing_ok=True)
    sizes = write(path, closed=False)
    flushed = 1 + round(share * (CHUNKS - 2))
    with path.open("r+b") as file:
        file.seek(sizes[flushed - 1])
        file.truncate()
        file.write(bytes(64) + rubbish)
    assert by_us(path)[: flushed * PER_CHUNK] == [m.data for m in MESSAGES[: flushed * PER_CHUNK]]
    assert finish(path)
    assert by_mcap(path) == as_written(flushed * PER_CHUNK)


def test_one_that_is_being_written_is_read_and_left_alone(tmp_path: Path) -> None:
    path, said = tmp_path / "a.mcap", []
    file = McapFile(path, {})
    file.add_channels([SCHEMA], CHANNELS)
    file.add(pack(MESSAGES[:9]))
    file.flush()
    assert by_us(path) == [m.data for m in MESSAGES[:9]]
    assert not finish(path)
    assert opened(path, said.append).cut
    assert "still being written" in said[0]
    file.add(pack(MESSAGES[9:15]))
    file.close()
    assert by_mcap(path) == as_written(15)


def test_a_cut_one_is_finished_as_it_is_opened_and_that_is_said(tmp_path: Path) -> None:
    path, said = tmp_path / "a.mcap", []
    write(path, closed=False)
    assert not opened(path, said.append).cut
    assert "was cut; all that got onto the disk is there" in said[0]
    assert by_mcap(path) == as_written(len(MESSAGES))


def test_a_cut_one_of_another_program_is_read_and_not_changed(tmp_path: Path) -> None:
    path, said = tmp_path / "a.mcap", []
    foreign(path, CompressionType.ZSTD)
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size - 10)
    before = path.read_bytes()
    assert opened(path, said.append).cut
    assert "as far as it goes" in said[0]
    assert path.read_bytes() == before


def foreign(path: Path, compression: CompressionType, chunked: bool = True) -> None:
    """A recording by the mcap library's own writer."""
    with path.open("wb") as file:
        writer = Writer(file, chunk_size=500, compression=compression, use_chunking=chunked)
        writer.start("ros2", "another")
        schema = writer.register_schema(SCHEMA.name, SCHEMA.encoding, SCHEMA.data)
        channels = [writer.register_channel(channel.topic, "cdr", schema) for channel in CHANNELS]
        for m in MESSAGES:
            writer.add_message(channels[m.channel - 1], m.log_time, m.data, m.log_time, m.sequence)
        writer.finish()


@pytest.mark.parametrize("compression", CompressionType)
@pytest.mark.parametrize("chunked", [True, False])
def test_those_of_other_programs_are_read(tmp_path: Path, compression: CompressionType, chunked: bool) -> None:
    path = tmp_path / "a.mcap"
    foreign(path, compression, chunked)
    recording = Recording(path)
    assert not recording.cut
    assert {name: topic.type for name, topic in recording.topics.items()} == {
        f"/topic_{k}": SCHEMA.name for k in (1, 2, 3)
    }
    assert by_us(path) == [m.data for m in MESSAGES]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"SQLite format 3\0" + bytes(100), "does not begin as an MCAP file does"),
        (b"\x89MCAP0\r\n", "has no messages in it"),
    ],
)
def test_what_is_no_recording_is_told(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "a.mcap"
    path.write_bytes(content)
    with pytest.raises(RecordingError, match=words):
        Recording(path)


def test_a_file_that_is_missing_is_told(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="cannot be read: No such file"):
        Recording(tmp_path / "a.mcap")


def test_a_chunk_that_was_damaged_costs_its_own_messages_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    sizes = write(path)
    content = bytearray(path.read_bytes())
    content[sizes[1] + 80] ^= 0xFF
    path.write_bytes(content)
    recording = Recording(path)
    found = [data for batch in recording.batches(recording.topics) for one in batch.values() for data in one.data]
    assert recording.lost == 1
    assert len(found) == len(MESSAGES) - PER_CHUNK


def damaged(path: Path, change: Callable[[list[FilePart]], object]) -> Recording:
    """A recording of ours whose records were changed."""
    write(path)
    parts = pieces(path.read_bytes())
    change(parts)
    path.write_bytes(joined(parts))
    return Recording(path)


def all_data(recording: Recording) -> list[bytes]:
    return [data for batch in recording.batches(recording.topics) for one in batch.values() for data in one.data]


def first(parts: list[FilePart], kind: int) -> FilePart:
    return next(part for part in parts if part.kind == kind)


def offset_of_first_entry(parts: list[FilePart], offset: int) -> None:
    index = first(parts, Opcode.MESSAGE_INDEX)
    index.content = index.content[:14] + offset.to_bytes(8, "little", signed=True) + index.content[22:]


@pytest.mark.parametrize("offset", [-1, -(2**63), 1, 2**40, 2**63 - 1])
def test_an_index_that_points_elsewhere_costs_nothing(tmp_path: Path, offset: int) -> None:
    recording = damaged(tmp_path / "a.mcap", lambda parts: offset_of_first_entry(parts, offset))
    assert sorted(all_data(recording)) == sorted(m.data for m in MESSAGES)
    assert not recording.damage


def test_an_index_of_other_channels_and_times_is_not_believed(tmp_path: Path) -> None:
    def change(parts: list[FilePart]) -> None:
        index = first(parts, Opcode.MESSAGE_INDEX)
        index.content = b"\x03\0" + index.content[2:6] + bytes(8) + index.content[14:]

    recording = damaged(tmp_path / "a.mcap", change)
    assert by_us(recording.path) == [m.data for m in MESSAGES]


@pytest.mark.parametrize("compression", ["zstd", "lz4"])
@pytest.mark.parametrize("says", [None, 1000, 3 << 30])
def test_a_chunk_that_unpacks_to_more_than_it_says_is_not_unpacked(
    tmp_path: Path, says: int | None, compression: str
) -> None:
    def change(parts: list[FilePart]) -> None:
        bomb = FilePart(Opcode.MESSAGE, bytes(22 + MOST_UNPACKED))
        parts.insert(1, FilePart(Opcode.CHUNK, inner=[bomb], compression=compression, size=says))

    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    recording = damaged(tmp_path / "a.mcap", change)
    assert sorted(all_data(recording)) == sorted(m.data for m in MESSAGES)
    (why,) = recording.damage.values()
    assert "chunk" in why
    made = 3 * MOST_UNPACKED >> 10  # kB that the test itself takes to make the bomb
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < made + (2 * MOST_UNPACKED >> 10)


def test_chunks_that_unpack_to_more_than_any_recording_are_not_all_read(tmp_path: Path) -> None:
    fill = FilePart(Opcode.MESSAGE, bytes(22 + (20 << 20)))

    def change(parts: list[FilePart]) -> None:
        parts[1:1] = [FilePart(Opcode.CHUNK, inner=[fill])] * 5

    recording = damaged(tmp_path / "a.mcap", change)
    all_data(recording)
    assert any("unpacks to more than 64 MB" in why for why in recording.damage.values())


@pytest.mark.parametrize("seconds", ["nan", "inf", "-1e300", "soon", None])
def test_a_step_of_the_clock_that_makes_no_sense_is_left_out(tmp_path: Path, seconds: str | None) -> None:
    content = record(Metadata("clock_step", {} if seconds is None else {"seconds": seconds}))
    recording = damaged(tmp_path / "a.mcap", lambda parts: parts.insert(3, FilePart(Opcode.METADATA, content)))
    assert sorted(all_data(recording)) == sorted(m.data for m in MESSAGES)
    assert not recording.clock_steps
    (why,) = recording.damage.values()
    assert "a step of the clock" in why


def test_one_time_far_off_moves_no_other(tmp_path: Path) -> None:
    def change(parts: list[FilePart]) -> None:
        message = first(parts, Opcode.CHUNK).inner[3]
        message.content = message.content[:6] + (2**61).to_bytes(8, "little") + message.content[14:]

    recording = damaged(tmp_path / "a.mcap", change)
    times = [time for batch in recording.batches(recording.topics) for one in batch.values() for time in one.times]
    assert max(times) - min(times) < 3600.0
    assert len(recording.clock_steps) == 2


def test_records_that_are_cut_short_within_are_said_with_their_place(tmp_path: Path) -> None:
    def change(parts: list[FilePart]) -> None:
        parts.insert(1, FilePart(Opcode.SCHEMA, b"\1\0\xff\0\0\0x"))
        parts.insert(2, FilePart(Opcode.METADATA, b"\xff" * 3))

    recording = damaged(tmp_path / "a.mcap", change)
    assert sorted(all_data(recording)) == sorted(m.data for m in MESSAGES)
    assert len(recording.damage) == 2
    assert all(0 < place < 300 for place in recording.damage)


def test_one_that_is_damaged_in_its_middle_is_not_cut_off_there(tmp_path: Path) -> None:
    """To finish a recording throws away what is behind its last whole record: no more than the last chunk."""
    path = tmp_path / "a.mcap"
    sizes = write(path, closed=False)
    content = bytearray(path.read_bytes())
    content[sizes[0] + 1 : sizes[0] + 9] = (2**40).to_bytes(8, "little")
    path.write_bytes(content + bytes(MOST_CUT_OFF))
    before = path.read_bytes()
    said: list[str] = []
    assert opened(path, said.append).cut
    assert path.read_bytes() == before
    assert "It is read as far as it goes" in said[0]
