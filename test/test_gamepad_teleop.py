"""What a gamepad shows and what is wanted: inputs, the dead-man, presses, and readings that do not count."""

from __future__ import annotations

import re
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st
from ruamel.yaml import YAML

from quadleg.shipped import config_folder
from quadleg.teleop.control_mapping import BODY, CONTROLS, Input, Reading, as_yaml, inputs_of
from quadleg.teleop.gamepad_teleop import STAND_HELD, GamepadTeleop

DEFAULTS = {control.name: control.default for control in CONTROLS}
INPUTS = inputs_of(DEFAULTS)
SILENT, UNMOVED = 0.5, 30.0
STOP, STAND, SIT, SHIFT = 1, 7, 6, 4  # the buttons of the default mapping
WALK, TILT = {5: -1.0}, {2: -1.0}  # the triggers held


def reading(axes: dict[int, float] | None = None, *buttons: int) -> Reading:
    """A gamepad at rest, but for the axes and buttons given."""
    at = {2: 1.0, 5: 1.0, **(axes or {})}
    return Reading(tuple(at.get(k, 0.0) for k in range(8)), tuple(int(k in buttons) for k in range(11)))


@pytest.fixture
def pilot() -> GamepadTeleop:
    """One that has seen the gamepad at rest, at 0 s."""
    pilot = GamepadTeleop(INPUTS, SILENT, UNMOVED)
    pilot.take(reading(), 0.0)
    return pilot


# Inputs


@given(st.sampled_from(["axis", "-axis", "button"]), st.integers(0, 999))
def test_an_input_is_written_as_it_is_read(kind: str, number: int) -> None:
    assert str(Input.of(f"{kind} {number}")) == f"{kind} {number}"


@pytest.mark.parametrize(
    "text", ["", "axis", "axis -1", "stick 1", "-button 1", "axis 1.5", "axis 1 ", "Axis 1", "axis 1000"]
)
def test_other_words_are_no_input(text: str) -> None:
    with pytest.raises(ValueError, match="must be as axis 1, -axis 1, button 4, or none"):
        Input.of(text)


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("walk.forward", "stick 1", "parameter walk.forward: 'stick 1' is no input"),
        ("walk.forward", "button 1", "parameter walk.forward is 'button 1'; it must be an axis"),
        ("stop", "none", "parameter stop is 'none'; it must be an axis or a button"),
        ("walk.hold", "none", "parameter walk.hold is 'none'"),
    ],
)
def test_a_mapping_that_cannot_be_is_refused_by_name(name: str, text: str, words: str) -> None:
    with pytest.raises(ValueError, match=re.escape(words)):
        inputs_of({**DEFAULTS, name: text})


def test_a_written_mapping_is_read_as_it_was() -> None:
    def flat(nodes: dict, prefix: str = "") -> dict[str, str]:
        found = {}
        for key, value in nodes.items():
            found.update(flat(value, f"{prefix}{key}.") if isinstance(value, dict) else {prefix + key: value})
        return found

    written = YAML(typ="safe").load(as_yaml(INPUTS, "a gamepad named\nby its maker: so"))["/**/teleop"][
        "ros__parameters"
    ]
    assert flat(written) == DEFAULTS
    shipped = YAML(typ="safe").load(config_folder() / "joystick.yaml")["/**/teleop"]["ros__parameters"]
    assert DEFAULTS.items() <= flat(shipped).items()


# The dead-man


def test_without_the_dead_man_nothing_is_wanted(pilot: GamepadTeleop) -> None:
    pilot.take(reading({1: 1.0}), 0.1)
    wish = pilot.wish(0.1)
    assert (wish.walk, wish.body, wish.why) == (None, {}, "the dead-man is not held")


def test_with_it_the_sticks_walk(pilot: GamepadTeleop) -> None:
    pilot.take(reading({**WALK, 0: -0.5, 1: 1.0, 3: 0.25}), 0.1)
    assert pilot.wish(0.1).walk == (1.0, -0.5, 0.25)
    pilot.take(reading({1: 1.0}), 0.2)
    assert pilot.wish(0.2).walk is None


