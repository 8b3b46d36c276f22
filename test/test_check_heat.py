"""Verdicts on heat, against the watchdog's own watch of a robot that stands and walks."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import robots
from random_robots import with_torque

from quadleg.commissioning.check import Check, as_json, check, refusals, verdicts
from quadleg.commissioning.heat import Heat
from quadleg.commissioning.torque import Torque, standing_angles
from quadleg.commissioning.torque_needs import with_stall_torques
from quadleg.commissioning.verdict import FAILS, GOOD, TIGHT, Quantity, Verdict
from quadleg.robot.maker_units import KG_CM
from quadleg.robot.model import Robot
from quadleg.safety.heat_watch import LOOK_PERIOD, HeatLevel, HeatWatch

PERIOD = 0.02


@cache
def weighing(times: float) -> Robot:
    robot = robots.inspector()
    body = times * robot.masses.total - (robot.masses.total - robot.masses.body)
    return replace(robot, masses=replace(robot.masses, body=body))


def seconds_watched(robot: Robot, most: float) -> float:
    """How long the watchdog's watch lets it stand, in s."""
    watch, now = HeatWatch(robot, 0.0), 0.0
    angles = tuple(standing_angles(robot, [robot.standing.height])[0].tolist())
    while now < most and watch.level is not HeatLevel.TOO_HOT:
        now += PERIOD
        watch.take(angles, [True] * 12, now)
    return now


def of_standing(robot: Robot) -> Verdict:
    return verdicts(robot)["heat"][0]


def test_a_robot_that_stays_cool_is_good_and_says_how_warm_it_gets() -> None:
    row = of_standing(weighing(1.0))
    assert (row.about, row.word) == ("heat, standing", GOOD)
    assert "gets to 58 °C" in row.why


@pytest.mark.parametrize(("times", "word"), [(1.6, TIGHT), (2.6, FAILS)])
def test_a_robot_that_gets_too_hot_is_told_when_as_the_watchdog_has_it(times: float, word: str) -> None:
    robot = weighing(times)
    row = of_standing(robot)
    assert row.word == word
    lasts = Heat.of(robot, Torque.of(robot, 0.1, 0.2), ()).loads[0].lasts
    assert lasts == pytest.approx(seconds_watched(robot, 600.0), abs=LOOK_PERIOD)
    shown = f"{lasts:.0f} s" if lasts < 120 else f"{lasts / 60:.0f} min"
    assert f"is too hot (90 °C) after {shown}" in row.why
    assert "kg·cm" in row.cure


def test_the_numbers_in_the_cure_would_do() -> None:
    robot = weighing(2.6)
    needs = {(need.quantity, need.at): need.value for need in of_standing(robot).needs}
    knees = needs[Quantity.STALL_TORQUE_KG_CM, "knees"] * KG_CM
    strong = with_stall_torques(robot, np.tile([0.0, 0.0, knees], 4))
    light = weighing(2.6 * needs[Quantity.MASS_G, ""] / (1000 * robot.masses.total))
    height = needs[Quantity.STANDING_HEIGHT_MM, ""] / 1000
    high = replace(robot, standing=replace(robot.standing, height=height))
    for mended in (strong, light, high):
        assert seconds_watched(mended, 1200.0) >= 1200.0
        assert of_standing(mended).word != FAILS


@cache
def heavy() -> Check:
    return check(with_torque(weighing(1.0), 0.8))


def test_walking_is_judged_too() -> None:
    rows = {row.about: row for row in heavy().verdicts["heat"]}
    assert set(rows) == {"heat, standing", "heat, creep", "heat, trot"}
    assert rows["heat, trot"].word == TIGHT
    assert '"too_hot_after_s"' in as_json(heavy())


def test_heat_keeps_no_robot_from_being_run_since_the_watchdog_lowers_it() -> None:
    hot = weighing(2.0)
    assert of_standing(hot).word in (TIGHT, FAILS)
    assert not any(sentence.startswith("heat") for sentence in refusals(hot))
