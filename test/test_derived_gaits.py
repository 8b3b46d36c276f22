"""Gaits made to a robot's measure: dynamic similarity, servos that are too slow for it, and the demo robot's own."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from random_robots import NUMBERS, random_robot, random_robots
from ruamel.yaml import YAML

from quadleg.gait.derived_gaits import (
    CLEARANCE_SHARE,
    LEAST_CLEARANCE_SHARE,
    LIFT_SPEED_SHARE,
    LIFT_TURN,
    LONGER,
    PATTERNS,
    derived_gaits,
    gait_fault,
)
from quadleg.gait.stability import froude_number
from quadleg.gait.steady_strides import angles_of, strides
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.geometry.planar import ZERO_TWIST
from quadleg.robot.model import RobotModel
from quadleg.robot_file.load import find_robot, load_robot, robot_from_text

legs, shares, speeds = st.floats(0.06, 0.5), st.floats(0.5, 0.95), st.floats(2.0, 20.0)
of_random_robots = pytest.mark.parametrize("robot", NUMBERS, indirect=True)


@pytest.fixture(scope="module")
def robot(request: pytest.FixtureRequest) -> RobotModel:
    """One of twelve random robots, which take seconds to draw."""
    return random_robot(5, request.param).robot


def test_the_demo_robot_has_the_gaits_that_it_was_tuned_with():
    creep, trot = load_robot(find_robot("greenhouse_inspector")).gaits
    assert (creep.duty_factor, creep.stride_period, creep.foot_clearance, creep.margin) == (0.8, 1.6, 0.02, 0.005)
    assert (trot.duty_factor, trot.stride_period, trot.foot_clearance, trot.margin) == (0.62, 0.7, 0.02, None)


@given(legs, shares, st.floats(0.3, 3.0))
def test_robots_of_another_size_walk_alike(leg: float, share: float, size: float):
    """Alexander (1984, 1989): lengths with the leg, times with its square root, shares of the stride not at all."""
    fast = 100.0
    for one, other in zip(derived_gaits(leg, share * leg, fast), derived_gaits(size * leg, share * size * leg, fast)):
        assert other.stride_period == pytest.approx(sqrt(size) * one.stride_period, abs=0.02)
        assert other.foot_clearance == pytest.approx(size * one.foot_clearance, abs=2e-4)
        assert (one.duty_factor, one.phases) == (other.duty_factor, other.phases)


@given(legs, shares, speeds)
def test_slow_servos_take_more_time_and_lift_less_within_bounds(leg: float, share: float, speed: float):
    for pattern, gait in zip(PATTERNS, derived_gaits(leg, share * leg, speed)):
        assert gait_fault(gait.duty_factor, gait.phases, gait.margin is not None) is None
        similar = pattern.period * sqrt(share * leg / 9.80665)
        lifted = gait.foot_clearance / leg
        assert LEAST_CLEARANCE_SHARE - 0.002 <= lifted <= CLEARANCE_SHARE + 0.002
        assert gait.stride_period >= similar - 0.006
        if gait.stride_period > LONGER * similar + 0.006:
            assert lifted == pytest.approx(LEAST_CLEARANCE_SHARE, abs=0.002)
        # Whatever the two are, the servos can lift a foot so.
        air = (1 - gait.duty_factor) * gait.stride_period
        turn = LIFT_TURN * lifted / CLEARANCE_SHARE
        assert turn / air <= LIFT_SPEED_SHARE * speed * 1.05


@of_random_robots
def test_a_foot_is_lifted_with_the_turn_that_the_rule_has(robot: RobotModel):
    """The constant of the rule against inverse kinematics, on robots of all sizes and knees."""
    straight = robot.legs[0].upper_length + robot.legs[0].lower_length
    for gait in robot.gaits:
        feet = strides(robot, gait, np.array([ZERO_TWIST]), 480).feet[0]
        angles, _ = angles_of(robot, feet, np.zeros((480, 2)))
        rates = np.abs(np.roll(angles, -1, axis=0) - angles) * 480 / gait.stride_period
        turn = rates.max() * (1 - gait.duty_factor) * gait.stride_period
        lifted = gait.foot_clearance / straight
        assert turn == pytest.approx(LIFT_TURN * lifted / CLEARANCE_SHARE, rel=0.2)


@of_random_robots
def test_limits_are_those_of_a_walk(robot: RobotModel):
    """Alexander, Physiol. Rev. 69 (1989) 1199: quadrupeds walk, with duty factors above a half, up to a Froude number
    of about 0.5, and trot up to 2 or 3 (unverified: the page of these figures). All gaits here have such duty factors.
    """
    for gait in robot.gaits:
        assert gait.duty_factor > 0.5
        assert froude_number(WalkingLimits(robot, gait).forward[0], robot.standing.height) < 0.5


def test_new_writes_the_gaits_that_follow_as_a_comment():
    for drawn in random_robots(4, seed=6):
        lines = drawn.text.splitlines()
        first = next(number for number, line in enumerate(lines) if line.startswith("# gaits:"))
        block = []
        for line in lines[first:]:
            if not line.startswith("#"):
                break
            block.append(line[2:])
        written = YAML(typ="safe").load("\n".join(block))["gaits"]
        assert list(written) == [gait.name for gait in drawn.robot.gaits]
        again = robot_from_text(drawn.text + "\n" + "\n".join(block) + "\n", "robot.yaml")
        for ours, theirs in zip(drawn.robot.gaits, again.gaits):
            assert theirs.duty_factor == ours.duty_factor
            assert theirs.stride_period == pytest.approx(ours.stride_period, abs=1e-3)
            assert theirs.foot_clearance == pytest.approx(ours.foot_clearance, rel=0.01)
            assert (theirs.margin is None) == (ours.margin is None)
