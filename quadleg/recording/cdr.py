"""Fast reading of many messages of one ROS 2 type: by numpy, from the place of each number in their bytes.

Messages of one topic mostly have texts and lists of the same lengths; then each number is at the same place in all of
them. Encoding: OMG, DDS-XTypes 1.3, 7.4.1 (XCDR version 1), in which each number is aligned to
its own size.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from struct import unpack_from

import numpy as np
from numpy.typing import NDArray

from quadleg.errors import RecordingError
from quadleg.geometry.arrays import AnyArray
from quadleg.recording.message_fields import DEEPEST, HEADER, MOST_FIELDS, NUMBERS, definitions, short_name

Bytes = NDArray[np.uint8]

MOST_SHAPES = 1_000  # of one topic's messages in a batch; those of more shapes are left out
MOST_COMPARED = 1 << 29  # bytes that are compared to find them; messages of one shape take as many as they have


@dataclass(frozen=True)
class Place:
    """Where `count` numbers of numpy's type `kind` stand in a message's bytes; for text, `kind` is "S".

    `single` is a field that is one number, and no list of one.
    """

    offset: int
    kind: str
    count: int
    single: bool


class Layout:
    """The place of each field in one message, and in all of the same shape.

    `places` are by path, as `header.stamp.sec` or `points[0].positions`. Raises RecordingError if the bytes are not
    of this type.
    """

    def __init__(self, type_name: str, definition: str, sample: bytes) -> None:
        self.places: dict[str, Place] = {}
        self._shape: list[tuple[int, int]] = []  # (offset, length) of all that says where things stand, and of texts
        self._sample, self._steps = sample, 0
        self._order = "<" if sample[1:2] in (b"\x01", b"\x03") else ">"
        self._at = HEADER
        try:
            self._types = definitions(type_name, definition)
            self._walk(short_name(type_name), "", 0)
        except (KeyError, IndexError, ValueError, OverflowError) as error:
            raise RecordingError(f"a message is no {type_name}: {error!r}") from None
        if self._at > len(sample):
            raise RecordingError(f"a message is no {type_name}: it is too short")

    def _walk(self, name: str, path: str, depth: int) -> None:
        if depth > DEEPEST:
            raise ValueError("types within each other without end")
        for field in self._types[name]:
            if field.count is None:
                self._one(field.type, path + field.name, depth)
                continue
            count = field.count or self._length()
            if field.type in NUMBERS:
                self._numbers(field.type, path + field.name, count, single=False)
            else:
                for number in range(count):
                    self._one(field.type, f"{path}{field.name}[{number}]", depth)

    def _one(self, kind: str, path: str, depth: int) -> None:
        self._steps += 1
        if self._steps > MOST_FIELDS or self._at > len(self._sample):
            raise ValueError("more fields than it can have")
        if kind in NUMBERS:
            self._numbers(kind, path, 1, single=True)
        elif kind == "string":
            length = self._length()
            self.places[path] = Place(self._at, "S", max(length - 1, 0), single=True)
            self._shape.append((self._at, length))
            self._at += length
        else:
            self._walk(kind, f"{path}.", depth + 1)

    def _numbers(self, kind: str, path: str, count: int, single: bool) -> None:
        if not count:
            return
        code = NUMBERS[kind]
        size = int(code[1])
        self._align(size)
        self.places[path] = Place(self._at, self._order + code, count, single)
        self._at += size * count

    def _length(self) -> int:
        self._align(4)
        if self._at + 4 > len(self._sample):
            raise ValueError("too short")
        (length,) = unpack_from(f"{self._order}I", self._sample, self._at)
        self._shape.append((self._at, 4))
        self._at += 4
        if length > len(self._sample):
            raise ValueError(f"a length of {length}")
        return int(length)

    def _align(self, size: int) -> None:
        self._at += -(self._at - HEADER) % size

    @cached_property
    def shape(self) -> NDArray[np.intp]:
        """Offsets of the bytes that are equal in messages of the same shape."""
        spans = [np.arange(offset, offset + length) for offset, length in [(0, HEADER), *self._shape]]
        return np.concatenate(spans)


@dataclass(frozen=True)
class Rows:
    """Messages of one shape: `numbers` are their places among the messages given, `data` (n, size) their bytes."""

    layout: Layout
    numbers: NDArray[np.intp]
    data: Bytes

    def has(self, path: str) -> bool:
        """Return whether they have a field at this path."""
        return path in self.layout.places

    def values(self, path: str, count: int | None = None) -> AnyArray:
        """Return the numbers at a path, (n, count) or (n,) for a single one, as float64 or int64.

        Raises KeyError if there are none, or not `count` of them.
        """
        place = self.layout.places[path]
        if place.kind == "S" or (count is not None and place.count != count):
            raise KeyError(path)
        size = int(place.kind[2])
        part = np.ascontiguousarray(self.data[:, place.offset : place.offset + size * place.count])
        found = part.view(place.kind)
        found = found.astype(np.float64) if "f" in place.kind else found.astype(np.int64)
        return found[:, 0] if place.single else found

    def vector(self, path: str, parts: str = "xyz") -> AnyArray:
        """Return `path.x`, `path.y` and so on (n, len(parts)). Raises KeyError if one is missing or a list."""
        return np.stack([self.single(f"{path}.{part}") for part in parts], axis=1)

    def single(self, path: str) -> AnyArray:
        """Return the single number at a path (n,). Raises KeyError if there is none, or a list."""
        if not self.layout.places[path].single:
            raise KeyError(path)
        return self.values(path)

    def text(self, path: str) -> str:
        """Return the text at a path, which is the same in all."""
        place = self.layout.places[path]
        if place.kind != "S":
            raise KeyError(path)
        return bytes(self.data[0, place.offset : place.offset + place.count]).decode("utf-8", "replace")

    def texts(self, path: str) -> list[str]:
        """Return the texts at `path[0]`, `path[1]` and so on."""
        found: list[str] = []
        while self.has(f"{path}[{len(found)}]"):
            found.append(self.text(f"{path}[{len(found)}]"))
        return found


def rows_of(type_name: str, definition: str, messages: Sequence[bytes]) -> Iterator[Rows]:
    """Yield the messages by shape, without those that are not of this type, or of more shapes than `MOST_SHAPES`."""
    left = np.arange(len(messages))
    sizes = np.fromiter(map(len, messages), int, len(messages))
    tries = compared = 0
    for size in np.unique(sizes):
        numbers = left[sizes == size]
        alike = messages if len(numbers) == len(messages) else [messages[i] for i in numbers]
        data = np.frombuffer(b"".join(alike), np.uint8).reshape(len(numbers), size)
        while len(numbers):
            tries += 1
            if tries > MOST_SHAPES or compared > MOST_COMPARED:
                return
            try:
                layout = Layout(type_name, definition, data[0].tobytes())
            except RecordingError:
                numbers, data = numbers[1:], data[1:]
                continue
            shape = layout.shape
            compared += len(data) * len(shape)
            same = (data[:, shape] == data[0, shape]).all(axis=1)
            yield Rows(layout, numbers[same], data[same])
            numbers, data = numbers[~same], data[~same]
