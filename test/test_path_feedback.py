"""The course: what slips is given back, within bounds; and nothing where nothing is wanted."""

from __future__ import annotations

from math import hypot, pi

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quadleg.gait.path_feedback import ERROR_LIMITS, MOST_SHARE, PathFeedback
from quadleg.geometry.planar import ZERO_TWIST, Planar, compose_planar, motion, to_frame

FASTEST, ACCELERATION = (0.08, 0.05, 0.4), (0.03, 0.02, 0.15)
DT = 0.02

some = st.floats(-1, 1)
twists = st.tuples(some, some, some).map(lambda t: tuple(0.7 * share * most for share, most in zip(t, FASTEST)))


def walked(wanted: Planar, seconds: float, slips: float = 0.0, turns: float = 0.0) -> tuple[list[Planar], list[Planar]]:
    """Places and corrections of a robot that loses a share of its velocity and turns by itself (rad/s)."""
    course, place = PathFeedback(), ZERO_TWIST
    places, corrections = [], []
    for _ in range(round(seconds / DT)):
        given_back = course.correction(wanted, place, FASTEST, ACCELERATION, DT)
        x, y, yaw = ((1 - slips) * (a + b) for a, b in zip(wanted, given_back))
        place = compose_planar(place, motion((x, y, yaw + turns), DT))
        places.append(place)
        corrections.append(given_back)
    return places, corrections


def speed(places: list[Planar], seconds: float) -> float:
    """The mean speed over the last so many seconds."""
    first, last = places[-round(seconds / DT)], places[-1]
    return hypot(last[0] - first[0], last[1] - first[1]) / (seconds - DT)


@pytest.mark.parametrize("slips", [0.1, 0.2])
def test_a_robot_that_slips_keeps_the_speed_that_is_wanted(slips: float) -> None:
    places, _ = walked((0.06, 0.0, 0.0), 60.0, slips)
    assert speed(places, 20.0) == pytest.approx(0.06, rel=0.01)


def test_a_robot_that_turns_by_itself_keeps_its_heading_and_its_line() -> None:
    places, _ = walked((0.06, 0.0, 0.0), 60.0, turns=0.05)
    assert abs(places[-1][2]) < 0.002
    assert abs(places[-1][1]) < 0.003


def test_a_robot_that_was_held_and_comes_free_overtakes_its_course_by_little() -> None:
    course, place = PathFeedback(), ZERO_TWIST
    for k in range(3000):
        x, y, yaw = course.correction((0.05, 0.0, 0.0), place, FASTEST, ACCELERATION, DT)
        if k >= 1000:  # held for 20 s
            place = compose_planar(place, motion((0.05 + x, y, yaw), DT))
    assert 40.0 * 0.05 < place[0] < 40.0 * 0.05 + ERROR_LIMITS[0] + 0.1


@given(twists, st.floats(-0.5, 0.5), st.floats(-0.5, 0.5))
def test_what_is_given_back_is_bounded_and_the_course_stays_near(wanted: Planar, slips: float, turns: float) -> None:
    course, place = PathFeedback(), ZERO_TWIST
    for _ in range(400):
        given_back = course.correction(wanted, place, FASTEST, ACCELERATION, DT)
        assert all(abs(value) <= MOST_SHARE * most + 1e-12 for value, most in zip(given_back, FASTEST))
        assert course.place
        ahead, aside = to_frame(place, course.place[0], course.place[1])
        assert abs(ahead) <= ERROR_LIMITS[0] + 1e-9
        assert abs(aside) <= ERROR_LIMITS[1] + 1e-9
        x, y, yaw = ((1 - slips) * (a + b) for a, b in zip(wanted, given_back))
        place = compose_planar(place, motion((x, y, yaw + turns), DT))


def test_nothing_is_given_back_where_nothing_is_wanted() -> None:
    course = PathFeedback()
    for k in range(100):
        assert course.correction(ZERO_TWIST, (0.001 * k, 0.0, 0.01 * k), FASTEST, ACCELERATION, DT) == ZERO_TWIST


def test_a_heading_that_goes_round_is_no_deviation() -> None:
    course = PathFeedback()
    for _ in range(200):
        course.correction((0.05, 0.0, 0.0), (0.0, 0.0, pi - 0.001), FASTEST, ACCELERATION, DT)
    _, _, yaw = course.correction((0.05, 0.0, 0.0), (0.0, 0.0, -pi + 0.001), FASTEST, ACCELERATION, DT)
    assert abs(yaw) < 0.01
