"""Recordings and robot files damaged by chance, or on purpose: each by its seed, always the same.

A recording is taken apart into its records and put together again, so that the damage gets past lengths, checksums and
compression: https://mcap.dev/spec.
"""

from __future__ import annotations

import random
import re
import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import lz4.frame
import sample_recordings
import zstandard
from mcap.data_stream import ReadDataStream, RecordBuilder
from mcap.opcode import Opcode
from mcap.records import Channel, Chunk, Metadata, Schema
from mcap.writer import CompressionType, Writer

MAGIC = b"\x89MCAP0\r\n"
HEAD = struct.Struct("<BQ")
SECONDS = 3.0  # of the recordings that are damaged
EVERY = 5  # messages of which one is kept

NUMBERS = [0, 1, -1, 2**15, 2**31 - 1, 2**31, 2**32 - 1, 2**62, 2**63 - 1, 2**63, 2**64 - 1]
FLOATS = [float("nan"), float("inf"), -float("inf"), 1e308, -1e308, 5e-324, 1e30, -1e9, 0.0, 1e5]
TEXTS = [
    "", "x", "zstd", "lz4", "nan", "inf", "-1e400", "1e18", "9" * 400, "quadleg", "/", "//", "measured", "ros2msg",
    "cdr", "json", "\x1b[2J", "<script>alert(1)</script>", "=1+1", "$x_{$", "ü\u202e\0", "a" * 5000,
    "joint_states", "{}",
]  # fmt: skip


@dataclass
class FilePart:
    """One record of a file: what it is and its content; of a chunk, what is in it instead."""

    kind: int
    content: bytes = b""
    inner: list[FilePart] = field(default_factory=list)
    compression: str = "zstd"
    length: int | None = None  # what it says of itself, where that is not so
    size: int | None = None
    crc: int | None = None

    def written(self) -> bytes:
        content = self._chunk() if self.kind == Opcode.CHUNK else self.content
        return HEAD.pack(self.kind & 0xFF, (len(content) if self.length is None else self.length) % 2**64) + content

    def _chunk(self) -> bytes:
        records = b"".join(piece.written() for piece in self.inner)
        packed = {
            "zstd": lambda: zstandard.ZstdCompressor(level=1).compress(records),
            "lz4": lambda: lz4.frame.compress(records),
        }.get(self.compression, lambda: records)()
        size = len(records) if self.size is None else self.size % 2**64
        crc = zlib.crc32(records) if self.crc is None else self.crc
        name = self.compression.encode()
        head = struct.pack("<QQQII", 0, 2**61, size, crc, len(name)) + name
        return head + struct.pack("<Q", len(packed)) + packed


def pieces(data: bytes) -> list[FilePart]:
    """The records of a sound file."""
    found, at = [], len(MAGIC)
    while at + HEAD.size <= len(data) - len(MAGIC):
        kind, length = HEAD.unpack_from(data, at)
        content = data[at + HEAD.size : at + HEAD.size + length]
        at += HEAD.size + length
        found.append(_taken_apart(content) if kind == Opcode.CHUNK else FilePart(kind, content))
    return found


def _taken_apart(content: bytes) -> FilePart:
    from io import BytesIO

    chunk = Chunk.read(ReadDataStream(BytesIO(content)))
    records = {
        "zstd": lambda: zstandard.ZstdDecompressor().decompress(chunk.data, chunk.uncompressed_size),
        "lz4": lambda: lz4.frame.decompress(chunk.data),
    }.get(chunk.compression, lambda: chunk.data)()
    inner, at = [], 0
    while at < len(records):
        kind, length = HEAD.unpack_from(records, at)
        inner.append(FilePart(kind, records[at + HEAD.size : at + HEAD.size + length]))
        at += HEAD.size + length
    return FilePart(Opcode.CHUNK, inner=inner, compression=chunk.compression)


def joined(parts: list[FilePart]) -> bytes:
    return MAGIC + b"".join(part.written() for part in parts) + MAGIC


def record(item: Schema | Channel | Metadata) -> bytes:
    """The content of a record."""
    builder = RecordBuilder()
    item.write(builder)
    return builder.end()[HEAD.size :]


