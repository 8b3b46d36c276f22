"""How the weight is shared among the feet: in balance, as even as can be, and never pulling."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import minimize, nnls

from quadleg.gait.stability import static_margin
from quadleg.gait.support import share_weight

near = st.floats(-0.15, 0.15)
places = st.tuples(near, near)
SQUARE = [(0.09, 0.09), (0.09, -0.09), (-0.09, 0.09), (-0.09, -0.09)]


def equations(feet) -> np.ndarray:
    """Forces up to one weight, moments about both axes: rows @ shares = (1, x, y) of the centre."""
    return np.vstack((np.ones(len(feet)), np.transpose(feet)))


def roomy(feet) -> bool:
    """No two feet on one spot, and not all of them near one line."""
    spread = np.linalg.svd(np.array(feet) - np.mean(feet, axis=0), compute_uv=False)
    gaps = [np.hypot(*np.subtract(a, b)) for i, a in enumerate(feet) for b in feet[:i]]
    return spread[-1] > 0.02 and min(gaps) > 0.02


@given(st.lists(places, min_size=3, max_size=4), st.lists(st.floats(0.01, 1), min_size=4, max_size=4))
def test_shares_are_in_balance_inside_the_feet(feet, weights):
    assume(roomy(feet))
    weights = np.array(weights[: len(feet)]) / sum(weights[: len(feet)])
    centre = tuple(weights @ feet)
    shares = np.array(share_weight(feet, centre))
    assert (shares >= 0).all()
    assert np.allclose(equations(feet) @ shares, [1, *centre], rtol=0, atol=1e-9)
    assert (shares**2).sum() <= (weights**2).sum() + 1e-9, "no other shares in balance are more even"


nudges = st.tuples(*[st.floats(-0.03, 0.03)] * 2)


@given(st.lists(nudges, min_size=4, max_size=4), nudges)
def test_against_numpy_s_least_squares_where_no_foot_would_pull(moved, centre):
    feet = [(x + dx, y + dy) for (x, y), (dx, dy) in zip(SQUARE, moved)]
    expected = np.linalg.lstsq(equations(feet), [1, *centre], rcond=None)[0]  # the least norm of all solutions
    assume((expected >= 0).all())
    assert share_weight(feet, centre) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("centre", [(0.0, 0.0), (0.02, -0.05), (0.085, 0.08), (0.07, 0.07), (-0.089, 0.0)])
def test_against_scipy_s_constrained_optimum(centre):
    target = [1, *centre]
    best = minimize(
        lambda f: (f**2).sum(),
        nnls(equations(SQUARE), target)[0],
        bounds=[(0, 1)] * 4,
        constraints={"type": "eq", "fun": lambda f: equations(SQUARE) @ f - target},
        tol=1e-12,
    )
    assert share_weight(SQUARE, centre) == pytest.approx(best.x, abs=1e-5)


@given(st.lists(places, min_size=3, max_size=4), places)
def test_outside_the_feet_the_edge_near_it_carries(feet, centre):
    assume(roomy(feet))
    assume(static_margin(feet, centre) < 0)
    shares = np.array(share_weight(feet, centre))
    assert (shares >= 0).all()
    assert shares.sum() == pytest.approx(1)
    assert (shares > 1e-12).sum() <= 2


@given(places, places, st.floats(0, 1), st.floats(-0.05, 0.05))
def test_two_feet_are_a_lever(a, b, way, beside):
    along = np.subtract(b, a)
    assume(np.hypot(*along) > 0.02)
    across = np.array([-along[1], along[0]]) / np.hypot(*along)
    centre = np.add(a, way * along) + beside * across
    assert share_weight([a, b], tuple(centre)) == pytest.approx([1 - way, way], abs=1e-9)


def test_past_the_end_of_a_line_the_last_foot_carries_all():
    assert share_weight([(0.0, 0.1), (0.0, -0.1)], (0.0, 0.3)) == [1.0, 0.0]
    assert share_weight([(0.1, 0.0), (0.0, 0.0), (-0.1, 0.0)], (-0.05, 0.0)) == pytest.approx([0.25, 0.0, 0.75])


def test_a_square_stance_shares_evenly():
    assert share_weight(SQUARE, (0.0, 0.0)) == pytest.approx([0.25] * 4)
