"""Currents against common practice, MuJoCo's servos and a walk in physics; supply, fuse, wire and battery."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import sample_robots
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis_settings import examples
from random_robots import with_torque

from quadleg.commissioning.feasibility import copper_wire
from quadleg.commissioning.feasibility.current_draw import BATTERY_SHARE, Current
from quadleg.commissioning.feasibility.standing_torque import Torque
from quadleg.commissioning.feasibility.stride_effort import GaitUse
from quadleg.commissioning.feasibility.supply_plan import FUSES, SPARE
from quadleg.commissioning.feasibility.verdict import FAILS, GOOD, TIGHT, Quantity, Verdict
from quadleg.robot.model import Supply
from quadleg.robot_file.load import find_robot, load_robot

ROBOT = load_robot(find_robot("greenhouse_inspector"))


@cache
def gaits(voltage: float = 6.0) -> tuple[GaitUse, ...]:
    robot = replace(ROBOT, supply=Supply(voltage, 20.0))
    return tuple(GaitUse.of(robot, gait) for gait in robot.gaits)


def fed(**supply) -> Current:
    """The demo robot's with another supply."""
    robot = replace(ROBOT, supply=replace(ROBOT.supply, **supply))
    return Current.of(robot, Torque.of(robot, 0.05, 0.2), gaits(robot.supply.voltage))


def verdict(current: Current, about: str) -> Verdict:
    return next(row for row in current.verdicts() if row.about == about)


def test_twelve_servos_take_6_to_12_a_in_use_and_30_stalled() -> None:
    """Common practice, no source: the design's section 10."""
    current = fed()
    assert 6 <= current.in_use <= 12
    assert current.stalled == pytest.approx(30.0)
    assert 0.5 * 6 <= current.standing.mean < min(draw.mean for draw in current.gaits)


def test_a_22_a_rail_of_5_v_passes_in_use_and_not_with_all_stalled() -> None:
    current = fed(voltage=5.0, rated_current=22.0)
    in_use = [
        row for row in current.verdicts() if row.about in ("current, standing", "current, creep", "current, trot")
    ]
    assert [row.word for row in in_use] == [GOOD, GOOD, GOOD]
    stalled = verdict(current, "current, all stalled")
    assert stalled.word == TIGHT
    assert "a supply of 22 A passes in use" in stalled.why
    assert "and not with all servos stalled (25 A)" in stalled.why
    assert current.plan.sentence.startswith("Supply to buy: 5 V, ")
    assert "25 A if it shall bear all servos stalled" in current.plan.sentence


def test_a_supply_that_is_too_small_is_refused_and_one_that_bears_all_is_good() -> None:
    small = fed(rated_current=2.0)
    assert verdict(small, "current, standing").word == FAILS
    assert "passes neither in use" in verdict(small, "current, all stalled").why
    sinks = fed(rated_current=8.0)
    assert verdict(sinks, "current, trot").word == TIGHT
    assert "sinks" in verdict(sinks, "current, trot").why
    large = fed(rated_current=30.0)
    assert verdict(large, "current, all stalled").word == GOOD
    assert large.plan.rating >= SPARE * large.in_use


def test_a_walk_in_physics_takes_about_as_much() -> None:
    pytest.importorskip("mujoco")
    from quadleg.gait.walking_limits import WalkingLimits
    from quadleg.simulation.rollout import Rollout

    trot = ROBOT.gait("trot")
    rollout = Rollout(ROBOT, WalkingLimits(ROBOT, trot), angles=None)
    rollout.stand()
    ahead = gaits()[1].strides["ahead"]
    drawn = []
    for tick in range(200):
        rollout.tick(ahead.twist)
        if tick >= 100:
            drawn.append(float(rollout.world.currents.sum()))
    # More, since its legs also push against each other and its feet land hard: within a quarter.
    assert 1.0 <= np.mean(drawn) / ahead.total.mean() <= 1.25
    assert 0.75 <= np.max(drawn) / ahead.total.max() <= 1.35


def test_a_gait_on_the_spot_takes_less_than_at_its_fastest_and_more_than_standing() -> None:
    for use, gait in zip(gaits(), ROBOT.gaits):
        spot = GaitUse.on_the_spot(ROBOT, gait)
        assert fed().standing.mean < spot.mean < use.mean
        assert use.mean < 1.25 * spot.mean


