"""A dialog line by line: each question with what Enter stands for, as at a plain terminal."""

from __future__ import annotations

from collections.abc import Callable

from quadleg.commissioning.dialog import Question

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
