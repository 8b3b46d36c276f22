"""How a node or a part of it is: a sentence for people, figures for programs, and a level."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

OK, WARN, ERROR = b"\0", b"\1", b"\2"  # levels of diagnostic_msgs/DiagnosticStatus


@dataclass
class Health:
    """A sentence, figures by their key, and one of the levels above."""

    message: str
    values: dict[str, object] = field(default_factory=dict)
    level: bytes = OK


def numbers(values: Iterable[float], digits: int = 4) -> str:
    """Figures in one value, between blanks."""
    return " ".join(f"{value:.{digits}f}" for value in values)