def test_no_planned_joint_is_faster_than_the_gaits_limits_let_it_be() -> None:
    assert all(0.5 < use.use <= 0.8 for use in gaits())


@pytest.mark.parametrize(
    ("fuse", "area", "word", "said"),
    [
        (None, None, TIGHT, "names none"),
        (7.5, 4e-6, FAILS, "blows in use"),
        (30.0, None, TIGHT, "not in the robot file"),
        (30.0, 1.5e-6, FAILS, "the wire burns first"),
        (30.0, 4e-6, GOOD, "within the wire's 30 A"),
        (20.0, 4e-6, GOOD, "it blows where all servos stall (30 A)"),
    ],
)
def test_a_fuse_is_above_the_use_and_below_what_the_wire_carries(fuse, area, word, said) -> None:
    row = verdict(fed(fuse=fuse, wire_area=area), "fuse")
    assert row.word == word
    assert said in row.why
    assert (row.cure == "") == (word == GOOD)


def test_what_is_advised_for_fuse_and_wire_passes() -> None:
    advised = verdict(fed(), "fuse").cure
    assert "30 A" in advised
    assert "4 mm²" in advised
    again = fed(fuse=30.0, wire_area=4e-6)
    assert [verdict(again, about).word for about in ("fuse", "wire")] == [GOOD, GOOD]


def test_a_thin_or_long_wire_is_told() -> None:
    assert verdict(fed(wire_area=0.5e-6), "wire").word == FAILS
    assert verdict(fed(wire_area=1.5e-6), "wire").word == TIGHT
    assert verdict(fed(wire_area=1.5e-6, fuse=15.0), "wire").word == GOOD
    lossy = verdict(fed(wire_area=4e-6, wire_length=5.0), "wire")
    assert lossy.word == TIGHT
    assert "loses" in lossy.why


def test_a_battery_lasts_as_long_as_its_charge_over_the_current() -> None:
    current = fed(battery=2.2 * 3600)
    for draw in (current.standing, *current.gaits):
        assert draw.seconds == pytest.approx(BATTERY_SHARE * 2.2 * 3600 / draw.mean)
    assert verdict(current, "battery").word == GOOD
    assert verdict(fed(battery=0.3 * 3600), "battery").word == TIGHT
    assert fed().standing.seconds is None


def test_of_a_hundred_amperes_no_blade_fuse_is_advised() -> None:
    robot = sample_robots.with_servo_kind(ROBOT, stall_current=9.0)
    current = Current.of(robot, Torque.of(robot, 0.05, 0.2), ())
    assert current.stalled > max(FUSES)
    row = verdict(current, "fuse")
    assert "each leg a fuse of 30 A" in row.cure
    assert {need.at for need in row.needs} == {"each leg"}


def needed(current: Current, quantity: Quantity) -> set[tuple[float, str]]:
    return {(n.value, n.at) for row in current.verdicts() for n in row.needs if n.quantity is quantity}


maybe = st.none() | st.floats(1.0, 60.0)


