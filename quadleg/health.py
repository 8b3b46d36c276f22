"""How a node or a part of it is: a sentence for people, figures for programs, and a level."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import count, takewhile

OK, WARN, ERROR = b"\0", b"\1", b"\2"  # levels of diagnostic_msgs/DiagnosticStatus


@dataclass
class Health:
    """A sentence, figures by their key, and one of the levels above.

    `state` is for programs, empty where there is none; `complaints` are sentences by their stable codes.
    """

    message: str
    values: Mapping[str, object] = field(default_factory=dict)
    level: bytes = OK
    state: str = ""
    complaints: Mapping[str, str] = field(default_factory=dict)

    @property
    def codes(self) -> tuple[str, ...]:
        """State and complaints: what a new status is worth telling for."""
        return (self.state, *self.complaints)

    def pairs(self) -> dict[str, str]:
        """Key and value pairs of a message."""
        found = {key: str(value) for key, value in self.values.items()}
        if self.state:
            found["state"] = self.state
        for number, (code, sentence) in enumerate(self.complaints.items(), 1):
            found |= {f"complaint_{number}": code, f"complaint_{number}.says": sentence}
        return found


def complaints_of(pairs: Mapping[str, str]) -> dict[str, str]:
    """The complaints that such pairs say."""
    keys = takewhile(pairs.__contains__, (f"complaint_{number}" for number in count(1)))
    return {pairs[key]: pairs.get(f"{key}.says", "") for key in keys}


def numbers(values: Iterable[float], digits: int = 4) -> str:
    """Figures in one value, between blanks."""
    return " ".join(f"{value:.{digits}f}" for value in values)
