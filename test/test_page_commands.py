"""What a page may ask for, and that nothing else is taken."""

from __future__ import annotations

import json
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quadleg.errors import MessageError
from quadleg.viewer.page_commands import GAIT, KINDS, POSE, SIT, STAND, STOP, WALK, PageCommand, parse_command

RANGES = {"height": (0.05, 0.2), "roll": (-0.5, 0.5)}


def test_each_kind_is_understood() -> None:
    assert parse_command('{"kind": "stop"}', RANGES) == PageCommand(STOP)
    assert parse_command('{"kind": "pose", "axis": "height", "value": 0.12}', RANGES) == PageCommand(
        POSE, "height", 0.12
    )
    walk = parse_command('{"kind": "walk", "forward": 1, "left": 0, "turn_left": -0.5}', RANGES)
    assert walk == PageCommand(WALK, shares=(1.0, 0.0, -0.5))
    assert parse_command('{"kind": "gait", "gait": "trot"}', RANGES) == PageCommand(GAIT, gait="trot")
    assert parse_command('{"kind": "stand", "legs_placed": true}', RANGES) == PageCommand(STAND, legs_placed=True)
    assert not parse_command('{"kind": "stand"}', RANGES).legs_placed
    assert parse_command(b'{"kind": "sit"}', RANGES) == PageCommand(SIT)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "not JSON"),
        ("stop", "not JSON"),
        (b"\xff\xfe", "not JSON"),
        ("[" * 250, "not JSON"),
        ("[1, 2]", "no known kind; it must be one of stop, stand"),
        ('{"kind": "jump"}', "no known kind"),
        ('{"kind": ["stop"]}', "no known kind"),
        ('{"kind": "pose", "axis": "wings", "value": 1}', "axis is 'wings'; it must be one of height, roll"),
        ('{"kind": "pose", "axis": "height"}', "height is None; it must be a number from 0.05 to 0.2"),
        ('{"kind": "pose", "axis": "height", "value": 0.3}', "height is 0.3; it must be from 0.05 to 0.2"),
        ('{"kind": "pose", "axis": "height", "value": NaN}', "it must be a number"),
        ('{"kind": "pose", "axis": "height", "value": true}', "it must be a number"),
        ('{"kind": "pose", "axis": "height", "value": 1e999}', "it must be a number"),
        ('{"kind": "walk", "forward": 2, "left": 0, "turn_left": 0}', "forward is 2; it must be from -1 to 1"),
        ('{"kind": "walk", "forward": 0, "left": 0}', "turn_left is None"),
        ('{"kind": "gait", "gait": 7}', "it must be the name of a gait"),
        ('{"kind": "stand", "legs_placed": "yes"}', "it must be true or false"),
        ('{"kind": "stop"' + " " * 400 + "}", "at most 300"),
    ],
)
def test_what_is_wrong_is_refused_with_what_would_be_right(text: str | bytes, says: str) -> None:
    with pytest.raises(MessageError, match=re.escape(says)):
        parse_command(text, RANGES)


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)
WISHES = st.fixed_dictionaries(
    {"kind": st.sampled_from(KINDS)},
    optional=dict.fromkeys(("axis", "value", "forward", "left", "turn_left", "gait", "legs_placed"), JSON),
)


@given(st.text(max_size=80) | st.binary(max_size=80) | (JSON | WISHES).map(json.dumps))
def test_nothing_but_sound_wishes_or_a_refusal_comes_of_any_message(text: str | bytes) -> None:
    try:
        asked = parse_command(text, RANGES)
    except MessageError:
        return
    assert asked.kind in KINDS
    assert all(-1 <= share <= 1 for share in asked.shares)
    if asked.kind == POSE:
        low, high = RANGES[asked.axis]
        assert low <= asked.value <= high
