"""What the README and the parameter file say of deadlines, against the one module that has them."""

from __future__ import annotations

from pathlib import Path

import pytest

from quadleg.demo.demo import PAUSE
from quadleg.safety.deadlines import (
    FOUND_TIME,
    HOLD_TIME,
    LIMIT_TIME,
    LOW_TIME,
    MAX_BAD_TARGETS,
    MISSING_FRAMES,
    OVER_LOWER,
    OVER_TIME,
    SHORTFALL_HOLD,
    SHORTFALL_LOWER,
    SILENCE_HOLD,
    SILENCE_LOWER,
    TIP_TIME,
)
from quadleg.teleop.gamepad_teleop import STAND_HELD
from quadleg.topic_table import COMMAND_FRESH
from quadleg.viewer.stop_settings import GIVEN_UP_AFTER

ROOT = Path(__file__).parents[1]
COUNTS = {3: "three"}  # the README writes counts as words
FRAMES, TARGETS = COUNTS[MISSING_FRAMES], COUNTS[MAX_BAD_TARGETS]
SAID = [
    ("README.md", f"no good frame of joint targets for {FRAMES} control periods | holds"),
    (
        "README.md",
        f"goes on by itself after {FRAMES} good ones; after {HOLD_TIME:g} s lowers, then off",
    ),
    ("README.md", f"{TARGETS} bad joint targets in a row (not finite, wrong names or count) | holds (2)"),
    (
        "README.md",
        f"(not finite, wrong names or count) | holds (2); after {HOLD_TIME:g} s lowers, then off",
    ),
    ("README.md", f"that leg stays at its last good point; after {LIMIT_TIME:g} s holds"),
    ("README.md", f"all legs stay, says so; after {LIMIT_TIME:g} s holds"),
    ("README.md", f"`supply` says low for {LOW_TIME:g} s"),
    ("README.md", f"after {OVER_TIME:g} s over it holds (2); after {OVER_LOWER:g} s more lowers"),
    ("README.md", f"said with the cause, slower; after {SHORTFALL_HOLD:g} s holds (2)"),
    ("README.md", f"where it lasts, after {SHORTFALL_LOWER:g} s more lowers"),
    ("README.md", f"says tipped (`tip_angle_deg`, by default 45°) for {TIP_TIME:g} s"),
    ("README.md", f"after {SILENCE_HOLD:g} s servo_output holds (2), opens the connection again"),
    (
        "README.md",
        f"{SILENCE_HOLD:g} s after its last command servo_output holds (2), after {SILENCE_LOWER:g} s it",
    ),
    ("README.md", f"`quadleg run` finds the board running, holds, and lowers after {SILENCE_LOWER + FOUND_TIME:g} s"),
    ("README.md", f"After {SILENCE_HOLD:g} s servo_output says so and holds, and opens the connection"),
    ("README.md", f"and a STOP pressed within {GIVEN_UP_AFTER:g} s arrives then"),
    ("README.md", f"anyone → base_motion; teleop wins while it is fresh ({COMMAND_FRESH:g} s)"),
    ("README.md", f"teleop, drive, viewer → gait; wins while it is fresh ({COMMAND_FRESH:g} s)"),
    ("README.md", f"no velocity for {COMMAND_FRESH:g} s | stops"),
    ("config/joystick.yaml", f"held for {STAND_HELD:g} s together with walk.hold, stands up"),
    ("config/parameters.yaml", f"the watchdog then holds, and after {HOLD_TIME:g} s lowers the robot"),
]


@pytest.mark.parametrize(("file", "words"), SAID)
def test_a_deadline_that_is_told_is_the_one_in_use(file: str, words: str) -> None:
    assert words in (ROOT / file).read_text(encoding="utf-8")


def test_the_demo_pauses_gait_for_less_than_a_hold_lasts() -> None:
    assert PAUSE < HOLD_TIME
