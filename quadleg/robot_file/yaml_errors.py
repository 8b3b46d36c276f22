"""Where to look in a text that is no YAML, and what would be right, in the words of one who edits it."""

from __future__ import annotations

import re

from quadleg.robot_file.plain_yaml import NotPlain

NO_SPACE = re.compile(r"[A-Za-z_]\w*:\S")
PUT_A_SPACE = "put a space after the colon"

_NO_SPACE_IN_LINE = re.compile(r"(?:^|[{,])\s*" + NO_SPACE.pattern)
_NO_COLON = re.compile(r"\s*[A-Za-z_][^:]*")
_COMMENT = re.compile(r"(?:^|\s)#.*")

# The parser's words for a key in a column where none can begin.
_INDENT_PROBLEMS = ("mapping values are not allowed", "expected <block end>")


def syntax_fault(error: Exception, text: str) -> tuple[int, str]:
    """The line (from 1) to correct, and how; `error` is the parser's."""
    if isinstance(error, NotPlain):
        return error.problem_mark.line + 1, error.remedy
    mark = getattr(error, "problem_mark", None)
    position = mark.index if mark is not None else getattr(error, "position", 0)
    problem = getattr(error, "problem", None) or getattr(error, "reason", None) or str(error)

    lines = [_COMMENT.sub("", line).rstrip() for line in text.split("\n")]
    here = text.count("\n", 0, position)
    # The parser notices many a fault only at the next word, which may be on a later line.
    before = next((number for number in reversed(range(here)) if lines[number]), here)

    if text[position : position + 1] == "\t":
        return here + 1, "there is a tab: use spaces"
    for number in (before, here):
        if _NO_SPACE_IN_LINE.search(lines[number]):
            return number + 1, PUT_A_SPACE
    if _NO_COLON.fullmatch(lines[before]):
        return before + 1, "there is no colon: write `key: value`"
    if problem.startswith(_INDENT_PROBLEMS) and _column(lines[here]) != _column(lines[before]):
        columns = f"column {_column(lines[here])}, and line {before + 1} in column {_column(lines[before])}"
        return here + 1, f"this line begins in {columns}: begin all keys of one section in the same column"
    return here + 1, f"is no YAML from here on ({problem}): correct this line or the one before it"


def _column(line: str) -> int:
    """The column, from 1, in which a line begins, as editors show it."""
    return 1 + len(line) - len(line.lstrip(" "))
