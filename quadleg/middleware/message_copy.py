"""Copies of messages that stay in one process: what is published, and what is heard, may be changed afterwards."""

from __future__ import annotations

from collections.abc import Callable
from ctypes import c_float
from functools import cache
from importlib import import_module
from typing import Any

from rclpy.serialization import deserialize_message, serialize_message


def copy_message(message: Any) -> Any:
    """Return a copy that shares nothing with a message; many times as fast as by way of its CDR."""
    kind: Any = type(message)
    return _copier(kind)(message)


@cache
def _copier(kind: Any) -> Callable[[Any], Any]:
    """The function that copies messages of a type, made from its definition: one assignment for each slot."""
    known: dict[str, Any] = {"new": object.__new__, "kind": kind, "single": c_float}
    described = kind.get_fields_and_field_types()
    lines = ["def copier(message):", "    made = new(kind)"]
    for slot in kind.__slots__:  # one for each field, and rclpy's own flag
        lines.append(f"    made.{slot} = {_copied(f'message.{slot}', described.get(slot[1:], ''), known)}")
    exec("\n".join([*lines, "    return made"]), known)
    copier: Callable[[Any], Any] = known["copier"]
    return copier


def _copied(value: str, described: str, known: dict[str, Any]) -> str:
    """The expression that copies a field, by its type as rosidl describes it; what it calls is put into `known`."""
    inner, many = described, ""
    if described.startswith("sequence<"):
        inner, many = described[len("sequence<") : -1].partition(",")[0], "[:]"
    elif described.endswith("]"):
        inner, many = described[: described.index("[")], ".copy()"  # of a list, or of numpy's array
    if "/" in inner:
        copier = f"copy_{inner.replace('/', '_')}"
        package, name = inner.split("/")
        known[copier] = _copier(getattr(import_module(f"{package}.msg"), name))
        return f"[{copier}(one) for one in {value}]" if many else f"{copier}({value})"
    if inner == "float" and not many:
        return f"single({value}).value"  # CDR has 32 bits of it
    return value + many


class SerializedMessage:
    """A `RawMessage` that came as CDR."""

    __slots__ = ("_kind", "data")

    def __init__(self, data: bytes, kind: type) -> None:
        self.data = data
        self._kind = kind

    def read(self) -> Any:
        return deserialize_message(self.data, self._kind)


class KeptMessage:
    """A `RawMessage` that has not left this process. `message` must not be changed."""

    __slots__ = ("_message",)

    def __init__(self, message: Any) -> None:
        self._message = message

    @property
    def data(self) -> bytes:
        data: bytes = serialize_message(self._message)
        return data

    def read(self) -> Any:
        return copy_message(self._message)
