"""What `quadleg check` says of one thing: a verdict, why, and what to change."""

from __future__ import annotations

from dataclasses import dataclass

GOOD, TIGHT, FAILS = "good", "tight", "will not work"


@dataclass(frozen=True)
class Verdict:
    """`word` is GOOD, TIGHT or FAILS; `about` names what was judged, `cure` says what to change (empty: nothing)."""

    about: str
    word: str
    why: str
    cure: str = ""

    @property
    def sentence(self) -> str:
        """All of it, for one line."""
        return f"{self.about}: {self.why}{f'; {self.cure}' if self.cure else ''}"


def graded(value: float, good: float, tight: float) -> str:
    """The word for a figure of which more is better: GOOD from `good` on, TIGHT from `tight` on."""
    return GOOD if value >= good else TIGHT if value >= tight else FAILS
