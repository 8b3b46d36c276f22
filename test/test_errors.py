"""Errors of boards and gamepads: each is raised with what was found and with its cure."""

from __future__ import annotations

import ast
import pickle
from collections.abc import Iterator
from pathlib import Path

import pytest

from quadleg.errors import BoardError, CuredError, GamepadError, PowerLost

PACKAGE = Path(__file__).resolve().parents[1] / "quadleg"
RAISED = {kind.__name__ for kind in (BoardError, GamepadError)}  # PowerLost brings its cure


def calls() -> Iterator[tuple[str, ast.Call]]:
    for path in sorted((*PACKAGE.rglob("*.py"), *Path(__file__).parent.glob("*.py"))):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in RAISED:
                yield f"{path.name}:{node.lineno}:{node.col_offset}", node


def test_each_is_raised_with_what_was_found_and_its_cure() -> None:
    places = dict(calls())
    assert len(places) > 30
    for where, call in places.items():
        starred = len(call.args) == 1 and isinstance(call.args[0], ast.Starred)
        assert starred or len(call.args) == 2, where
        for part in call.args:
            assert not isinstance(part, ast.Constant) or part.value, where


@pytest.mark.parametrize("kind", [BoardError, GamepadError, PowerLost])
def test_a_person_reads_one_sentence_and_a_program_its_parts(kind: type[CuredError]) -> None:
    error = kind("it is: shut", "open it")
    assert (str(error), error.found, error.cure) == ("it is: shut: open it", "it is: shut", "open it")
    copy = pickle.loads(pickle.dumps(error))
    assert (str(copy), copy.found, copy.cure) == (str(error), error.found, error.cure)


def test_a_lost_power_has_a_cure_wherever_it_is_found() -> None:
    assert "loose plug" in PowerLost("the board has lost its power").cure
