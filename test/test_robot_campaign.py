"""`quadleg check`, which runs no simulation, against walks in physics over random robots."""

from __future__ import annotations

from math import nan

import pytest

pytest.importorskip("mujoco", reason="mujoco does not import: install the extra `sim`")

from robot_campaign import Comparison, compare, drawn, matrix, report

from quadleg.gait.walk_codes import WalkCode


def test_check_and_physics_agree_on_a_few_robots() -> None:
    found = [each for one, robot in drawn(2, seed=77) for each in compare(robot, one.seed, one.number)]
    assert len(found) == 4
    assert all(one.agrees for one in found), report(found)
    assert {one.found.walks for one in found} == {True, False}


@pytest.mark.long
def test_check_and_physics_agree_on_300_robots() -> None:
    found = [each for one, robot in drawn(300, seed=78) for each in compare(robot, one.seed, one.number)]
    assert sum(one.agrees for one in found) >= 0.95 * len(found), report(found)


def test_the_report_counts_what_it_is_given() -> None:
    def one(number: int, forecast: WalkCode, found: WalkCode, ratio: float) -> Comparison:
        return Comparison(1, number, "trot", ratio, forecast, found, (), "check says", "physics says")

    walks, badly, not_at_all = WalkCode.WALKS, WalkCode.WALKS_BADLY, WalkCode.DOES_NOT_WALK
    rows = [one(0, walks, badly, 1.2), one(1, walks, not_at_all, 3.0), one(2, not_at_all, not_at_all, nan)]
    assert "agree whether it walks: 2 of 3, 66.7 %" in matrix(rows)
    said = report(rows)
    assert "robots: 3, of which 1 walk in some gait and 2 in none; 1 within 1.5 times" in said
    assert "robot 1 of seed 1, torque 3.00 of the boundary" in said
