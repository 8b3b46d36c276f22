"""Single ROS 2 messages decoded by their definitions, for types whose texts differ in length from message to message.

CDR and definitions as in cdr.py, which reads many messages of the same shape at once. A length that a message states
is not trusted.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Collection, Mapping
from functools import lru_cache
from typing import Any, TypeAlias

from quadleg.errors import MessageError
from quadleg.recording.message_fields import DEEPEST, HEADER, MOST_FIELDS, NUMBERS, Field, definitions, short_name

_FORMATS = {"f4": "f", "f8": "d", "i1": "b", "i2": "h", "i4": "i", "i8": "q"}
_FORMATS |= {kind.replace("i", "u"): code.upper() for kind, code in _FORMATS.items() if kind.startswith("i")}


class _Cursor:
    """A place in one message's bytes."""

    __slots__ = ("at", "data", "length_of", "order", "steps")

    def __init__(self, data: bytes, at: int = HEADER) -> None:
        self.data, self.at, self.steps = data, at, 0
        self.order = "<" if data[1:2] in (b"\x01", b"\x03") else ">"
        self.length_of = _LENGTHS[self.order].unpack_from

    def length(self) -> int:
        begin = self.at + -self.at % 4
        (found,) = self.length_of(self.data, begin)
        self.at = begin + 4
        if found > len(self.data) - self.at:
            raise MessageError(f"a length of {found} in a message of {len(self.data)} bytes")
        return int(found)

    def count(self, fields: int) -> int:
        """Count fields that are to be read, which bounds the work that a false definition makes."""
        self.steps += fields
        if self.steps > MOST_FIELDS:
            raise MessageError("more fields than a message can have")
        return fields


_LENGTHS = {order: struct.Struct(f"{order}I") for order in "<>"}
_Read: TypeAlias = Callable[[_Cursor], Any]


class MessageDecoder:
    """Decodes messages of one type into dicts of their fields.

    A field named in `deferred` is given as a function that decodes it when called: most are never asked for. Raises
    MessageError for a definition without sense, or without the `needed` fields by type.
    """

    def __init__(
        self,
        type_name: str,
        definition: str,
        needed: Mapping[str, Collection[Field]],
        deferred: Collection[str] = (),
    ) -> None:
        self._deferred = frozenset(deferred)
        self._known: dict[str, tuple[_Read, _Read]] = {}
        try:
            self._types: Mapping[str, tuple[Field, ...]] = definitions(type_name, definition)
            self._read, _ = self._message(short_name(type_name), 0)
            known = {name: {field.name: field for field in self._types[name]} for name in needed}
        except (KeyError, IndexError, ValueError) as reason:
            raise MessageError(f"no definition of {type_name}: {reason!r}") from None
        missing = [f.name for name, fields in needed.items() for f in fields if known[name].get(f.name) != f]
        if missing:
            raise MessageError(f"a definition of {type_name} without {', '.join(missing)}")

    def __call__(self, data: bytes) -> dict[str, Any]:
        """Return the fields of one message by name. Raises MessageError for a damaged message."""
        return _checked(self._read, _Cursor(data))

    def _message(self, name: str, depth: int) -> tuple[_Read, _Read]:
        """What reads a message of a type, and what skips it."""
        if depth > DEEPEST:
            raise ValueError("types within each other without end")
        if name not in self._known:
            self._known[name] = self._of_fields(self._types[name], depth)
        return self._known[name]

    def _of_fields(self, fields: tuple[Field, ...], depth: int) -> tuple[_Read, _Read]:
        parts = [(field.name, *self._field(field, depth)) for field in fields]

        def read(cursor: _Cursor) -> dict[str, Any]:
            cursor.count(len(parts))
            return {name: own(cursor) for name, own, _ in parts}

        def skip(cursor: _Cursor) -> None:
            cursor.count(len(parts))
            for _, _, own in parts:
                own(cursor)

        return read, skip

    def _field(self, field: Field, depth: int) -> tuple[_Read, _Read]:
        read, skip = self._one(field.type, depth) if field.count is None else self._many(field.type, field.count, depth)
        if field.name not in self._deferred:
            return read, skip

        def defer(cursor: _Cursor) -> Callable[[], Any]:
            data, begin = cursor.data, cursor.at
            skip(cursor)
            return lambda: _checked(read, _Cursor(data, begin))

        return defer, skip

    def _one(self, kind: str, depth: int) -> tuple[_Read, _Read]:
        if kind == "string":
            return _text, _skip_text
        if kind in NUMBERS:
            read = _numbers(kind, 1)
            return (lambda cursor: read(cursor)[0]), read
        return self._message(kind, depth + 1)

    def _many(self, kind: str, count: int, depth: int) -> tuple[_Read, _Read]:
        if kind in NUMBERS:
            numbers = _numbers(kind, count)
            return numbers, numbers
        read, skip = self._one(kind, depth)

        def read_all(cursor: _Cursor) -> list[Any]:
            return [read(cursor) for _ in range(cursor.count(count or cursor.length()))]

        def skip_all(cursor: _Cursor) -> None:
            for _ in range(cursor.count(count or cursor.length())):
                skip(cursor)

        return read_all, skip_all


def _checked(read: _Read, cursor: _Cursor) -> Any:
    try:
        found = read(cursor)
    except struct.error:
        raise MessageError(f"a message of {len(cursor.data)} bytes is too short") from None
    if cursor.at > len(cursor.data):
        raise MessageError(f"a message of {len(cursor.data)} bytes is too short")
    return found


def _numbers(kind: str, count: int) -> _Read:
    """What reads `count` numbers, or as many as a length before them says where that is 0."""
    code = NUMBERS[kind]
    size, form = int(code[1]), _FORMATS[code]

    def read(cursor: _Cursor) -> tuple[float, ...]:
        n = count or cursor.length()
        if not n:
            return ()
        cursor.at += -(cursor.at - HEADER) % size
        begin, cursor.at = cursor.at, cursor.at + n * size
        if cursor.at > len(cursor.data):
            raise MessageError(f"{n} numbers in a message of {len(cursor.data)} bytes")
        return struct.unpack_from(f"{cursor.order}{n}{form}", cursor.data, begin)

    return read


def _text(cursor: _Cursor) -> str:
    length = cursor.length()
    begin, cursor.at = cursor.at, cursor.at + length
    return _decoded(cursor.data[begin : begin + length - 1 if length else begin])


def _skip_text(cursor: _Cursor) -> None:
    length = cursor.length()
    cursor.at += length


@lru_cache(4096)
def _decoded(text: bytes) -> str:
    """Most texts come again and again: one of each is enough."""
    return text.decode("utf-8", "replace")
