"""The messages among the records of a chunk, found by its message indexes or one after the other.

Indexes are not trusted: they count only if the messages they point to fill the whole chunk, and channels and times are
those in the messages' own records. https://mcap.dev/spec
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from struct import Struct

import numpy as np
from mcap.opcode import Opcode
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from quadleg.recording.records import HEAD

Integers = NDArray[np.int64]

MESSAGE = Struct("<HIQQ")  # channel, sequence, log time, publish time
LATEST = 1 << 62  # ns since 1970: the year 2116; a time behind it is damage
_INDEX = Struct("<HI")  # channel, bytes of (log time, offset) that follow
_BEGIN = HEAD.size + MESSAGE.size  # bytes of a message's record before its data
_LENGTH, _CHANNEL, _TIME = slice(1, 9), slice(9, 11), slice(15, 23)  # in a message's record


@dataclass(frozen=True)
class MessageRun:
    """n messages in the order of the file: their `channels`, log `times` in ns, and where each begins and ends in the
    `content`; `damage` says what of it cannot be read, empty where all can."""

    content: bytes
    channels: Integers
    times: Integers
    begins: Integers
    ends: Integers
    damage: str = ""


def by_index(content: bytes, index: Sequence[bytes]) -> MessageRun | None:
    """Return the messages of a chunk by its message indexes; None if those do not cover the whole chunk."""
    parts = []
    for each in index:
        entries = len(each) - _INDEX.size
        if entries < 0 or entries % 16 or _INDEX.unpack_from(each)[1] != entries:
            return None
        parts.append(np.frombuffer(each, "<i8", offset=_INDEX.size).reshape(-1, 2)[:, 1])
    if not parts:
        return None
    offsets = np.sort(np.concatenate(parts))
    if not len(offsets) or offsets[0] < 0 or offsets[-1] > len(content) - _BEGIN:
        return None
    run = _taken_apart(content, offsets)
    if run is None or run.begins[0] != _BEGIN or run.ends[-1] != len(content):
        return None
    sound = (run.ends[:-1] + _BEGIN == run.begins[1:]).all() and (run.times >= 0).all() and (run.times < LATEST).all()
    return run if sound else None


def by_walk(content: bytes, describe: Callable[[int, bytes], None]) -> MessageRun:
    """Return the same one record after the other; `describe` gets the opcode and content of schemas and channels."""
    at, size, head = 0, len(content), HEAD
    offsets = array("q")
    damage = ""
    while at < size:
        if at + head.size > size:
            damage = f"{size - at} bytes too many"
            break
        kind, length = head.unpack_from(content, at)
        begun = at + head.size
        if begun + length > size:
            damage = f"a record of {length} bytes, of which {size - begun} are there"
            break
        if kind == Opcode.MESSAGE:
            if length < MESSAGE.size:
                damage = f"a message of {length} bytes"
                break
            offsets.append(at)
        elif kind in (Opcode.SCHEMA, Opcode.CHANNEL):
            describe(kind, content[begun : begun + length])
        elif not kind:
            damage = "a record of no kind"
            break
        at = begun + length
    run = _taken_apart(content, np.frombuffer(offsets, np.int64) if offsets else np.empty(0, np.int64))
    assert run
    good = (run.times >= 0) & (run.times < LATEST)
    if not good.all():
        damage = damage or f"{(~good).sum()} messages of a time that cannot be"
    return MessageRun(content, run.channels[good], run.times[good], run.begins[good], run.ends[good], damage)


def _taken_apart(content: bytes, offsets: Integers) -> MessageRun | None:
    """Return the messages whose records begin at offsets, with room for their heads; None if one is not a message."""
    if not len(offsets):
        nothing = np.empty(0, np.int64)
        return MessageRun(content, nothing, nothing, nothing, nothing)
    heads = sliding_window_view(np.frombuffer(content, np.uint8), _BEGIN)[offsets]
    if (heads[:, 0] != Opcode.MESSAGE).any():
        return None

    def field(place: slice, kind: str) -> Integers:
        return np.ascontiguousarray(heads[:, place]).view(kind)[:, 0].astype(np.int64)

    ends = offsets + HEAD.size + field(_LENGTH, "<i8")
    return MessageRun(content, field(_CHANNEL, "<u2"), field(_TIME, "<i8"), offsets + _BEGIN, ends)