def test_a_trigger_counts_past_half(pilot: GamepadTeleop) -> None:
    pilot.take(reading({5: -0.5}), 0.1)
    assert pilot.wish(0.1).walk is None
    pilot.take(reading({5: -0.51}), 0.2)
    assert pilot.wish(0.2).walk == (0.0, 0.0, 0.0)


def test_the_other_holds_pose_the_body(pilot: GamepadTeleop) -> None:
    sticks = {0: 0.5, 1: 1.0, 3: -1.0, 4: 0.25}
    pilot.take(reading(sticks, SHIFT), 0.1)
    assert pilot.wish(0.1).body == {"shift.forward": 1.0, "shift.left": 0.5, "shift.up": 0.25}
    pilot.take(reading({**sticks, **TILT}), 0.2)
    tilt = {"tilt.nose_down": 1.0, "tilt.right_down": -0.5, "tilt.turn_left": -1.0}
    assert pilot.wish(0.2).body == tilt
    # The sticks mean one thing at a time: with a pose held too, the robot does not walk.
    pilot.take(reading({**sticks, **TILT, **WALK}, SHIFT), 0.3)
    assert pilot.wish(0.3).walk is None
    assert pilot.wish(0.3).body.keys() == set(BODY)


def test_more_than_a_full_stick_is_a_full_stick(pilot: GamepadTeleop) -> None:
    pilot.take(reading({**WALK, 0: -3.0, 1: 1e9}), 0.1)
    assert pilot.wish(0.1).walk == (1.0, -1.0, 0.0)


def test_before_the_first_reading_it_says_what_is_missing() -> None:
    assert "no joy is heard" in GamepadTeleop(INPUTS, SILENT, UNMOVED).wish(0.0).why


def test_a_dead_man_that_was_held_from_the_first_does_not_count() -> None:
    pilot = GamepadTeleop(INPUTS, SILENT, UNMOVED)
    pilot.take(reading(WALK), 0.0)
    assert pilot.wish(0.0).why.startswith("let the dead-man go once")
    pilot.take(reading(), 0.1)
    pilot.take(reading(WALK), 0.2)
    assert pilot.wish(0.2).walk == (0.0, 0.0, 0.0)


def test_silence_is_loss_and_the_dead_man_has_to_be_let_go_after_it(pilot: GamepadTeleop) -> None:
    pilot.take(reading({**WALK, 1: 1.0}), 0.1)
    assert pilot.wish(0.1 + SILENT).walk == (1.0, 0.0, 0.0)
    assert "the gamepad is lost" in pilot.wish(0.1 + SILENT + 0.01).why
    pilot.take(reading({**WALK, 1: 1.0}), 1.0)
    assert pilot.wish(1.0).why.startswith("let the dead-man go once")
    # A silence that nobody looked at counts as well.
    pilot.take(reading(), 1.1)
    pilot.take(reading(WALK), 1.2)
    pilot.take(reading(WALK), 2.0)
    assert pilot.wish(2.0).walk is None


def test_a_gamepad_that_repeats_itself_for_long_may_be_lost(pilot: GamepadTeleop) -> None:
    now = 0.1
    while now < UNMOVED + 0.1:
        pilot.take(reading({**WALK, 1: 1.0}), now)
        assert pilot.wish(now).walk
        now += 0.4
    pilot.take(reading({**WALK, 1: 1.0}), now)
    assert "nothing on the gamepad has moved for 30 s" in pilot.wish(now).why
    pilot.take(reading({**WALK, 1: 0.9}), now + 0.1)
    assert pilot.wish(now + 0.1).why.startswith("let the dead-man go once")
    # At rest nothing has to move.
    pilot.take(reading(), now + 0.2)
    pilot.take(reading(WALK), now + 0.3)
    assert pilot.wish(now + 0.3).walk


