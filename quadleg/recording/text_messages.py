"""Messages of texts: the words of std_msgs/String, and what nodes say of themselves in diagnostic messages."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from quadleg.recording.message_decoder import MessageDecoder
from quadleg.recording.message_fields import Field

STRING, DIAGNOSTIC_ARRAY = "std_msgs/msg/String", "diagnostic_msgs/msg/DiagnosticArray"
DIAGNOSTIC_STATUS = "diagnostic_msgs/msg/DiagnosticStatus"
_STRING_FIELDS = {"std_msgs/String": [Field("data", "string", None)]}
_STATUS_FIELDS = {
    "diagnostic_msgs/DiagnosticStatus": [
        Field("level", "byte", None),
        Field("name", "string", None),
        Field("message", "string", None),
        Field("values", "diagnostic_msgs/KeyValue", 0),
    ],
    "diagnostic_msgs/KeyValue": [Field("key", "string", None), Field("value", "string", None)],
}
_ARRAY_FIELDS = {
    "diagnostic_msgs/DiagnosticArray": [Field("status", "diagnostic_msgs/DiagnosticStatus", 0)],
    **_STATUS_FIELDS,
}


@dataclass(frozen=True)
class Diagnosis:
    """What a node said of itself: `level` is 0 for well, 1 for a warning, 2 for an error."""

    time: float
    node: str
    level: int
    message: str
    values: Mapping[str, str]


def text_decoder(definition: str) -> Callable[[bytes], str]:
    """Return what gives the text of a String. Both raise MessageError, for a wrong definition or a damaged message."""
    decode = MessageDecoder(STRING, definition, _STRING_FIELDS)
    return lambda data: str(decode(data)["data"])


def diagnostics_decoder(definition: str) -> Callable[[float, bytes], list[Diagnosis]]:
    """Return what gives the diagnoses in a DiagnosticArray of a time in s. Raises MessageError as `text_decoder`."""
    decode = MessageDecoder(DIAGNOSTIC_ARRAY, definition, _ARRAY_FIELDS, deferred=("values",))
    return lambda time, data: [_diagnosis(time, status) for status in decode(data)["status"]]


def status_decoder(definition: str) -> Callable[[float, bytes], list[Diagnosis]]:
    """Return what gives the diagnosis in a DiagnosticStatus of a time in s. Raises MessageError as `text_decoder`."""
    decode = MessageDecoder(DIAGNOSTIC_STATUS, definition, _STATUS_FIELDS, deferred=("values",))
    return lambda time, data: [_diagnosis(time, decode(data))]


def _diagnosis(time: float, status: dict[str, Any]) -> Diagnosis:
    node = status["name"].rpartition(": ")[2].rpartition("/")[2]
    return Diagnosis(time, node, status["level"], status["message"], DeferredPairs(status["values"]))


class DeferredPairs(Mapping[str, str]):
    """The key and value pairs of a diagnosis, decoded when first asked for."""

    __slots__ = ("_known", "_pairs")

    def __init__(self, pairs: Callable[[], list[dict[str, str]]]) -> None:
        self._pairs = pairs
        self._known: dict[str, str] | None = None

    def _read(self) -> dict[str, str]:
        if self._known is None:
            self._known = {pair["key"]: pair["value"] for pair in self._pairs()}
        return self._known

    def __getitem__(self, key: str) -> str:
        return self._read()[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._read())

    def __len__(self) -> int:
        return len(self._read())
