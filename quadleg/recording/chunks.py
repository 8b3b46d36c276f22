"""Messages packed into compressed chunks, as the MCAP specification has them: https://mcap.dev/spec.

Each chunk stands alone: a file takes one after the other, and memory can keep the latest.
"""

from __future__ import annotations

import zlib
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from struct import Struct
from typing import NamedTuple

import lz4.frame
import zstandard
from mcap.data_stream import RecordBuilder
from mcap.opcode import Opcode
from mcap.records import Chunk, ChunkIndex, MessageIndex

from quadleg.errors import RecordingError

ZSTD = "zstd"
LZ4 = "lz4"
MOST_UNPACKED = 64 << 20  # bytes of one chunk; ours have some 100 kB, other programs' mostly 1 to 4 MB
MOST_PACKED = MOST_UNPACKED + (1 << 20)  # bytes of a chunk's record: what does not compress grows a little
_LEVEL = 1  # what a small computer has time for; higher ones gain little on numbers
_HEAD = Struct("<BQHIQQ")  # opcode, length, channel, sequence, log time, publish time
_FIELDS = _HEAD.size - 9  # bytes of a message's record before its data: all but opcode and length


class ReceivedMessage(NamedTuple):
    """One message as received: its bytes, the channel that describes them, and the system clock at receipt in ns."""

    channel: int
    sequence: int
    log_time: int
    data: bytes


@dataclass(frozen=True)
class PackedChunk:
    """A chunk with its message indexes, ready for a file: `data` is written as it is.

    `counts` are messages by channel; `chunk_length` is the length of the chunk's own record.
    """

    data: bytes
    chunk_length: int
    index_offsets: dict[int, int]
    start_time: int
    end_time: int
    compressed_size: int
    uncompressed_size: int
    counts: dict[int, int]

    def index(self, offset: int) -> ChunkIndex:
        """Return the index record of the chunk, once it is written at `offset`."""
        return ChunkIndex(
            chunk_length=self.chunk_length,
            chunk_start_offset=offset,
            compression=ZSTD,
            compressed_size=self.compressed_size,
            message_end_time=self.end_time,
            message_index_length=len(self.data) - self.chunk_length,
            message_index_offsets={channel: offset + at for channel, at in self.index_offsets.items()},
            message_start_time=self.start_time,
            uncompressed_size=self.uncompressed_size,
        )


def pack(messages: Sequence[ReceivedMessage]) -> PackedChunk:
    """Pack one or more messages into a chunk, in the order given."""
    records = bytearray()
    entries: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for message in messages:
        entries[message.channel].append((message.log_time, len(records)))
        length = _FIELDS + len(message.data)
        records += _HEAD.pack(
            Opcode.MESSAGE, length, message.channel, message.sequence, message.log_time, message.log_time
        )
        records += message.data
    start, end = min(m.log_time for m in messages), max(m.log_time for m in messages)
    compressed = zstandard.ZstdCompressor(level=_LEVEL).compress(bytes(records))
    builder = RecordBuilder()
    Chunk(ZSTD, compressed, end, start, zlib.crc32(records), len(records)).write(builder)
    chunk_length = builder.count
    offsets = {}
    for channel, found in entries.items():
        offsets[channel] = builder.count
        MessageIndex(channel_id=channel, records=found).write(builder)
    counts = {channel: len(found) for channel, found in entries.items()}
    return PackedChunk(builder.end(), chunk_length, offsets, start, end, len(compressed), len(records), counts)


def unpacked(chunk: Chunk) -> bytes:
    """Return the records in a chunk. Raises RecordingError if it is damaged or larger than `MOST_UNPACKED`.

    At most as much is unpacked as the chunk itself states.
    """
    size = chunk.uncompressed_size
    if size > MOST_UNPACKED:
        raise RecordingError(f"a chunk of {size} bytes, of which {MOST_UNPACKED} are the most that is read")
    if chunk.compression not in (ZSTD, LZ4, ""):
        raise RecordingError(f"a chunk compressed by {chunk.compression!r}; zstd, lz4 or none are read")
    try:
        content = _decompressed(chunk, size)
    except (zstandard.ZstdError, RuntimeError, EOFError, ValueError) as error:  # lz4 raises RuntimeError
        raise RecordingError(f"a damaged chunk: {error}") from None
    if len(content) != size:
        raise RecordingError("a damaged chunk: it is not of the size that it says")
    if chunk.uncompressed_crc and zlib.crc32(content) != chunk.uncompressed_crc:
        raise RecordingError("a damaged chunk: its checksum is another")
    return content


def _decompressed(chunk: Chunk, size: int) -> bytes:
    """Return up to `size` bytes of its content, and one more if there is more."""
    if chunk.compression == ZSTD:
        with zstandard.ZstdDecompressor(max_window_size=2 * MOST_UNPACKED).stream_reader(chunk.data) as stream:
            return stream.read(size + 1)
    if chunk.compression == LZ4:
        return bytes(lz4.frame.LZ4FrameDecompressor().decompress(chunk.data, max_length=size + 1))
    return bytes(chunk.data)
