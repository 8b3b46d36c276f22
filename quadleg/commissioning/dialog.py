"""A dialog with a person at the bench: what is asked, what answers it takes, and who gives them.

A dialog is a generator: it yields each `Question`, receives the answer as text, and returns when all is said.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Generator
from dataclasses import dataclass, replace
from typing import TypeVar

from quadleg.robot_file.maker_units import UNITS, number_from

Result = TypeVar("Result")
Dialog = Generator["Question", str, Result]

END = "end"  # the answer that every question takes, but for one after words of the person's own

_NUMBER = r"[+-]?\d+(?:[.,]\d+)?"
_JOG = re.compile(rf"([+-]\d+(?:\.\d+)?)|to ({_NUMBER})")


class Ended(Exception):
    """The person ended the dialog; what was saved stays."""


@dataclass(frozen=True)
class Choice:
    """An answer that is a word, the key for it, and what it means."""

    word: str
    key: str
    label: str


@dataclass(frozen=True)
class Number:
    """An answer that is a number of `unit`, from `low` to `high`; `beyond` says why no more."""

    unit: str
    low: float
    high: float
    beyond: str = ""

    def __str__(self) -> str:
        return f"{self.low:g} to {self.high:g} {self.unit}"

    def read(self, answer: str) -> float | None:
        """Return the number in an answer, converted if it names another unit; None without a number."""
        return number_from(answer, self.unit) if self.unit in UNITS else number_of(answer)

    def fault_of(self, number: float) -> str:
        """Say why a number is not valid; empty for a valid one."""
        if number > self.high and self.beyond:
            return f"{number:g} is too much: {self.beyond}; {self} would be right"
        return "" if self.low <= number <= self.high else f"{number:g} makes no sense here: {self} would be right"


@dataclass(frozen=True)
class Question:
    """One question. `key` names it in a file of answers.

    With `jog` it also takes `+5` and `-5` (µs from here) and `to 1500` (µs), and a `number` after the word `at`. With
    `judge` it takes words of the person's own for which that finds no fault. `default` is what an empty answer stands
    for. `complaint` says what was wrong with the last answer.
    """

    key: str
    text: str
    choices: tuple[Choice, ...] = ()
    number: Number | None = None
    jog: bool = False
    judge: Callable[[str], str] | None = None
    default: str = ""
    complaint: str = ""

    @property
    def valid(self) -> str:
        """All valid answers, for a message."""
        answers = [choice.word for choice in self.choices]
        if self.number:
            at = "at " if self.jog else ""
            answers.append(f"{at}a number from {self.number}")
        if self.jog:
            answers += ["+5 or another step in µs", "to 1500 or another pulse in µs"]
        return ", ".join([*answers, END])

    def fault_of(self, answer: str) -> str:
        """Say why an answer is not valid and which would be; empty for a valid one."""
        if self.judge:
            return self.judge(answer)
        word = answer.lower()
        if any(word == choice.word for choice in self.choices) or (self.jog and _JOG.fullmatch(word)):
            return ""
        if self.number and (word.startswith("at ") or not self.jog):
            number = self.number.read(word)
            if number is not None:
                return self.number.fault_of(number)
            if self.default:
                return f"'{answer}' is not understood: {self.number}, as {self.default} would be"
        return f"{answer!r} is no answer here. Right would be: {self.valid}"


def number_of(answer: str) -> float | None:
    """Return the number in an answer; None without one."""
    text = answer.removeprefix("at ").strip()
    return float(text.replace(",", ".")) if re.fullmatch(_NUMBER, text) else None


def jogged(answer: str, pulse: float) -> float | None:
    """The pulse in µs that a jogging answer asks for, from `pulse`; None for any other answer."""
    found = _JOG.fullmatch(answer)
    if not found:
        return None
    step, to = found.groups()
    return pulse + float(step) if step else float(to.replace(",", "."))


def ask(question: Question) -> Dialog[str]:
    """Ask until the answer is valid. Raises Ended when the person ends the dialog."""
    while True:
        answer = (yield question).strip() or question.default
        if answer.lower() == END and not question.judge:
            raise Ended
        complaint = question.fault_of(answer)
        if not complaint:
            return answer if question.judge else answer.lower()
        question = replace(question, complaint=complaint)


def run_dialog(dialog: Dialog[Result], answer: Callable[[Question], str]) -> Result:
    """Put each question of a dialog to `answer`, and return the dialog's result. The dialog is closed in any case."""
    try:
        question = next(dialog)
        while True:
            question = dialog.send(answer(question))
    except StopIteration as end:
        return end.value
    finally:
        dialog.close()


Ask = Callable[[str], str]  # shows a question, and gives what the person answers
Say = Callable[[str], None]


class LineAnswers:
    """Gives the answers of a person who is asked by `ask`; choices and complaints are shown by `say`."""

    def __init__(self, ask: Ask, say: Say) -> None:
        self._ask = ask
        self._say = say

    def __call__(self, question: Question) -> str:
        """The answer as it was typed."""
        text = question.text
        if question.complaint:
            self._say(f"  {question.complaint}")
        elif question.choices:
            self._say(f"{text}:")
            for choice in question.choices:
                self._say(f"  {choice.word}  {choice.label}")
        if question.choices:
            text = "Number"
        elif question.number:
            text += f", {question.number.unit} ({question.number.low:g} to {question.number.high:g})"
        return self._ask(f"{text} [{question.default}]: ")
