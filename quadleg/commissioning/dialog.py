"""A conversation with a person at the bench: what is asked, what answers it takes, and who gives them.

A conversation is a generator: it yields each `Question`, receives the answer as text, and returns when all is said.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Generator
from dataclasses import dataclass, replace
from typing import TypeVar

Said = TypeVar("Said")
Talk = Generator["Question", str, Said]

STILL_HELD = (
    "THE BOARD DID NOT TAKE THE LAST STOP: a servo may hold its last pulse for ever. Open the servo supply's switch."
)
END = "end"  # the answer that every question takes

_NUMBER = r"[+-]?\d+(?:[.,]\d+)?"
_JOG = re.compile(rf"([+-]\d+(?:\.\d+)?)|to ({_NUMBER})")


class Ended(Exception):
    """The person has had enough; what is done stays done."""


@dataclass(frozen=True)
class Choice:
    """An answer that is a word, the key for it, and what it means."""

    word: str
    key: str
    label: str


@dataclass(frozen=True)
class Number:
    """An answer that is a number of `unit`, from `low` to `high`."""

    unit: str
    low: float
    high: float


@dataclass(frozen=True)
class Question:
    """One question. `key` names it in a file of answers.

    With `jog` it also takes `+5` and `-5` (µs from here) and `to 1500` (µs), and a `number` after the word `at`.
    `complaint` says what was wrong with the last answer.
    """

    key: str
    text: str
    choices: tuple[Choice, ...] = ()
    number: Number | None = None
    jog: bool = False
    complaint: str = ""

    @property
    def valid(self) -> str:
        """All answers that it takes, in words."""
        answers = [choice.word for choice in self.choices]
        if self.number:
            at = "at " if self.jog else ""
            answers.append(f"{at}a number from {self.number.low:g} to {self.number.high:g} {self.number.unit}")
        if self.jog:
            answers += ["+5 or another step in µs", "to 1500 or another pulse in µs"]
        return ", ".join([*answers, END])

    def takes(self, answer: str) -> bool:
        """Whether it is an answer to this."""
        if any(answer == choice.word for choice in self.choices):
            return True
        if self.jog and _JOG.fullmatch(answer):
            return True
        if self.number is None or (self.jog and not answer.startswith("at ")):
            return False
        number = number_of(answer)
        return number is not None and self.number.low <= number <= self.number.high

    def complaint_about(self, answer: str) -> str:
        """Why an answer that it does not take is none."""
        number = number_of(answer)
        if self.number and number is not None and answer.startswith("at ") == self.jog:
            unit = self.number.unit
            return f"{number:g} {unit} makes no sense here: {self.number.low:g} to {self.number.high:g} {unit} would do"
        return f"{answer!r} is no answer here. Right would be: {self.valid}"


def number_of(answer: str) -> float | None:
    """The number in an answer, None where there is none."""
    text = answer.removeprefix("at ").strip()
    return float(text.replace(",", ".")) if re.fullmatch(_NUMBER, text) else None


def jogged(answer: str, pulse: float) -> float | None:
    """The pulse in µs that a jogging answer asks for, from `pulse`; None for any other answer."""
    found = _JOG.fullmatch(answer)
    if not found:
        return None
    step, to = found.groups()
    return pulse + float(step) if step else float(to.replace(",", "."))


def ask(question: Question) -> Talk[str]:
    """Ask until the answer is one that is taken. Raises Ended where the person ends it all."""
    while True:
        answer = (yield question).strip().lower()
        if answer == END:
            raise Ended
        if question.takes(answer):
            return answer
        question = replace(question, complaint=question.complaint_about(answer))


def converse(talk: Talk[Said], answer: Callable[[Question], str]) -> Said:
    """Hold a conversation with whoever gives the answers; the conversation's own end is run whatever happens."""
    try:
        question = next(talk)
        while True:
            question = talk.send(answer(question))
    except StopIteration as end:
        said: Said = end.value
        return said
    finally:
        talk.close()
