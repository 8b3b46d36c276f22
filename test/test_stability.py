"""Support polygon and margins against scipy and the theory of wave gaits; the Froude number against Alexander."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, inf

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from longitudinal_margin import longitudinal_margin
from sample_robots import BOTH, ROBOTS
from scipy.spatial import ConvexHull

from quadleg.gait.derived_gaits import wave_phases
from quadleg.gait.stability import froude_number, static_margin, support_polygon
from quadleg.gait.steady_strides import SAMPLES, strides

near = st.floats(-0.2, 0.2).map(lambda value: round(value, 6))  # a micrometre apart, or on one another
feet_lists = st.lists(st.tuples(near, near), min_size=3, max_size=4, unique=True)
SQUARE = [(0.1, 0.1), (0.1, -0.1), (-0.1, 0.1), (-0.1, -0.1)]


def spread(feet) -> float:
    return float(np.linalg.svd(np.array(feet) - np.mean(feet, axis=0), compute_uv=False)[-1])


@given(feet_lists, st.tuples(near, near))
def test_polygon_and_margin_are_those_of_scipy_s_hull(feet, centre):
    assume(spread(feet) > 0.01)
    hull = ConvexHull(feet)
    polygon = support_polygon(feet)
    assert {*polygon} >= {feet[i] for i in hull.vertices}
    x, y = np.transpose(polygon)
    area = (x * np.roll(y, -1) - y * np.roll(x, -1)).sum() / 2
    assert area == pytest.approx(hull.volume, abs=1e-12), "anticlockwise, so positive"
    # A row is an outward normal and an offset: what is inside has negative values.
    beyond = hull.equations @ [*centre, 1]
    assert static_margin(feet, centre) == pytest.approx(-beyond.max(), abs=1e-7)


@given(feet_lists, st.tuples(near, near))
def test_longitudinal_margin_is_how_far_the_centre_may_go_along_x(feet, centre):
    assume(spread(feet) > 0.01)
    assume(abs(static_margin(feet, centre)) > 1e-9)  # on an edge that lies along x it is both
    margin = longitudinal_margin(feet, centre)
    if static_margin(feet, centre) < 0:
        assert margin <= 1e-9
        return
    x, y = centre
    assert margin >= static_margin(feet, centre) - 1e-9
    for way in (1, -1):
        assert static_margin(feet, (x + way * (margin - 1e-9), y)) > -1e-7
    assert min(static_margin(feet, (x + way * (margin + 1e-6), y)) for way in (1, -1)) < 1e-9


def test_margins_by_hand():
    assert static_margin(SQUARE, (0.02, 0.0)) == pytest.approx(0.08)
    assert static_margin(SQUARE, (0.13, 0.0)) == pytest.approx(-0.03)
    assert longitudinal_margin(SQUARE, (0.02, 0.05)) == pytest.approx(0.08)
    assert longitudinal_margin(SQUARE, (0.0, 0.2)) == -inf
    assert static_margin(SQUARE[1:3], (0.0, 0.0)) == pytest.approx(0.0, abs=1e-12)
    assert static_margin(SQUARE[1:3], (0.1, 0.1)) == pytest.approx(-0.1 * hypot(1, 1))
    assert static_margin(SQUARE[:1], (0.1, 0.1)) == -inf
    assert support_polygon([(0.0, 0.0), (0.1, 0.0), (0.05, 0.0)]) == [(0.0, 0.0), (0.1, 0.0)]


@pytest.mark.parametrize("duty", [0.76, 0.8, 0.85, 0.9, 0.95])
@BOTH
def test_longitudinal_margin_of_wave_gaits(robot, duty):
    """Song & Waldron, Machines That Walk (1989): S = (β − 3/4) λ for a quadruped's wave gaits,
    with λ the stride length, what the body travels in a stride, here 0.1 m; strictly straight, without sway.

    It holds where λ is not so long that other pairs of feet decide, and for a centre of mass amid the feet.
    unverified: compare with the book's chapter on gaits; the planned strides agree.
    """
    speed, length = 0.05, 0.1
    gait = replace(robot.gait("creep"), duty_factor=duty, phases=wave_phases(duty), stride_period=length / speed)
    path = strides(robot, gait, np.array([[speed, 0.0, 0.0]]), 40 * SAMPLES)
    least = inf
    for feet, in_air in zip(path.feet[0, :, :, :2], path.in_air):
        least = min(least, longitudinal_margin([tuple(foot) for foot in feet[~in_air]], (0.0, 0.0)))
    # Samples are 1/1920 of a stride apart.
    assert least == pytest.approx((duty - 0.75) * length, abs=2 * length / 1920)


def test_froude_number_against_alexander():
    """Alexander, Physiological Reviews 69 (1989) 1199: animals walk below a Froude number of about 0.5 (horses 0.35:
    Griffin, Kram et al., J. Exp. Biol. 207 (2004) 4215). Ours are far below, where walking is in order."""
    # The formula by hand: a man's hip at 0.9 m who changes to running at about 2 m/s.
    assert froude_number(2.0, 0.9) == pytest.approx(0.453, abs=0.001)
    assert froude_number(0.0, 0.15) == 0
    for speed in (0.1, 0.25):
        assert froude_number(speed, ROBOTS[0].standing.height) < 0.5
    assert froude_number(2 * 0.2, 0.15) == pytest.approx(4 * froude_number(0.2, 0.15))
