"""Cautions: each stands in one place, and people meet it where they meet its hazard."""

from __future__ import annotations

from pathlib import Path

import pytest

from quadleg import cautions
from quadleg.cautions import FIRST_POWER_UP, OPEN_THE_SWITCH
from quadleg.viewer.stop_settings import NOT_ANSWERED_LOUD, NOT_SENT

PACKAGE = Path(cautions.__file__).parent


@pytest.mark.parametrize(
    "clause",
    [
        "feet free",
        "clear of knees and hips",
        "fingers clear, ",
        "fingers clear?",
        "within reach?",
        "supply within reach",
        "the real emergency stop",
        "in the servo supply now",
        "for the stall current",
        "lithium batteries",
        "mains wiring",
    ],
)
def test_no_other_file_repeats_a_clause(clause: str) -> None:
    paths = [path for kind in ("*.py", "*.html", "*.js", "*.jinja") for path in PACKAGE.rglob(kind)]
    found = {path for path in paths if clause in " ".join(path.read_text(encoding="utf-8").lower().split())}
    assert found == {PACKAGE / "cautions.py"}


@pytest.mark.parametrize("words", [NOT_SENT, NOT_ANSWERED_LOUD])
def test_a_stop_that_may_have_done_nothing_sends_to_the_switch(words: str) -> None:
    assert words.endswith(OPEN_THE_SWITCH.removeprefix("o"))


def test_a_first_power_up_is_the_same_on_paper_and_on_the_page() -> None:
    assert FIRST_POWER_UP in cautions.BUILDING
    page = (PACKAGE / "viewer" / "page" / "index.html").read_text(encoding="utf-8")
    assert "{{ first_power_up }}" in page


def test_the_bench_asks_for_a_stand_and_the_trim_for_level_ground() -> None:
    calibrating, trimming = cautions.CALIBRATING, cautions.TRIMMING
    assert calibrating[1:] == trimming[1:]
    assert "on a stand" in calibrating[0]
    assert "level ground" in trimming[0]


def test_a_robot_that_is_tilted_by_hand_has_no_servo_power() -> None:
    first, *others = cautions.TILTING
    assert "switch in the servo supply open" in first
    assert any("table's edge" in other and "never catch" in other for other in others)


def test_a_robot_that_walks_along_a_tape_has_space_and_is_not_lifted() -> None:
    ground, hands, switch, standing = cautions.TAPE_WALKING
    assert "free around the robot and no edge near" in ground
    assert "children and animals away" in hands
    assert "emergency stop" in switch
    assert "do not lift" in standing