def sound(folder: Path) -> list[bytes]:
    """Recordings that are whole: one of ours, and those of another program, packed in each way."""
    kept = [message for message in sample_recordings.made().messages if 2.0 <= message[0] <= 2.0 + SECONDS]
    rare = {"joint_states", "state", "servo_state", "diagnostics", "walking_limits", "base_target"}
    few = [m for k, m in enumerate(kept) if k % EVERY == 0 or m[1] in rare]
    few += [m for m in sample_recordings.made().messages if m[1] in ("servo_state", "walking_limits", "diagnostics")][
        :6
    ]
    few.sort(key=lambda message: message[0])
    path = folder / "ours.mcap"
    sample_recordings.write(path, few, sample_recordings.metadata())
    found = [path.read_bytes()]
    for way in (*CompressionType, None):
        path = folder / f"{way}.mcap"
        with path.open("wb") as file:
            writer = Writer(file, chunk_size=20_000, compression=way or CompressionType.NONE, use_chunking=bool(way))
            writer.start("ros2", "another")
            channels: dict[str, int] = {}
            for time, topic, message in few:
                kind = sample_recordings.TYPES[topic]
                if topic not in channels:
                    definition, _ = sample_recordings.STORE.generate_msgdef(kind, ros_version=2)
                    schema = writer.register_schema(kind, "ros2msg", definition.encode())
                    channels[topic] = writer.register_channel(f"/{topic}", "cdr", schema)
                at = round(1e9 * (sample_recordings.BEGIN + time))
                writer.add_message(channels[topic], at, sample_recordings.serialized(kind, message), at)
            writer.finish()
        found.append(path.read_bytes())
    return found


# Recordings


def damaged_recording(seed: str, whole: list[bytes]) -> bytes:
    """One of the recordings with one to four faults."""
    chance = random.Random(seed)
    data = chance.choice(whole)
    if chance.random() < 0.25:
        return _bytes(chance, data)
    parts = pieces(data)
    for _ in range(chance.choice([1, 1, 1, 2, 4])):
        chance.choice(_FAULTS)(chance, parts)
    data = joined(parts)
    return _bytes(chance, data) if chance.random() < 0.1 else data


def _bytes(chance: random.Random, data: bytes) -> bytes:
    """The same with bytes that were flipped, lost, doubled or put elsewhere."""
    found = bytearray(data)
    how = chance.randrange(6)
    a, b = sorted((chance.randrange(len(found)), chance.randrange(len(found))))
    if how == 0:
        for _ in range(chance.choice([1, 2, 10, 1000])):
            found[chance.randrange(len(found))] = chance.randrange(256)
    elif how == 1:
        del found[a:]
    elif how == 2:
        del found[a : min(b, a + chance.choice([1, 8, 1000]))]
    elif how == 3:
        found[a:a] = found[b : b + chance.choice([1, 9, 5000])]
    elif how == 4:
        found[a : a + 64] = bytes(64)
    else:
        found[a : a + 8] = struct.pack("<Q", chance.choice(NUMBERS) % 2**64)
    return bytes(found)


def _all(parts: list[FilePart], *kinds: int) -> list[tuple[list[FilePart], int]]:
    """Where records of a kind stand, in chunks too; of any kind where none is given."""
    places = [(parts, k) for k in range(len(parts))]
    places += [(part.inner, k) for part in parts for k in range(len(part.inner))]
    return [(where, k) for where, k in places if not kinds or where[k].kind in kinds]


def _one(chance: random.Random, parts: list[FilePart], *kinds: int) -> FilePart | None:
    found = _all(parts, *kinds)
    if not found:
        return None
    where, k = chance.choice(found)
    where[k] = replace(where[k], inner=list(where[k].inner))
    return where[k]


def _order(chance: random.Random, parts: list[FilePart]) -> None:
    where, k = chance.choice(_all(parts))
    how = chance.randrange(3)
    if how == 0:
        del where[k]
    elif how == 1:
        where.insert(chance.randrange(len(where) + 1), where[k])
    else:
        other = chance.randrange(len(where))
        where[k], where[other] = where[other], where[k]


def _kind(chance: random.Random, parts: list[FilePart]) -> None:
    if piece := _one(chance, parts):
        piece.kind = chance.choice([0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 15, 16, 200])


