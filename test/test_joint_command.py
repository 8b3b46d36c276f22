"""Joint commands: a joint named is powered, a joint not named is limp."""

from __future__ import annotations

from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quadleg.errors import TargetError
from quadleg.robot.model import JOINT_NAMES
from quadleg.safety.joint_command import ALL, NONE, Command, command_of

UNNAMED = tuple(0.01 * i for i in range(12))


@given(st.permutations(range(12)), st.integers(0, 12))
def test_named_joints_are_powered_in_any_order_and_the_others_keep_their_angles(order, count):
    named = order[:count]
    command = command_of([JOINT_NAMES[i] for i in named], [[1.0 + i for i in named]], UNNAMED)
    for i in range(12):
        assert command.powered[i] is (i in named)
        assert command.angles[i] == (1.0 + i if i in named else UNNAMED[i])


@pytest.mark.parametrize("points", [[], [[]]])
def test_a_command_without_joints_is_all_off(points):
    assert command_of([], points, UNNAMED) == Command(UNNAMED, NONE)


def test_all_twelve_joints_are_all_on():
    assert command_of(JOINT_NAMES, [UNNAMED], NONE) == Command(UNNAMED, ALL)


@pytest.mark.parametrize(
    ("names", "points", "words"),
    [
        (JOINT_NAMES, [], "12 names, 0 points"),
        (JOINT_NAMES, [UNNAMED, UNNAMED], "2 points"),
        ([], [[], []], "2 points"),
        ([], [[0.1]], "0 names, 1 points and 1 positions"),
        (JOINT_NAMES, [UNNAMED[:11]], "11 positions"),
        (JOINT_NAMES[:11], [UNNAMED], "11 names"),
        (["tail"], [[0.1]], "unknown joint 'tail'"),
        ([JOINT_NAMES[0], JOINT_NAMES[0]], [[0.1, 0.1]], "front_left_abduction is named twice"),
        ([JOINT_NAMES[2]], [[nan]], "front_left_knee is nan"),
        ([JOINT_NAMES[2]], [[inf]], "front_left_knee is inf"),
    ],
)
def test_what_is_no_command_is_refused_in_words(names, points, words):
    with pytest.raises(TargetError, match=words):
        command_of(names, points, UNNAMED)
