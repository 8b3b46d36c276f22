"""The one catalogue of sentences: each is made from a code and its figures, with its meaning and remedy.

Sentences are in files by subject: supply_sentences.py, following_sentences.py (the body does not follow),
motion_sentences.py (gait, base_motion, leg_ik and state_estimator), state_sentences.py (other reasons of a state,
answers, next steps for a person) and notice_sentences.py (other notices within a state). failure_notices.py words what
a page shows ahead of the state, from the same codes. Codes are in reason_codes.py, and those of gait, kinematics
and estimation in gait/walk_obstacles.py, kinematics/body_codes.py and estimation/estimate_codes.py.
"""

from __future__ import annotations

from collections.abc import Mapping

from quadleg.health import CodedFact
from quadleg.safety.explanation import Explanation, Sentence
from quadleg.safety.figure_words import FIGURE_WORDS, code_in_words
from quadleg.safety.following_sentences import FOLLOWING_SENTENCES, OTHER_FAILURE
from quadleg.safety.motion_sentences import MOTION_SENTENCES
from quadleg.safety.notice_sentences import NOTICE_SENTENCES
from quadleg.safety.reason_codes import FollowingCode
from quadleg.safety.state_sentences import STATE_SENTENCES
from quadleg.safety.supply_sentences import SUPPLY_SENTENCES

PARTS: tuple[Mapping[str, Sentence], ...] = (
    STATE_SENTENCES,
    SUPPLY_SENTENCES,
    FOLLOWING_SENTENCES,
    NOTICE_SENTENCES,
    MOTION_SENTENCES,
)
CATALOGUE: Mapping[str, Sentence] = {code: sentence for part in PARTS for code, sentence in part.items()}


class Reason(CodedFact):
    """A code with its figures and its cause, whose sentence is its `str`."""

    cause: Reason | None

    def __str__(self) -> str:
        known = sentence_of(self.code)
        if known is None:  # of another version
            return code_in_words(self.code)
        several = len(self.figures.get("joints", "").split()) > 1
        says = known.many if several and known.many else known.says
        shown = {name: FIGURE_WORDS.get(name, str)(text) for name, text in self.figures.items()}
        cause, cure = self.cause or "?", self.cause.cure if self.cause else "?"
        said = says.format_map(_Shown(shown, cause=cause, cure=cure))
        return f"{said}; {self.cause}" if self.cause and "{cause}" not in says else said

    @property
    def meaning(self) -> Explanation | None:
        """Return the explanation for a report; None for an answer or a code of another version."""
        known = sentence_of(self.code)
        return known.meaning if known else None

    @property
    def cure(self) -> str:
        """Return what to do; may be empty."""
        return self.meaning.cure if self.meaning else ""

    @staticmethod
    def of_fact(fact: CodedFact) -> Reason:
        """Return the reason for a coded fact of a layer below the catalogue."""
        return Reason(fact.code, fact.figures, Reason.of_fact(fact.cause) if fact.cause else None)

    @staticmethod
    def of_values(values: Mapping[str, str], key: str) -> Reason | None:
        """Return the reason under a key of `values`; None if there is none."""
        if not values.get(key):
            return None
        parts = (name.rpartition(".") for name in values)
        figures = {last: values[f"{key}.{last}"] for stem, _, last in parts if stem == key and last != "cause"}
        return Reason(values[key], figures, Reason.of_values(values, f"{key}.cause"))


class _Shown(dict[str, object]):
    def __init__(self, figures: Mapping[str, str], **derived: object) -> None:
        super().__init__({**figures, **derived})

    def __missing__(self, name: str) -> str:
        return "?"


def sentence_of(code: str) -> Sentence | None:
    """Return the entry for a code's value; None for a code of another version."""
    return CATALOGUE.get(code)


FOLLOWING_CODES = frozenset(code.value for code in FollowingCode)


def not_followed(code: str) -> Explanation | None:
    """Return the explanation of a FollowingCode, also of another version's; None if the body follows."""
    if code == FollowingCode.FOLLOWS.value:
        return None
    known = CATALOGUE.get(code) if code in FOLLOWING_CODES else None
    return known.meaning if known else OTHER_FAILURE