# Bad readings


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        (Reading((0.0,) * 4, (0,) * 11), "walk.hold is on -axis 5, but joy has 4 axes and 11 buttons"),
        (Reading((), ()), "walk.hold is on -axis 5, but joy has 0 axes"),
        (Reading(reading().axes, (0,) * 3), "shift.hold is on button 4, but joy has 8 axes and 3 buttons"),
        (reading({7: nan}), "axis 7 of joy is nan"),
        (reading({0: inf}), "axis 0 of joy is inf"),
    ],
)
def test_a_bad_reading_lets_go_and_says_why(pilot: GamepadTeleop, bad: Reading, words: str) -> None:
    pilot.take(reading(WALK), 0.1)
    assert pilot.take(bad, 0.2) == frozenset()
    wish = pilot.wish(0.2)
    assert wish.walk is None
    assert wish.why.startswith(words)
    pilot.take(reading(WALK), 0.3)
    assert pilot.wish(0.3).walk is None


def test_refused_readings_stop_all_the_same(pilot: GamepadTeleop) -> None:
    assert pilot.take(reading(WALK, STOP, SIT), 0.1, refusal="two of them") == {"stop"}
    assert pilot.wish(0.1).why == "two of them"


# Presses


@pytest.mark.parametrize(
    "rest", [reading({5: nan}, STOP), Reading((), (0, 1)), reading(WALK, STOP), reading(None, STOP)]
)
def test_the_emergency_stop_works_with_whatever_else_there_is(rest: Reading) -> None:
    pilot = GamepadTeleop(INPUTS, SILENT, UNMOVED)
    assert "stop" in pilot.take(rest, 0.0)
    assert pilot.is_down("stop")
    assert "stop" not in pilot.take(rest, 0.1)
    # After a loss it is a new press.
    assert "stop" in pilot.take(rest, 0.2 + SILENT)


def test_a_stop_on_an_axis_that_is_no_number_is_not_pressed() -> None:
    pilot = GamepadTeleop(inputs_of({**DEFAULTS, "stop": "-axis 7"}), SILENT, UNMOVED)
    assert pilot.take(reading({7: nan}), 0.0) == frozenset()
    assert pilot.take(reading({7: -1.0}), 0.1) == {"stop"}


def test_presses_count_once(pilot: GamepadTeleop) -> None:
    assert pilot.take(reading(None, SIT), 0.1) == {"sit"}
    assert pilot.take(reading(None, SIT), 0.2) == frozenset()
    assert pilot.take(reading({6: -1.0}), 0.3) == {"next_gait"}
    assert pilot.take(reading({6: 1.0}), 0.4) == {"previous_gait"}
    assert pilot.take(reading({6: 0.0}), 0.5) == frozenset()


def times(since: float, count: int) -> list[float]:
    return [since + 0.1 * k for k in range(count)]


def test_standing_up_takes_the_dead_man_and_two_seconds(pilot: GamepadTeleop) -> None:
    said = [pilot.take(reading(WALK, STAND), now) for now in times(0.1, 60)]
    assert [bool(pressed) for pressed in said].index(True) == pytest.approx(STAND_HELD / 0.1, abs=1)
    assert sum(map(len, said)) == 1
    # Let go, it begins from the start.
    pilot.take(reading(WALK), 6.2)
    assert not any(pilot.take(reading(WALK, STAND), now) for now in times(6.3, 18))
    pilot.take(reading(WALK), 8.1)
    assert not any(pilot.take(reading(WALK, STAND), now) for now in times(8.2, 18))


def test_standing_up_does_not_go_without_the_dead_man(pilot: GamepadTeleop) -> None:
    assert not any(pilot.take(reading(None, STAND), now) for now in times(0.1, 60))
    assert not any(pilot.take(reading(None, STAND, SHIFT), now) for now in times(6.1, 60))


@given(
    st.lists(
        st.tuples(st.lists(st.floats(), max_size=10), st.lists(st.integers(-5, 5), max_size=12), st.floats(0.0, 1.0)),
        max_size=20,
    )
)
def test_whatever_comes_nothing_is_raised_and_all_that_is_wanted_is_within_one(messages: list) -> None:
    pilot, now = GamepadTeleop(INPUTS, SILENT, UNMOVED), 0.0
    for axes, buttons, wait in messages:
        now += wait
        pilot.take(Reading(tuple(axes), tuple(buttons)), now)
        wish = pilot.wish(now)
        shares = [*(wish.walk or ()), *wish.body.values()]
        assert all(-1.0 <= share <= 1.0 for share in shares)
        assert shares or wish.why
