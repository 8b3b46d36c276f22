"""Who is down when: against Hildebrand's chart, McGhee & Frank's count of gaits, and sums over a stride."""

from __future__ import annotations

from itertools import combinations, permutations

import numpy as np
import pytest
import sample_robots
from hypothesis import given
from hypothesis import strategies as st
from longitudinal_margin import longitudinal_margin

from quadleg.gait.derived_gaits import derived_gaits, gait_fault, wave_phases
from quadleg.gait.schedule import all_down_before, first_lift_off, lift_off, since_landing, stride_samples
from quadleg.robot.model import LEGS, GaitParameters

GAITS = CREEP, TROT = derived_gaits(0.200, 0.150, 6.5)
FRONT_LEFT, FRONT_RIGHT, REAR_LEFT, REAR_RIGHT = range(4)

shares = st.floats(0, 0.999)
gaits = st.builds(
    lambda duty, phases: GaitParameters("any", duty, phases, 1.0, 0.02, None),
    st.floats(0.5, 0.95),
    st.tuples(shares, shares, shares, shares),
)


def down(gait: GaitParameters, phase: float) -> list[bool]:
    return [since_landing(gait, leg, phase) < gait.duty_factor for leg in range(4)]


@given(gaits)
def test_each_foot_is_down_for_the_duty_factor(gait):
    _, in_air = stride_samples(gait, 4000)
    assert np.allclose(1 - in_air.mean(axis=0), gait.duty_factor, rtol=0, atol=2 / 4000)


@given(gaits, st.floats(0, 0.9999))
def test_batch_equals_scalar(gait, start):
    since, in_air = stride_samples(gait, 48)
    for k in range(0, 48, 5):
        assert since[k] == pytest.approx([since_landing(gait, leg, k / 48) for leg in range(4)])
        assert in_air[k].tolist() == [not each for each in down(gait, k / 48)]
    for leg in range(4):
        assert since_landing(gait, leg, gait.phases[leg]) == pytest.approx(0.0, abs=1e-8)
        left_at = lift_off(gait, leg)
        assert since_landing(gait, leg, left_at) == pytest.approx(gait.duty_factor, abs=1e-8)
        assert 0 <= since_landing(gait, leg, start) < 1


@given(gaits)
def test_the_first_lift_off_comes_after_the_longest_time_on_all_feet(gait):
    first = first_lift_off(gait)
    moments = [lift_off(gait, leg) for leg in range(4)]
    assert first in moments
    assert all_down_before(gait, first) == max(all_down_before(gait, moment) for moment in moments)


def test_before_the_creeping_walk_lifts_a_foot_all_are_down_for_a_twentieth_of_the_stride():
    # Four feet are each in the air for 1 - 0.8 = 0.2 of the stride, one after the other: 0.2 is left, in four parts of
    # which wave phases make two of 0.1.
    assert all_down_before(CREEP, first_lift_off(CREEP)) == pytest.approx(0.1, abs=1e-6)
    assert not any(stride_samples(CREEP, 1000)[1].sum(axis=1) > 1)


@pytest.mark.parametrize("start", np.arange(0, 0.5, 0.05).tolist())
def test_at_a_duty_factor_of_a_half_no_rounding_leaves_the_robot_without_a_foot(start):
    """Two feet land just when the others lift off, at phases that ticks reach with rounding errors."""
    gait = GaitParameters("edge", 0.5, (start, start + 0.5, start + 0.5, start), 0.5, 0.02, None)
    phase = 0.0
    for _ in range(2000):
        assert sum(down(gait, phase)) == 2
        phase = (phase + 0.02 / 0.5) % 1.0


# Outside sources


@pytest.mark.parametrize("duty", [0.75, 0.8, 0.9])
def test_wave_phases(duty):
    """A front foot lands 1 − β after the hind foot of its side, the sides half a stride apart: the wave gaits of Song &
    Waldron, Machines That Walk (1989). unverified: compare with the book's chapter on gaits."""
    phases = wave_phases(duty)
    for front, rear in ((FRONT_LEFT, REAR_LEFT), (FRONT_RIGHT, REAR_RIGHT)):
        assert (phases[front] - phases[rear]) % 1 == pytest.approx(1 - duty)
    for left, right in ((FRONT_LEFT, FRONT_RIGHT), (REAR_LEFT, REAR_RIGHT)):
        assert (phases[left] - phases[right]) % 1 == pytest.approx(0.5)
    assert CREEP.phases == pytest.approx(wave_phases(CREEP.duty_factor))


def lag_of_fore_behind_hind(gait: GaitParameters) -> list[float]:
    """Hildebrand's second figure: the share of a stride by which a fore foot lands after the hind one of its side."""
    phases = gait.phases
    return [(phases[f] - phases[r]) % 1 for f, r in ((FRONT_LEFT, REAR_LEFT), (FRONT_RIGHT, REAR_RIGHT))]


