"""A file of answers in place of a person: the same questions, in the same order.

YAML: a list whose entries have one key each, the question's, and the answer or a list of answers, as
`- mark: [to 1500, at -30]`. All values are taken as they are written.
"""

from __future__ import annotations

from pathlib import Path

from ruamel.yaml.error import YAMLError

from quadleg.commissioning.dialog import Question
from quadleg.errors import AnswerError
from quadleg.robot_file.plain_yaml import bounded_text, plain_yaml
from quadleg.robot_file.yaml_errors import syntax_fault


class FileAnswers:
    """The answers of one file, one after the other. Raises AnswerError for a file that is no list of answers."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._answers = [(key, value) for key, value in _read(path)]
        self._next = 0

    def __call__(self, question: Question) -> str:
        """The next answer. Raises AnswerError where it is for another question, was refused, or none is left."""
        if question.complaint:
            raise AnswerError(f"{self._path}, answer {self._next}: {question.complaint}")
        if self._next == len(self._answers):
            raise AnswerError(
                f"{self._path} has {self._next} answers, and `{question.key}` is asked after the last. What was "
                f"finished before is saved. It takes {question.valid}"
            )
        key, value = self._answers[self._next]
        self._next += 1
        if key != question.key:
            raise AnswerError(
                f"{self._path}, answer {self._next} is for `{key}`, and `{question.key}` is asked: {question.text} "
                f"It takes {question.valid}"
            )
        return value

    def check_all_used(self) -> None:
        """Raises AnswerError where answers are left over."""
        if left := len(self._answers) - self._next:
            raise AnswerError(
                f"{self._path}: all is done, and {left} answers are left, from number {self._next + 1} on"
            )


def _read(path: Path) -> list[tuple[str, str]]:
    try:
        text = bounded_text(path)
        entries = plain_yaml("base").load(text)
    except (OSError, UnicodeDecodeError) as error:
        raise AnswerError(f"{path} cannot be read: {error}") from None
    except YAMLError as error:
        line, remedy = syntax_fault(error, text)
        raise AnswerError(f"{path}:{line}: {remedy}") from None
    answers = []
    for number, entry in enumerate(entries if isinstance(entries, list) else [entries], 1):
        if not isinstance(entry, dict) or len(entry) != 1:
            raise AnswerError(f"{path}, entry {number}: `- key: answer` would be right, as `- moved: yes`")
        ((key, value),) = entry.items()
        answers += [(key, str(one)) for one in (value if isinstance(value, list) else [value])]
    return answers
