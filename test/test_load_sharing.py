"""How the weight is shared among the feet: in balance, as even as can be, and never pulling."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import minimize, nnls

from quadleg.dynamics.load_sharing import share_weight, share_weight_batch
from quadleg.gait.stability import static_margin

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
    nearest = min(distance(centre, feet[i], feet[j]) for i in range(len(feet)) for j in range(i))
    assert np.hypot(*(shares @ feet - centre)) == pytest.approx(nearest, abs=1e-9)


def distance(point, a, b) -> float:
    """From a point to the way from a to b."""
    along, way = np.subtract(b, a), np.subtract(point, a)
    return float(np.hypot(*(way - np.clip(way @ along / (along @ along), 0, 1) * along)))


@given(places, places, st.floats(0, 1), st.floats(-0.05, 0.05))
def test_two_feet_are_a_lever(a, b, way, beside):
    along = np.subtract(b, a)
    assume(np.hypot(*along) > 0.02)
    across = np.array([-along[1], along[0]]) / np.hypot(*along)
    centre = np.add(a, way * along) + beside * across
    assert share_weight([a, b], tuple(centre)) == pytest.approx([1 - way, way], abs=1e-9)


def test_past_the_end_of_a_line_the_last_foot_carries_all():
    assert share_weight([(0.0, 0.1), (0.0, -0.1)], (0.0, 0.3)) == [1.0, 0.0]


def test_three_feet_in_a_line_share_as_evenly_as_balance_allows():
    line = [(0.1, 0.0), (0.0, 0.0), (-0.1, 0.0)]
    assert share_weight(line, (-0.05, 0.0)) == pytest.approx([1 / 12, 1 / 3, 7 / 12])
    assert share_weight(line, (-0.09, 0.0)) == pytest.approx([0.0, 0.1, 0.9])
    assert share_weight([*line, (0.0, 0.1)], (-0.09, -0.1)) == pytest.approx([0.0, 0.1, 0.9, 0.0])
    assert share_weight(line[:2] + line[:1], (0.05, 0.0)) == pytest.approx([0.25, 0.5, 0.25])  # two on one spot


def test_the_foot_that_one_by_one_would_have_left_out_carries():
    """Leaving out the most negative foot for good ends out of balance here."""
    feet = [(0.078125, 0.03125), (0.0, 0.0078125), (0.0, -0.046875), (0.0234375, 0.0)]
    centre = np.array([0.8533, 0.0267, 0.0133, 0.1067]) @ feet
    shares = np.array(share_weight(feet, tuple(centre)))
    assert equations(feet) @ shares == pytest.approx([1, *centre], abs=1e-12)
    assert shares == pytest.approx(scipys(feet, centre), abs=1e-6)


def scipys(feet, centre) -> np.ndarray:
    """The least-norm shares without pull: scipy's non-negative least squares with balance at a great weight."""
    heavy = 1e5
    rows = np.vstack((heavy * equations(np.subtract(feet, centre)), np.eye(len(feet))))
    return nnls(rows, [heavy, 0.0, 0.0, *np.zeros(len(feet))])[0]


@given(st.integers(0, 2**32 - 1))
def test_against_scipy_on_random_feet(seed):
    dice = np.random.default_rng(seed)
    feet = dice.uniform(-0.15, 0.15, (dice.integers(3, 5), 2))
    assume(roomy(feet))
    centre = dice.dirichlet(np.full(len(feet), 0.5)) @ feet
    shares = share_weight([(x, y) for x, y in feet.tolist()], tuple(centre.tolist()))
    assert shares == pytest.approx(scipys(feet, centre), abs=1e-4)
    assert equations(feet) @ shares == pytest.approx([1, *centre], abs=1e-9)


@pytest.mark.parametrize("count", [2, 3, 4])
def test_many_at_once_are_each_alone(count):
    dice = np.random.default_rng(count)
    feet, centres = dice.uniform(-0.15, 0.15, (300, count, 2)), dice.uniform(-0.1, 0.1, (300, 2))
    alone = [share_weight([(x, y) for x, y in some], tuple(c)) for some, c in zip(feet.tolist(), centres.tolist())]
    assert share_weight_batch(feet, centres) == pytest.approx(np.array(alone), abs=1e-12)


def test_a_square_stance_shares_evenly():
    assert share_weight(SQUARE, (0.0, 0.0)) == pytest.approx([0.25] * 4)
