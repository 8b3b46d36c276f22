"""Keys of a terminal: what they ask for, and that what was asked for ends."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quadleg.teleop.keyboard_teleop import COMMANDS, GROUPS, NOTCHES, OTHERS, KeyboardTeleop, KeyReader

DEAD_MAN = 2.0


@pytest.fixture
def hands() -> KeyboardTeleop:
    return KeyboardTeleop(DEAD_MAN)


def press(hands: KeyboardTeleop, *keys: str, now: float = 0.0) -> list[str]:
    return [hands.press(key, now) for key in keys]


# Keys from bytes


def test_cursor_keys_in_both_modes_of_a_terminal() -> None:
    # terminfo: kcuu1, kcud1, kcuf1, kcub1 of `linux` (as ECMA-48's CUU, CUD, CUF, CUB), and of `vt100` with smkx.
    assert KeyReader().take(b"\x1b[A\x1b[B\x1b[C\x1b[D") == ["up", "down", "right", "left"]
    assert KeyReader().take(b"\x1bOA\x1bOB\x1bOC\x1bOD") == ["up", "down", "right", "left"]


@given(st.integers(0, 6))
def test_a_sequence_in_two_parts_is_one_key(cut: int) -> None:
    reader = KeyReader()
    data = b"\x1b[Ae\x1b[B"
    found = [key for part in (data[:cut], data[cut:]) if part for key in reader.take(part)]
    assert found == ["up", "e", "down"]


def test_a_sequence_that_ends_without_its_end_is_no_known_key() -> None:
    reader = KeyReader()
    assert reader.take(b"\x1b") == []
    (key,) = reader.take(b"")
    assert key not in (*COMMANDS, *OTHERS)
    assert reader.take(b"") == []


def test_capitals_and_names() -> None:
    assert KeyReader().take(b"E \r\t") == ["e", "space", "enter", "tab"]


@given(st.binary(max_size=50))
def test_any_bytes_are_keys(data: bytes) -> None:
    reader = KeyReader()
    hands = KeyboardTeleop(DEAD_MAN)
    for key in reader.take(data) + reader.take(b""):
        hands.press(key, 0.0)
        wish = hands.wish(0.0)
        assert all(-1.0 <= share <= 1.0 for share in (*(wish.walk or ()), *wish.body.values()))


@pytest.mark.parametrize("data", [b"\x1b[1;2A", b"\x1b[5~", b"\x1b[200~", b"\xc3\xa9", b"\x00", b"x"])
def test_keys_that_mean_nothing_stop(hands: KeyboardTeleop, data: bytes) -> None:
    press(hands, "up")
    press(hands, *KeyReader().take(data))
    assert hands.wish(0.0).walk == (0.0, 0.0, 0.0)


# What they ask for


def test_each_press_is_a_notch_up_to_the_limit(hands: KeyboardTeleop) -> None:
    for count in range(1, 2 * NOTCHES):
        press(hands, "up")
        assert hands.wish(0.0).walk == (min(1.0, count / NOTCHES), 0.0, 0.0)
    press(hands, *["down"] * 3, "left", ".")
    assert hands.wish(0.0).walk == (2 / NOTCHES, -1 / NOTCHES, 1 / NOTCHES)


def test_a_press_beyond_the_limit_is_told(hands: KeyboardTeleop) -> None:
    press(hands, *["up"] * NOTCHES)
    assert hands.at_limit == ""
    press(hands, "up")
    assert hands.at_limit == "forward"
    press(hands, *["left"] * (NOTCHES + 1))
    assert hands.at_limit == "turn left"
    press(hands, "right")
    assert hands.at_limit == ""


def test_whether_a_speed_is_asked_for(hands: KeyboardTeleop) -> None:
    assert not hands.asks_for_speed
    press(hands, "up")
    assert hands.asks_for_speed
    press(hands, "down")
    assert not hands.asks_for_speed
    press(hands, "tab", "up")
    assert not hands.asks_for_speed


def test_space_stops(hands: KeyboardTeleop) -> None:
    press(hands, "up", "left", "space")
    assert hands.wish(0.0).walk == (0.0, 0.0, 0.0)


def test_it_ends_by_itself(hands: KeyboardTeleop) -> None:
    press(hands, "up", now=1.0)
    assert hands.left(1.0) == DEAD_MAN
    assert hands.wish(1.0 + DEAD_MAN - 0.01).walk
    assert hands.wish(1.0 + DEAD_MAN).walk is None
    # The next press begins from rest, and Enter does not bring back what has ended.
    press(hands, "enter", now=4.0)
    assert hands.wish(4.0).walk is None
    press(hands, "up", now=5.0)
    assert hands.wish(5.0).walk == (1 / NOTCHES, 0.0, 0.0)


def test_enter_goes_on(hands: KeyboardTeleop) -> None:
    press(hands, "up", now=0.0)
    for now in (1.5, 3.0, 4.5):
        press(hands, "enter", now=now)
    assert hands.wish(6.0).walk == (1 / NOTCHES, 0.0, 0.0)


def test_other_keys_do_not_lengthen_it(hands: KeyboardTeleop) -> None:
    press(hands, "up", now=0.0)
    press(hands, "tab", "g", now=1.0)
    assert hands.left(1.0) == DEAD_MAN - 1.0


def test_commands(hands: KeyboardTeleop) -> None:
    assert press(hands, *COMMANDS) == [command for command, _ in COMMANDS.values()]


@pytest.mark.parametrize("key", ["e", "u", "d", "q", "r"])
def test_a_command_that_ends_walking_ends_it(hands: KeyboardTeleop, key: str) -> None:
    press(hands, "up", key)
    assert hands.wish(0.0).walk is None


def test_the_arrows_pose_the_body_after_tab(hands: KeyboardTeleop) -> None:
    press(hands, "tab", "up", "up", "right", ".")
    assert hands.group == "shift the body"
    body = hands.wish(0.0).body
    assert (body["shift.forward"], body["shift.left"], body["shift.up"]) == (0.4, -0.2, 0.2)
    press(hands, "tab", "up", "right", ",", now=1.0)
    body = hands.wish(1.0).body
    assert (body["tilt.nose_down"], body["tilt.right_down"], body["tilt.turn_left"]) == (0.2, 0.2, 0.2)
    assert body["shift.forward"] == 0.4
    press(hands, "c", now=1.0)
    assert set(hands.wish(1.0).body.values()) == {0.0}
    assert hands.wish(1.0 + DEAD_MAN).body == {}
    press(hands, "tab")
    assert hands.group == "walk"


def test_the_body_stays_when_walking_stops(hands: KeyboardTeleop) -> None:
    press(hands, "tab", "up", "space")
    assert hands.wish(0.0).body == {}
    press(hands, "up")
    assert hands.wish(0.0).body["shift.forward"] == 0.4


def test_no_key_has_two_meanings() -> None:
    for ways in GROUPS.values():
        keys = [key for _, more, less, _, _ in ways for key in (more, less)] + [*COMMANDS, *OTHERS]
        assert len(keys) == len(set(keys))
