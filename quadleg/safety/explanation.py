"""The sentence of a code, and its explanation: the entries of catalogue.py."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class Weight(IntEnum):
    """Severity of an event: as intended, worth a look, not as intended, a fault."""

    USUAL = 0
    NOTICE = 1
    TROUBLE = 2
    FAULT = 3


@dataclass(frozen=True)
class Explanation:
    """`what` happened, what the robot did `then`, and the `cure`; either of the last two may be empty."""

    what: str
    then: str = ""
    cure: str = ""
    weight: Weight = Weight.USUAL


@dataclass(frozen=True)
class Sentence:
    """`says` is a code's sentence while it lasts, with its figures and its `cause` in braces; `many` replaces it for
    several `joints`. `meaning` is for reports.
    """

    says: str
    meaning: Explanation | None = None
    many: str = ""