def test_each_gait_lies_in_the_region_of_hildebrand_s_chart_that_its_name_says():
    """Hildebrand, Science 150 (1965) 701, and BioScience 39 (1989) 766; unverified: compare the borders with its chart.

    A gait is a walk where feet are down for half of the stride or more, else a run. Where left and right alternate, the
    lag of fore behind hind tells: less than 1/16 of the stride, a pace; around 0.25, lateral sequence, single foot;
    from 7/16 to 9/16, a trot (walking trot above a duty factor of 0.5); around 0.75, diagonal sequence. A walk's
    lateral sequence goes from 1/16 to 7/16.
    """
    assert CREEP.duty_factor > 0.5
    assert all(1 / 16 < lag < 7 / 16 for lag in lag_of_fore_behind_hind(CREEP))
    order = sorted(range(4), key=lambda leg: (CREEP.phases[leg] - CREEP.phases[REAR_LEFT]) % 1)
    assert order == [REAR_LEFT, FRONT_LEFT, REAR_RIGHT, FRONT_RIGHT], (
        "the lateral sequence: hind foot, fore foot, sides"
    )
    assert TROT.duty_factor > 0.5
    assert all(7 / 16 <= lag <= 9 / 16 for lag in lag_of_fore_behind_hind(TROT))
    for gait in GAITS:
        assert (gait.phases[FRONT_LEFT] - gait.phases[FRONT_RIGHT]) % 1 == pytest.approx(0.5), "symmetrical gaits"
        assert (gait.phases[REAR_LEFT] - gait.phases[REAR_RIGHT]) % 1 == pytest.approx(0.5)


def best_margin(order: tuple[int, ...]) -> float:
    """The longitudinal margin, in stride lengths, of the best creeping gait that lifts the feet in this order.

    McGhee & Frank's setting: straight ahead at constant speed, one foot in the air at a time, legs without limits of
    reach. All feet have β = 7/8; of the times with all feet down, half of the stride, ways to spread them over the four
    places between swings are tried; and each foot lands where it is best for the margin.
    """
    duty, step = 7 / 8, 1 / 64
    times = (np.arange(64) + 0.5) * step
    best = -1.0
    for gaps in (each for each in np.ndindex(5, 5, 5, 5) if sum(each) == 4):  # in eighths
        landing = np.zeros(4)
        landing[list(order)] = np.cumsum([0, *(1 + gap for gap in gaps[:-1])]) / 8
        since = (times[:, None] - landing) % 1
        in_air = since >= duty
        along = np.array([1.0, 1.0, -1.0, -1.0]) + duty / 2 - since
        # The body passes the middle of two feet across while neither foot that this line must not lose is in the air.
        for front, rear, other_front, other_rear in (
            (FRONT_RIGHT, REAR_LEFT, FRONT_LEFT, REAR_RIGHT),
            (FRONT_LEFT, REAR_RIGHT, FRONT_RIGHT, REAR_LEFT),
        ):
            line = along[:, front] + along[:, rear]
            along[:, front] -= (line[in_air[:, other_front]].min() + line[in_air[:, other_rear]].max()) / 2
        places = np.stack((along, np.broadcast_to([0.5, -0.5, 0.5, -0.5], along.shape)), axis=2)
        worst = min(longitudinal_margin(list(map(tuple, p[~air])), (0.0, 0.0)) for p, air in zip(places, in_air))
        best = max(best, worst)
    return best


def test_three_of_the_six_creeping_gaits_can_walk_forward_stably_and_the_lateral_sequence_best():
    """McGhee & Frank, Mathematical Biosciences 3 (1968) 331: of the six non-singular creeping gaits, three can be
    statically stable forward; the best is the one that we call the creeping walk. unverified: compare with the
    paper; the search here finds the same."""
    orders = [(REAR_LEFT, *rest) for rest in permutations((FRONT_LEFT, FRONT_RIGHT, REAR_RIGHT))]
    margins = {order: best_margin(order) for order in orders}
    stable = {order for order, margin in margins.items() if margin > 0}
    lateral = (REAR_LEFT, FRONT_LEFT, REAR_RIGHT, FRONT_RIGHT)
    assert len(orders) == 6
    assert len(stable) == 3, margins
    assert max(margins, key=lambda order: margins[order]) == lateral
    assert sorted(margins.values())[-2] < margins[lateral]
    assert margins[lateral] == pytest.approx(7 / 8 - 3 / 4, abs=1 / 64)  # Song & Waldron (1989), and the time step


# What no gait may do


def test_the_gaits_of_every_robot_carry_it():
    for gait in GAITS:
        assert gait_fault(gait.duty_factor, gait.phases, gait.margin is not None) is None


@given(gaits)
def test_a_gait_is_refused_where_feet_in_the_air_leave_no_support(gait):
    _, in_air = stride_samples(gait, 720)
    diagonals = ({FRONT_LEFT, REAR_RIGHT}, {FRONT_RIGHT, REAR_LEFT})
    sets = [set(np.flatnonzero(row).tolist()) for row in in_air]
    carried = all(len(legs) < 2 or legs in diagonals for legs in sets)
    if not carried:
        assert gait_fault(gait.duty_factor, gait.phases, False)
    if any(len(legs) > 1 for legs in sets):
        assert gait_fault(gait.duty_factor, gait.phases, True)
    fault = gait_fault(gait.duty_factor, gait.phases, False)
    if fault:
        pairs = [f"{LEGS[a]} and {LEGS[b]}" for a, b in combinations(range(4), 2)]
        assert any(pair in fault for pair in pairs)


def test_robots_in_code_have_the_usual_gaits():
    assert sample_robots.inspector().gaits == GAITS