def _length(chance: random.Random, parts: list[FilePart]) -> None:
    if piece := _one(chance, parts):
        piece.length = max(0, len(piece.content) + chance.choice([-1, 1, -9, 8, 30])) + chance.choice(
            [0, 0, 2**40, 2**63]
        )


def _content(chance: random.Random, parts: list[FilePart]) -> None:
    piece = _one(chance, parts)
    if piece and piece.content:
        piece.content = _bytes(chance, piece.content)


def _message(chance: random.Random, parts: list[FilePart]) -> None:
    """A number in a message is another, or the message is shorter."""
    for _ in range(chance.choice([1, 1, 5, 50])):
        piece = _one(chance, parts, Opcode.MESSAGE)
        if not piece or len(piece.content) < 40:
            return
        content = bytearray(piece.content)
        how = chance.randrange(5)
        at = 22 + 4 + chance.randrange(max(1, (len(content) - 26) // 4)) * 4
        if how == 0:
            content[at : at + 8] = struct.pack("<d", chance.choice(FLOATS))
        elif how == 1:
            content[at : at + 4] = struct.pack("<I", chance.choice(NUMBERS) % 2**32)
        elif how == 2:
            del content[chance.randrange(len(content)) :]
        elif how == 3:
            content[6:14] = struct.pack("<Q", chance.choice(NUMBERS) % 2**64)
        else:
            content[0:2] = struct.pack("<H", chance.choice([0, 1, 2, 3, 5, 8, 13, 65535]))
        piece.content = bytes(content)


def _value_everywhere(chance: random.Random, parts: list[FilePart]) -> None:
    """The same place in all messages of one topic has the same absurd value."""
    piece = _one(chance, parts, Opcode.MESSAGE)
    if not piece or len(piece.content) < 40:
        return
    channel, size, value = piece.content[:2], len(piece.content), struct.pack("<d", chance.choice(FLOATS))
    at = 22 + 4 + chance.randrange(max(1, (size - 30) // 8)) * 8
    for where, k in _all(parts, Opcode.MESSAGE):
        content = where[k].content
        if content[:2] == channel and len(content) == size:
            where[k] = replace(where[k], content=content[:at] + value + content[at + 8 :])


def _times(chance: random.Random, parts: list[FilePart]) -> None:
    """The clock of many messages goes elsewhere."""
    step = chance.choice([10**9, -(10**10), 86_000 * 10**9, 3 * 10**13, -(10**17), 10**18])
    every = chance.choice([1, 2, 7])
    for number, (where, k) in enumerate(_all(parts, Opcode.MESSAGE)):
        content = where[k].content
        if len(content) >= 22 and number % every == 0:
            time = (struct.unpack_from("<Q", content, 6)[0] + step * (number // every)) % 2**64
            where[k] = replace(where[k], content=content[:6] + struct.pack("<Q", time) + content[14:])


def _index(chance: random.Random, parts: list[FilePart]) -> None:
    piece = _one(chance, parts, Opcode.MESSAGE_INDEX)
    if not piece or len(piece.content) < 22:
        return
    content, how = bytearray(piece.content), chance.randrange(5)
    entries = (len(content) - 6) // 16
    at = 6 + 16 * chance.randrange(entries)
    if how == 0:
        content[at + 8 : at + 16] = struct.pack("<Q", chance.choice(NUMBERS) % 2**64)
    elif how == 1:
        content[at : at + 8] = struct.pack("<Q", chance.choice(NUMBERS) % 2**64)
    elif how == 2:
        content[2:6] = struct.pack("<I", chance.choice(NUMBERS) % 2**32)
    elif how == 3:
        content[0:2] = struct.pack("<H", chance.randrange(2**16))
    else:
        content = content[:2] + struct.pack("<I", 2 * 16 * entries) + content[6:] + content[6:]
    piece.content = bytes(content)


def _chunk(chance: random.Random, parts: list[FilePart]) -> None:
    piece = _one(chance, parts, Opcode.CHUNK)
    if not piece:
        return
    how = chance.randrange(4)
    if how == 0:
        piece.size = chance.choice(NUMBERS)
    elif how == 1:
        piece.crc = chance.choice([1, 0])
    elif how == 2:
        piece.compression = chance.choice(["", "lz4", "zstd", "brotli", "\x1b[2J"])
    else:
        fill = chance.choice([b"\0", FilePart(Opcode.MESSAGE, bytes(22)).written(), b"\x90" + bytes(8)])
        piece.inner.append(FilePart(Opcode.MESSAGE, bytes(22) + fill * (2_000_000 // len(fill))))
        if chance.random() < 0.3:
            piece.inner += [FilePart(0x90, bytes(chance.choice([0, 20])))] * 20_000


_TYPES_WORDS = [
    "string", "float64[]", "float64[3]", "float64[999999999]", "uint8[<=4]", "bool", "wstring", "Vector3",
    "geometry_msgs/Vector3[]", "geometry_msgs/Vector3[999999]", "Header", "std_msgs/Header", "int8", "float32",
    f"float64[{'9' * 5000}]", "nowhere/Type", "",
]  # fmt: skip


def _schema(chance: random.Random, parts: list[FilePart]) -> None:
    piece = _one(chance, parts, Opcode.SCHEMA)
    if not piece:
        return
    from io import BytesIO

    schema = Schema.read(ReadDataStream(BytesIO(piece.content)))
    text, how = schema.data.decode("utf-8", "replace"), chance.randrange(7)
    lines = text.split("\n")
    if how == 0:
        text = text[: chance.randrange(len(text) + 1)]
    elif how == 1:
        k = chance.randrange(len(lines))
        lines[k] = re.sub(r"^\S+", chance.choice(_TYPES_WORDS).replace("\\", ""), lines[k])
        text = "\n".join(lines)
    elif how == 2:
        own = schema.name.replace("/msg", "")
        lines.insert(chance.randrange(len(lines)), f"{own}{chance.choice(['', '[]', '[2]'])} again")
        text = "\n".join(lines)
    elif how == 3:
        lines[chance.randrange(len(lines))] = ""
        text = "\n".join(lines)
    elif how == 4:
        schema.name = chance.choice(["", "X", "a/b/c/d", "/", "std_msgs/msg/String", "sensor_msgs/msg/JointState"])
    elif how == 5:
        levels = [f"{'=' * 80}\nMSG: a/L{k}\n" + f"L{k + 1}[10] x\n" * 3 for k in range(12)]
        text = "a/L0 x\n" + "".join(levels) + f"{'=' * 80}\nMSG: a/L12\n"
    else:
        schema.encoding = chance.choice(TEXTS)
    piece.content = record(Schema(chance.choice([schema.id] * 5 + [0, 7]), text.encode(), schema.encoding, schema.name))


def _channel(chance: random.Random, parts: list[FilePart]) -> None:
    piece = _one(chance, parts, Opcode.CHANNEL)
    if not piece:
        return
    from io import BytesIO

    channel = Channel.read(ReadDataStream(BytesIO(piece.content)))
    how = chance.randrange(4)
    if how == 0:
        topics = [f"/{topic}" for topic in sample_recordings.TYPES]
        channel.topic = chance.choice([*topics, "/a/joint_states", *TEXTS])
    elif how == 1:
        channel.schema_id = chance.choice([0, 1, 2, 3, 4, 65535])
    elif how == 2:
        channel.message_encoding = chance.choice(TEXTS)
    else:
        channel.id = chance.randrange(1, 12)
    piece.content = record(channel)


def _metadata(chance: random.Random, parts: list[FilePart]) -> None:
    value = chance.choice(TEXTS)
    named = {
        "clock_step": {
            chance.choice(["seconds", "second"]): chance.choice(["nan", "1e300", "-5", "3600", "4e9", value])
        },
        "joint_angles": {"kind": value},
        "quadleg": {"namespace": chance.choice([value, "/a/", "/a"])},
        "robot_file": {"name": value, "text": damaged_text(str(chance.random()), sample_recordings.FILE.read_text())},
    }
    name = chance.choice(list(named))
    old = next(
        (k for k, part in enumerate(parts) if part.kind == Opcode.METADATA and name.encode() in part.content), None
    )
    content = record(Metadata(name, named[name]))
    if old is not None:
        parts[old] = FilePart(Opcode.METADATA, content)
    else:
        parts.insert(chance.randrange(1, len(parts)), FilePart(Opcode.METADATA, content))


_FAULTS: list[Callable[[random.Random, list[FilePart]], None]] = [
    _order, _kind, _length, _content, _message, _message, _message, _value_everywhere, _value_everywhere, _times,
    _index, _chunk, _schema, _schema, _channel, _metadata, _metadata,
]  # fmt: skip


# Robot files

_VALUES = [
    "0", "-1", "1e400", ".nan", "-.inf", "9" * 400, f"0x{'f' * 900}", "1e-300", "''", "null", "true", "[1, 2]",
    "{a: 1}", "[]", "{}", "2001-01-01", "1:30", "0o17", "1_000", "*a", "&a 1", "<<", "!!float 1", "!!binary aGk=",
    "!x 1", "!!set {a}",
    '"\\e[2J\\u202e"', "'\u2028ü'", "[[[[[[[[1]]]]]]]]", "|\n    x\n", ">-", "@", "`", "- 1", "x: y", "? 1",
    "1e3", "0.0001", "99999", "100000000000000000000", "180", "-180", "1.5e308", "'1'", "no", "y", "~",
]  # fmt: skip


def damaged_text(seed: str, text: str) -> str:
    """A YAML file with one to twenty faults."""
    chance = random.Random(seed)
    for _ in range(chance.choice([1, 1, 2, 3, 5, 20])):
        text = chance.choice(_FILE_FAULTS)(chance, text)
    return text[:400_000]


def _line(change: Callable[[random.Random, str], str]) -> Callable[[random.Random, str], str]:
    def changed(chance: random.Random, text: str) -> str:
        lines = text.split("\n")
        k = chance.randrange(len(lines))
        lines[k] = change(chance, lines[k])
        return "\n".join(lines)

    return changed


def _numbers(chance: random.Random, text: str) -> str:
    """Some numbers are others, as sound as they may look."""
    share = chance.choice([0.01, 0.05, 0.3])

    def other(found: re.Match[str]) -> str:
        if chance.random() > share:
            return found[0]
        return chance.choice(
            [f"{float(found[0]) * chance.choice([0, 0.1, 0.5, 2, 10, -1, 1e6]):g}", chance.choice(_VALUES)]
        )

    return re.sub(r"(?<![\w.])-?\d+(\.\d+)?(?![\w.])", other, text)


def _splice(chance: random.Random, text: str) -> str:
    a, b, c = (chance.randrange(len(text) + 1) for _ in range(3))
    return text[:a] + text[b : b + chance.choice([3, 40, 2000])] + text[c:] if text else "a"


def _scalar(chance: random.Random, text: str) -> str:
    return text.replace(
        chance.choice(["mm", ":", " ", "\n", "[", "#", "_"]), chance.choice(["", ":", "\t", "\0", "é"]), 3
    )


_FILE_FAULTS: list[Callable[[random.Random, str], str]] = [
    _line(lambda chance, line: re.sub(r":.*", lambda _: f": {chance.choice(_VALUES)}", line)),
    _line(lambda chance, line: re.sub(r":.*", lambda _: f": {chance.choice(_VALUES)}", line)),
    _line(lambda chance, line: re.sub(r"[\w]+:", lambda _: f"{chance.choice(_VALUES)}:", line, count=1)),
    _line(lambda chance, line: ""),
    _line(lambda chance, line: f"{line}\n{line}"),
    _line(lambda chance, line: " " * chance.randrange(5) + line.lstrip()),
    _line(lambda chance, line: line + chance.choice(["[" * 50, "{a: " * 40, "a: " * 1000, "\n- 1" * 3000, "x" * 5000])),
    _line(lambda chance, line: "".join(chance.choices("\0\t\x1b\x85\u2028\ud7ff\U0001f600A", k=5))),
    _line(lambda chance, line: line + "\n# " + "and so on " * chance.choice([1, 30_000])),
    lambda chance, text: text[: chance.randrange(len(text) + 1)],
    _numbers, _numbers, _numbers, _splice, _scalar,
]  # fmt: skip


def numbered(seed: int, count: int) -> Iterator[str]:
    """Seeds of cases, each its own."""
    return (f"{seed}-{number}" for number in range(count))
