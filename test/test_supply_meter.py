"""Mean and peak of the supply's current."""

from __future__ import annotations

from itertools import pairwise
from math import isnan, nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quadleg.servos.board_sensors import SupplyMeter


@given(st.lists(st.tuples(st.floats(0.001, 1.0), st.floats(0.0, 30.0)), min_size=2, max_size=30))
def test_the_meter_has_mean_and_peak(steps: list[tuple[float, float]]) -> None:
    meter, times, currents = SupplyMeter(), np.cumsum([step for step, _ in steps]), [current for _, current in steps]
    for now, current in zip(times, currents):
        meter.take(current, True, now)
    assert meter.peak == max(currents)
    means = [(a + b) / 2 for a, b in pairwise(currents)]
    assert meter.mean == pytest.approx(np.average(means, weights=np.diff(times)))


def test_the_meter_begins_anew_with_the_power_and_leaves_gaps_out() -> None:
    meter = SupplyMeter()
    assert isnan(meter.mean)
    assert isnan(meter.peak)
    for now, current, powered in ((0, 9.0, False), (1, 4.0, True), (2, 4.0, True), (3, nan, True), (9, 2.0, True)):
        meter.take(current, powered, now)
    assert (meter.peak, meter.mean) == (4.0, 4.0)
    meter.take(0.0, False, 10)
    assert (meter.peak, meter.mean) == (4.0, 4.0)
    meter.take(1.0, True, 11)
    assert (meter.peak, meter.mean) == (1.0, 1.0)