@settings(max_examples=examples(30))
@given(
    torque=st.floats(0.05, 8.0),
    voltage=st.floats(4.0, 9.0),
    rated=st.floats(0.5, 150.0),
    fuse=maybe,
    area=st.none() | st.floats(0.1e-6, 30e-6),
    length=st.none() | st.floats(0.1, 5.0),
)
def test_no_two_lines_of_one_output_contradict_each_other(torque, voltage, rated, fuse, area, length) -> None:
    robot = with_torque(ROBOT, torque)
    supply = Supply(voltage, rated, fuse=fuse, wire_area=area, wire_length=length)
    robot = replace(robot, supply=supply)
    reach = Torque.of(robot, 0.05, 0.2)
    uses = [GaitUse.on_the_spot(robot, gait) for gait in robot.gaits]
    current = Current.of(robot, reach, uses)
    rows = {row.about: row for row in current.verdicts()}
    plan = current.plan
    # One rating, one for all stalled, one fuse and one wire in all lines.
    assert needed(current, Quantity.SUPPLY_A) <= {(plan.rating, ""), (plan.stall_rating, "all servos stalled")}
    assert len(needed(current, Quantity.FUSE_A)) <= 1
    assert plan.rating <= plan.stall_rating
    if fuse is not None and area is not None:
        # The wire burns before its fuse: both lines say so, or neither.
        too_large = fuse > copper_wire.capacity(area)
        assert not (too_large and GOOD in (rows["fuse"].word, rows["wire"].word))
        assert not (rows["wire"].word == GOOD and rows["fuse"].word == FAILS and fuse > current.in_use)
    # Who buys what is advised is told that it is good.
    bought = replace(supply, rated_current=float(plan.stall_rating), fuse=plan.fuse, wire_area=plan.wire_area)
    for rating in (plan.rating, plan.stall_rating):
        again = Current.of(replace(robot, supply=replace(bought, rated_current=float(rating))), reach, uses)
        words = {row.about: row.word for row in again.verdicts()}
        in_use = [row.about for row in current.verdicts() if row.about.startswith("current, ")]
        assert all(words[about] == GOOD for about in in_use if about != "current, all stalled")
        assert (words["current, all stalled"] == GOOD) == (rating >= again.stalled)
        if plan.circuits == 1 and plan.fuse is not None:
            assert plan.fuse >= again.stalled >= again.in_use
            assert plan.fuse <= copper_wire.capacity(plan.wire_area)
            assert (words["fuse"], words["wire"]) == (GOOD, GOOD)


def test_a_voltage_that_sinks_below_its_limit_is_told_with_the_resistance_that_would_do() -> None:
    strong = with_torque(ROBOT, 3.0)
    strong = replace(strong, supply=replace(strong.supply, voltage=6.0, rated_current=100.0, low_share=0.97))
    current = Current.of(strong, Torque.of(strong, 0.05, 0.2), gaits())
    row = verdict(current, "voltage in use")
    assert row.word == FAILS
    (need,) = row.needs
    assert need.quantity is Quantity.SUPPLY_OHM
    assert 6.0 - need.value * current.in_use == pytest.approx(0.97 * 6.0, abs=0.01)
    assert verdict(fed(), "voltage in use").word == GOOD


def test_the_wire_table_is_that_of_its_source() -> None:
    """IEC 60204-1, table 6, column E, copper and PVC at 40 °C; unverified, as the table itself."""
    for area, most in ((0.75, 10.4), (1.0, 12.4), (1.5, 16.1), (2.5, 22.0), (4.0, 30.0), (6.0, 37.0), (10.0, 52.0)):
        assert copper_wire.capacity(area * 1e-6) == most


def test_the_wire_table_grows_as_that_of_another_source() -> None:
    """IEC 60364-5-52, annex D: the capacity goes with about the 0.6th power of the area. unverified: compare with
    its exponents."""
    areas, most = np.array(list(copper_wire.TABLE)), np.array(list(copper_wire.TABLE.values()))
    powers = np.diff(np.log(most)) / np.diff(np.log(areas))
    assert (powers > 0.45).all()
    assert (powers < 0.8).all()
    assert np.polyfit(np.log(areas), np.log(most), 1)[0] == pytest.approx(0.625, abs=0.03)


def test_between_two_sizes_the_thinner_one_counts() -> None:
    assert copper_wire.capacity(3.9e-6) == copper_wire.capacity(2.5e-6)
    assert copper_wire.capacity(0.1e-6) == 0.0
    assert copper_wire.capacity(95e-6) == copper_wire.capacity(25e-6)
    assert copper_wire.size_for(22.0) == pytest.approx(2.5e-6)
    assert copper_wire.size_for(22.1) == pytest.approx(4e-6)
    assert copper_wire.size_for(1000.0) is None


def test_a_metre_of_wire_loses_what_copper_loses() -> None:
    """IEC 60228: 1 km of 1 mm² stranded copper has at most 18.1 Ω, 4 mm² 4.61 Ω at 20 °C (class 2)."""
    for area, most in ((1.0, 18.1), (4.0, 4.61)):
        there = copper_wire.drop(area * 1e-6, 1000.0, 1.0) / 2
        assert 0.9 * most < there <= most
