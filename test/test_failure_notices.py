"""What the page says ahead of the state."""

from __future__ import annotations

import pytest

from quadleg.safety.failure_notices import failure_notices
from quadleg.safety.following import FollowingCode

SOUND = {
    "state": "active",
    "stop_category": "",
    "following": "follows",
    "following_where": "",
    "following_figure": "",
    "servo_heat": "warm",
    "servo_hottest": "rear_left_knee",
    "servo_hottest_c": "61",
    "idle": "not_idle",
    "idle_left_s": "",
}
WEAK = {
    "following": "torque_limit",
    "following_where": "rear_left_knee rear_right_knee",
    "following_figure": "104 %",
}


def test_nothing_is_said_of_a_sound_robot_or_of_one_that_is_not_heard() -> None:
    assert failure_notices(SOUND) == []
    assert failure_notices({}) == []


@pytest.mark.parametrize("code", [code for code in FollowingCode if code is not FollowingCode.FOLLOWS])
def test_each_way_not_to_follow_is_said_with_cause_and_remedy(code: FollowingCode) -> None:
    (notice,) = failure_notices(SOUND | {"following": code.value})
    assert notice.code == code.value
    assert notice.loud
    assert all((notice.what, notice.does, notice.do))


@pytest.mark.parametrize(
    ("state", "category", "does"),
    [
        ("active", "", "goes slower"),
        ("hold", "2", "holds still, with power"),
        ("lowering", "1", "lowers itself"),
        ("off", "1", "was lowered"),
        ("fault", "0", "pulses were cut"),
    ],
)
def test_a_failure_says_where_how_much_and_what_the_robot_does(state: str, category: str, does: str) -> None:
    (notice,) = failure_notices(SOUND | WEAK | {"state": state, "stop_category": category})
    assert "(rear knees, 104 %)" in notice.what
    assert does in notice.does
    assert "stronger servos" in notice.do.lower()


def test_a_robot_that_does_not_follow_comes_before_hot_servos() -> None:
    hot = {"servo_heat": "hot", "servo_hottest_c": "83", "idle": "lowers_soon", "idle_left_s": "12"}
    notices = failure_notices(SOUND | WEAK | hot)
    assert [notice.code for notice in notices] == ["torque_limit", "servo_hot", "lowers_soon"]
    assert "Rear left knee is hot, about 83 °C" in notices[1].what
    assert not notices[1].loud
    assert "in 12 s" in notices[2].does
    assert "move the body" in notices[2].do


def test_too_hot_is_a_failure_and_says_that_it_has_to_cool() -> None:
    too_hot = {"servo_heat": "too_hot", "servo_hottest_c": "101", "state": "off", "stop_category": "1"}
    (notice,) = failure_notices(SOUND | too_hot)
    assert notice.loud
    assert "too hot" in notice.what
    assert "was lowered" in notice.does
    assert "cool" in notice.do


def test_a_robot_that_lowered_itself_says_why() -> None:
    (notice,) = failure_notices(SOUND | {"state": "off", "stop_category": "1", "idle": "lowered"})
    assert "without a command" in notice.what
    assert "Stand up" in notice.do


def test_a_code_of_another_version_is_a_failure_too() -> None:
    (notice,) = failure_notices(SOUND | {"following": "wings_off"})
    assert notice.loud
    assert notice.code == "wings_off"
