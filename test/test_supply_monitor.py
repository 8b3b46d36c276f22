"""Mean and peak of the supply's current, and whether the pose explains a reading."""

from __future__ import annotations

from itertools import pairwise
from math import inf, isnan, nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from robots import inspector

from quadleg.dynamics.supply_current import SupplyCurrentModel
from quadleg.kinematics.body import stance_angles
from quadleg.robot.model import Robot
from quadleg.safety.supply_monitor import UNEXPLAINED_TIME, Explanation, Meter, stalled_joints

ALL, STILL = [True] * 12, [0.0] * 12


def standing(robot: Robot) -> list[float]:
    return list(stance_angles(robot, robot.standing))


@given(st.lists(st.tuples(st.floats(0.001, 1.0), st.floats(0.0, 30.0)), min_size=2, max_size=30))
def test_the_meter_has_mean_and_peak(steps: list[tuple[float, float]]) -> None:
    meter, times, currents = Meter(), np.cumsum([step for step, _ in steps]), [current for _, current in steps]
    for now, current in zip(times, currents):
        meter.take(current, True, now)
    assert meter.peak == max(currents)
    means = [(a + b) / 2 for a, b in pairwise(currents)]
    assert meter.mean == pytest.approx(np.average(means, weights=np.diff(times)))


def test_the_meter_begins_anew_with_the_power_and_leaves_gaps_out() -> None:
    meter = Meter()
    assert isnan(meter.mean)
    assert isnan(meter.peak)
    for now, current, powered in ((0, 9.0, False), (1, 4.0, True), (2, 4.0, True), (3, nan, True), (9, 2.0, True)):
        meter.take(current, powered, now)
    assert (meter.peak, meter.mean) == (4.0, 4.0)
    meter.take(0.0, False, 10)
    assert (meter.peak, meter.mean) == (4.0, 4.0)
    meter.take(1.0, True, 11)
    assert (meter.peak, meter.mean) == (1.0, 1.0)


def test_more_current_than_the_pose_explains_names_the_joints_of_the_most_load() -> None:
    robot = inspector()
    explanation = Explanation(robot)
    modelled = SupplyCurrentModel(robot).currents(standing(robot), STILL, ALL)
    explanation.take(9.0, modelled, None, 0.0)
    explanation.take(9.0, modelled, None, UNEXPLAINED_TIME - 0.1)
    assert not explanation.words  # not yet: a shock
    explanation.take(9.0, modelled, None, UNEXPLAINED_TIME)
    said = "supply gives 9.0 A, more current than the pose explains ("
    assert explanation.words.startswith(said)
    *_, named = explanation.words.partition("; most loaded: ")
    # The mass is behind the middle of the feet.
    assert set(named.split(", ")[:2]) == {"rear_left_knee", "rear_right_knee"}
    explanation.take(5.0, modelled, None, 2.0)
    assert not explanation.words


def test_the_stalled_servo_is_named_only_where_angles_are_measured() -> None:
    robot = inspector()
    explanation, wanted = Explanation(robot), standing(robot)
    modelled = SupplyCurrentModel(robot).currents(wanted, STILL, ALL)
    measured = [*wanted[:5], wanted[5] + 0.2, *wanted[6:]]
    stalled = stalled_joints(wanted, measured, STILL, ALL)
    assert stalled == ["front_right_knee"]
    for now in (0.0, UNEXPLAINED_TIME):
        explanation.take(9.0, modelled, stalled, now)
    assert explanation.words.endswith("A); stalled: front_right_knee")
    assert stalled_joints(wanted, measured, [2.0] * 12, ALL) == []  # on its way
    assert stalled_joints(wanted, measured, STILL, [False] * 12) == []


def test_a_current_that_is_not_known_is_explained() -> None:
    explanation = Explanation(inspector())
    for now in (0.0, inf):
        explanation.take(nan, [0.0] * 12, None, now)
    assert not explanation.words
