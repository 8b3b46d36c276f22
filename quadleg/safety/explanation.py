"""What catalogue.py has for a code."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class Weight(IntEnum):
    """How much an event matters: as it should be, worth a look, not as it should be, an end."""

    USUAL = 0
    NOTICE = 1
    TROUBLE = 2
    FAULT = 3


@dataclass(frozen=True)
class Explanation:
    """`what` happened, what the robot did `then`, and the `cure`; the last two empty where there is nothing to say."""

    what: str
    then: str = ""
    cure: str = ""
    weight: Weight = Weight.USUAL


@dataclass(frozen=True)
class Sentence:
    """What is said of a code while it is so, with its figures and the sentence of its `cause` in braces; `many` where
    there are several `joints`. `meaning` is for reports.
    """

    says: str
    meaning: Explanation | None = None
    many: str = ""
