"""The one catalogue of sentences: each is made from a code of reason_codes.py and its figures, with what it means.

Texts stand in state_sentences.py (why a state is so, what is answered) and notice_sentences.py (what goes on in it).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import Enum

from quadleg.robot.model import JOINTS
from quadleg.safety.explanation import Explanation, Sentence, Weight
from quadleg.safety.notice_sentences import NOTICE_SENTENCES, SLOWED
from quadleg.safety.reason_codes import FollowingCode
from quadleg.safety.state_sentences import STATE_SENTENCES

CATALOGUE: Mapping[str, Sentence] = STATE_SENTENCES | NOTICE_SENTENCES


@dataclass(frozen=True)
class Reason:
    """A code with its figures by name, as they are shown, and what caused it. `str` is its sentence."""

    code: str
    figures: Mapping[str, str] = field(default_factory=dict)
    cause: Reason | None = None

    @staticmethod
    def of(code: Enum, cause: Reason | None = None, /, **figures: object) -> Reason:
        """Make a reason; figures are texts already or numbers that are shown as they are."""
        return Reason(code.value, {name: str(value) for name, value in figures.items()}, cause)

    def __str__(self) -> str:
        known = sentence_of(self.code)
        if known is None:  # of another version
            return self.code.replace("_", " ")
        joints = self.figures.get("joints", "").split()
        says = known.many if len(joints) > 1 and known.many else known.says
        figures = _Shown(self.figures, cause=self.cause or "?", joints=joints_in_words(joints))
        said = says.format_map(figures)
        return f"{said}; {self.cause}" if self.cause and "{cause}" not in says else said

    @property
    def meaning(self) -> Explanation | None:
        """What it means in a report; None for a code that only answers, or is of another version."""
        known = sentence_of(self.code)
        return known.meaning if known else None

    def values(self, key: str) -> dict[str, str]:
        """Key/value pairs for a status: `key` has the code, `key.<figure>` the figures, `key.cause` its cause."""
        found = {key: self.code} | {f"{key}.{name}": value for name, value in self.figures.items()}
        return found | (self.cause.values(f"{key}.cause") if self.cause else {})

    @staticmethod
    def of_values(values: Mapping[str, str], key: str) -> Reason | None:
        """The reason that `values` put under a key; None where there is none."""
        if key not in values:
            return None
        parts = (name.rpartition(".") for name in values)
        figures = {last: values[f"{key}.{last}"] for stem, _, last in parts if stem == key and last != "cause"}
        return Reason(values[key], figures, Reason.of_values(values, f"{key}.cause"))


class _Shown(dict[str, object]):
    def __init__(self, figures: Mapping[str, str], **derived: object) -> None:
        super().__init__({**figures, **derived})

    def __missing__(self, name: str) -> str:
        return "?"


def joints_in_words(joints: Iterable[str]) -> str:
    """Joints as a person calls them: "rear knees" for both of them."""
    rest = list(joints)
    said = []
    for end in ("front", "rear"):
        for kind in JOINTS:
            pair = [f"{end}_left_{kind}", f"{end}_right_{kind}"]
            if all(name in rest for name in pair):
                said.append(f"{end} {kind}s")
                rest = [name for name in rest if name not in pair]
    return ", ".join([*said, *rest])


def sentence_of(code: str) -> Sentence | None:
    """The entry of a code's value; None for one of another version."""
    return CATALOGUE.get(code)


_OTHER_FAILURE = Explanation("the body did not do what was commanded", SLOWED, "look at the robot", Weight.FAULT)
FOLLOWING_CODES = frozenset(code.value for code in FollowingCode)


def not_followed(code: str) -> Explanation | None:
    """What a code of FollowingCode means, one of another version too; None where the body follows."""
    if code == FollowingCode.FOLLOWS.value:
        return None
    known = CATALOGUE.get(code) if code in FOLLOWING_CODES else None
    return known.meaning if known else _OTHER_FAILURE


def went_slower(explanation: Explanation) -> Explanation:
    """The same where the robot still went on."""
    return replace(explanation, then="it went slower")
