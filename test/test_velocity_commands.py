"""Whose velocity counts, by what is fresh."""

from __future__ import annotations

from math import nan

import pytest

from quadleg.errors import TargetError
from quadleg.gait.velocity_selection import (
    VelocityCommand,
    VelocityCommands,
    WalkDirection,
    cannot_in_words,
    velocity_in_words,
    ways_left_out,
)


def test_teleop_counts_while_it_is_fresh_and_the_stamp_names_its_message() -> None:
    commands = VelocityCommands()
    assert commands.wanted(0.0) == VelocityCommand()
    commands.take("cmd_vel", (0.1, 0.0, 0.0), 10.0, stamp=7)
    assert commands.wanted(10.1) == VelocityCommand((0.1, 0.0, 0.0), "cmd_vel", 7)
    commands.take("teleop/cmd_vel", (0.0, 0.1, 0.0), 10.2, stamp=9)
    assert commands.wanted(10.3) == VelocityCommand((0.0, 0.1, 0.0), "teleop/cmd_vel", 9)
    commands.take("cmd_vel", (0.1, 0.0, 0.0), 10.8, stamp=8)
    assert commands.wanted(10.8).source == "cmd_vel"
    assert commands.wanted(11.4) == VelocityCommand()


def test_a_velocity_that_is_not_finite_counts_as_none_and_is_refused() -> None:
    commands = VelocityCommands()
    with pytest.raises(TargetError, match="not finite"):
        commands.take("cmd_vel", (nan, 0.0, 0.0), 1.0)
    assert commands.wanted(1.0) == VelocityCommand(source="cmd_vel")


def test_a_velocity_in_words_leaves_out_what_is_nothing() -> None:
    assert velocity_in_words((0.05, 0.0, -0.1)) == "0.050 m/s forward, 0.100 rad/s right"
    assert velocity_in_words((0.0, 0.0, 0.0)) == "on the spot"


def test_ways_that_are_asked_for_and_not_possible_are_told() -> None:
    assert ways_left_out((0.2, -0.1, 0.3), (0.2, 0.0, 0.0)) == (WalkDirection.RIGHT, WalkDirection.TURN_LEFT)
    assert ways_left_out((0.2, 0.0, 0.0), (0.1, 0.0, 0.0)) == ()
    words = cannot_in_words((WalkDirection.RIGHT, WalkDirection.TURN_LEFT), "creep")
    assert words == "this robot cannot walk to the right or turn left in the gait creep: its limit there is zero"
    assert cannot_in_words((), "creep") == ""
