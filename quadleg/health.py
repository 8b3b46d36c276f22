"""How a node or a part of it is, in codes and figures that any layer can give.

Sentences are made of them by the one catalogue, safety/catalogue.py.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import TypeVar

OK, WARN, ERROR = b"\0", b"\1", b"\2"  # levels of diagnostic_msgs/DiagnosticStatus
DIAGNOSTICS_LATE = 1.5  # s without a node's diagnostics, which come once a second (middleware/node.py)

Fact = TypeVar("Fact", bound="CodedFact")


@dataclass(frozen=True)
class CodedFact:
    """A stable code with its figures by name, as they are shown, and what caused it."""

    code: str
    figures: Mapping[str, str] = field(default_factory=dict)
    cause: CodedFact | None = None

    @classmethod
    def of(cls: type[Fact], code: Enum, cause: Fact | None = None, /, **figures: object) -> Fact:
        """Make one; figures are texts already or numbers that are shown as they are."""
        return cls(code.value, {name: str(value) for name, value in figures.items()}, cause)

    def values(self, key: str) -> dict[str, str]:
        """Key/value pairs for a status: `key` has the code, `key.<figure>` the figures, `key.cause` its cause."""
        found = {key: self.code} | {f"{key}.{name}": value for name, value in self.figures.items()}
        return found | (self.cause.values(f"{key}.cause") if self.cause else {})


@dataclass
class Health:
    """A `state` (empty where there is none), its `reason`, `notices` of what goes on besides, figures by their key, and
    one of the levels above. At a level above OK the reason, if there is one, and the notices are complaints.

    `message` is the sentence of a node without codes; else the catalogue makes it.
    """

    message: str = ""
    values: Mapping[str, object] = field(default_factory=dict)
    level: bytes = OK
    state: str = ""
    reason: CodedFact | None = None
    notices: tuple[CodedFact, ...] = ()


def numbers(values: Iterable[float], digits: int = 4) -> str:
    """Figures in one value, between blanks."""
    return " ".join(f"{value:.{digits}f}" for value in values)
