"""What a ROS 2 message type is made of, by the text of its definition: fields, their types, and how many of each.

Definitions: the ROS 2 interface description, as MCAP's registry has it for `ros2msg` (https://mcap.dev/spec/registry).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

HEADER = 4  # bytes before the data, of which the second says which byte of a number comes first
NUMBERS = {
    **{"bool": "u1", "byte": "u1", "char": "u1", "float32": "f4", "float64": "f8"},
    **{"int8": "i1", "int16": "i2", "int32": "i4", "int64": "i8"},
    **{"uint8": "u1", "uint16": "u2", "uint32": "u4", "uint64": "u8"},
}
DEEPEST = 20  # types within each other; odometry has five
MOST_FIELDS = 20_000  # single ones of one message; planned_feet has some 300
_FIELD = re.compile(r"([\w/]+)(?:<=\d+)?(\[(?:<=)?(\d*)\])?\s+(\w+)")
_SEPARATOR = re.compile(r"^=+\s*$", re.MULTILINE)


@dataclass(frozen=True)
class Field:
    """One field of a message: its type, and `count`: None for one, 0 for a list of any length, else how many."""

    name: str
    type: str
    count: int | None


@lru_cache(256)
def definitions(type_name: str, text: str) -> dict[str, tuple[Field, ...]]:
    """Return the fields of a type and of all types in it, by `package/Name`, from the text of its definition.

    Raises ValueError for a type whose name is not `package/Name`.
    """
    parts = _SEPARATOR.split(text)
    result = {short_name(type_name): _fields(parts[0], type_name.split("/", maxsplit=1)[0])}
    for part in parts[1:]:
        head, _, body = part.strip().partition("\n")
        name = head.removeprefix("MSG:").strip()
        result[short_name(name)] = _fields(body, name.split("/")[0])
    return result


def short_name(name: str) -> str:
    """`package/Name`, of `package/msg/Name` too."""
    package, *_, last = name.split("/")
    return f"{package}/{last}"


def _fields(text: str, package: str) -> tuple[Field, ...]:
    found = []
    for line in text.splitlines():
        words = line.split("#")[0].strip()
        match = _FIELD.match(words)
        if not match or re.match(r"\S+\s+\w+\s*=", words):  # empty, or a constant
            continue
        kind, is_list, count, name = match.groups()
        if kind not in NUMBERS and kind not in ("string", "wstring"):
            kind = short_name(kind if "/" in kind else f"{'std_msgs' if kind == 'Header' else package}/{kind}")
        found.append(Field(name, kind, int(count or 0) if is_list and "<=" not in is_list else 0 if is_list else None))
    return tuple(found)
