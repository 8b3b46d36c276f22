"""Whose velocity counts, by what is fresh."""

from __future__ import annotations

from math import nan

import pytest

from quadleg.errors import TargetError
from quadleg.gait.velocity_selection import (
    REFUSAL_TIME,
    VelocityCommand,
    VelocityCommands,
    WalkDirection,
    ways_left_out,
)
from quadleg.gait.walk_obstacles import Obstacle
from quadleg.health import CodedFact
from quadleg.safety.catalogue import Reason
from quadleg.safety.figure_words import velocity_in_words


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


def test_ways_that_cannot_be_walked_are_named() -> None:
    said = Reason.of(Obstacle.WAY_IMPOSSIBLE, ways="right turn_left", gait="creep")
    assert str(said) == "this robot cannot walk to the right or turn left in the gait creep: its limit there is zero"


def test_who_else_publishes_and_what_is_refused_are_codes_with_figures() -> None:
    commands = VelocityCommands()
    assert commands.unclear(0.0, "cmd_vel", 1) is None
    assert commands.unclear(0.0, "cmd_vel", 2) == CodedFact.of(Obstacle.SEVERAL_PUBLISHERS, topic="cmd_vel")
    refused = commands.refuse("it is nan", 1.0)
    assert refused == CodedFact("velocity_refused", {"detail": "it is nan"})
    assert commands.unclear(1.0, "cmd_vel", 2) == refused
    assert commands.unclear(1.1 + REFUSAL_TIME, "", 0) is None
