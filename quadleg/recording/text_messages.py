"""std_msgs/String and diagnostic_msgs/DiagnosticArray, whose texts differ in length from message to message.

CDR as in cdr.py. What a message says of its own lengths is not trusted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from struct import Struct

from quadleg.errors import MessageError

_LENGTH = Struct("<I")


@dataclass(frozen=True)
class Diagnosis:
    """What a node said of itself: `level` is 0 for well, 1 for a warning, 2 for an error."""

    time: float
    node: str
    level: int
    message: str
    values: Mapping[str, str]


def text_of(data: bytes) -> str:
    """The text of a String. Raises MessageError for a damaged one."""
    return _string(data, 4)[0]


def _string(data: bytes, at: int) -> tuple[str, int]:
    length, begin = _length(data, at)
    if begin + length > len(data):
        raise MessageError(f"a text of {length} bytes in a message of {len(data)}")
    return _decoded(data[begin : begin + length - 1 if length else begin]), begin + length


@lru_cache(4096)
def _decoded(text: bytes) -> str:
    """Most texts come again and again: one of each is enough."""
    return text.decode("utf-8", "replace")


def _length(data: bytes, at: int) -> tuple[int, int]:
    """A length and where what has it begins. Raises MessageError at the end."""
    begin = at + -at % 4 + 4
    if begin > len(data):
        raise MessageError(f"a message of {len(data)} bytes is too short")
    return _LENGTH.unpack_from(data, begin - 4)[0], begin


def diagnoses_of(time: float, data: bytes) -> list[Diagnosis]:
    """What nodes said of themselves in a DiagnosticArray. Raises MessageError for a damaged one."""
    _, at = _string(data, 12)  # behind the header's stamp, its frame
    count, at = _length(data, at)
    found = []
    for _ in range(count):
        if at >= len(data):
            raise MessageError(f"a message of {len(data)} bytes is too short")
        level = data[at]
        name, at = _string(data, at + 1)
        message, at = _string(data, at)
        _, at = _string(data, at)
        values = _Pairs(data, at)
        found.append(Diagnosis(time, name.rpartition(": ")[2].rpartition("/")[2], level, message, values))
        at = _after_pairs(data, at)
    return found


def _after_pairs(data: bytes, at: int) -> int:
    count, at = _length(data, at)
    for _ in range(2 * count):
        length, at = _length(data, at)
        at += length
    if at > len(data):
        raise MessageError(f"a message of {len(data)} bytes is too short")
    return at


def _pairs(data: bytes, at: int) -> dict[str, str]:
    count, at = _length(data, at)
    found = {}
    for _ in range(count):
        key, at = _string(data, at)
        found[key], at = _string(data, at)
    return found


class _Pairs(Mapping[str, str]):
    """The values in a diagnosis, read once somebody asks for one: of most nobody does."""

    __slots__ = ("_at", "_data", "_known")

    def __init__(self, data: bytes, at: int) -> None:
        self._data, self._at = data, at
        self._known: dict[str, str] | None = None

    def _read(self) -> dict[str, str]:
        if self._known is None:
            self._known = _pairs(self._data, self._at)
        return self._known

    def __getitem__(self, key: str) -> str:
        return self._read()[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._read())

    def __len__(self) -> int:
        return len(self._read())
