"""The servos' modelled temperatures: bounded by where they go, monotone in the current, exact at any step."""

from __future__ import annotations

from dataclasses import replace
from math import exp

import pytest
import sample_robots
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from quadleg.dynamics.servo_heat import (
    AMBIENT,
    HOT,
    SMALL_CASE,
    STANDARD_CASE,
    TOO_HOT,
    UNKNOWN,
    WARM,
    ServoHeat,
    thermal_constants,
)
from quadleg.robot.model import ServoKind

ROBOT = sample_robots.inspector()
KIND = ROBOT.joints[0].servo.kind
CURRENTS = st.lists(st.floats(0.0, 5.0), min_size=12, max_size=12)
SECONDS = st.floats(0.0, 2000.0)
STARTS = st.floats(-10.0, 150.0)


@given(CURRENTS, STARTS, SECONDS)
def test_a_temperature_stays_between_where_it_is_and_where_it_goes(
    currents: list[float], start: float, seconds: float
) -> None:
    heat = ServoHeat(ROBOT, start=start)
    heat.advance(currents, seconds)
    for at, end in zip(heat.temperatures, heat.steady(currents)):
        assert min(start, end) - 1e-9 <= at <= max(start, end) + 1e-9


@given(CURRENTS, st.lists(st.floats(0.0, 5.0), min_size=12, max_size=12), STARTS, SECONDS)
def test_more_current_is_never_cooler(less: list[float], more: list[float], start: float, seconds: float) -> None:
    cooler, hotter = ServoHeat(ROBOT, start=start), ServoHeat(ROBOT, start=start)
    cooler.advance(less, seconds)
    hotter.advance([a + b for a, b in zip(less, more)], seconds)
    assert all(a <= b + 1e-9 for a, b in zip(cooler.temperatures, hotter.temperatures))


@given(CURRENTS, STARTS, st.lists(st.floats(0.0, 500.0), min_size=1, max_size=20))
def test_many_steps_come_to_the_same_as_one(currents: list[float], start: float, steps: list[float]) -> None:
    once, often = ServoHeat(ROBOT, start=start), ServoHeat(ROBOT, start=start)
    once.advance(currents, sum(steps))
    for seconds in steps:
        often.advance(currents, seconds)
    assert often.temperatures == pytest.approx(once.temperatures, rel=1e-9, abs=1e-9)


def test_it_solves_its_differential_equation() -> None:
    """Against scipy's integrator: C dT/dt = P - (T - T_ambient) / R."""
    resistance, time = STANDARD_CASE
    winding, current = KIND.voltage / KIND.stall_current, 1.2
    power = current**2 * winding + ROBOT.supply.voltage * KIND.idle_current

    def rate(_: float, temperature: list[float]) -> list[float]:
        return [(power - (temperature[0] - AMBIENT) / resistance) * resistance / time]

    solution = solve_ivp(rate, (0.0, 300.0), [UNKNOWN], rtol=1e-10, atol=1e-10)
    heat = ServoHeat(ROBOT)
    heat.advance([current] * 12, 300.0)
    assert heat.temperatures == pytest.approx([solution.y[0, -1]] * 12, abs=1e-6)


@given(STARTS)
def test_a_servo_without_power_cools_to_the_room(start: float) -> None:
    heat = ServoHeat(ROBOT, start=start)
    heat.advance([0.0] * 12, STANDARD_CASE[1])
    assert heat.temperatures == pytest.approx([AMBIENT + (start - AMBIENT) * exp(-1)] * 12)


@given(st.floats(HOT, 200.0))
def test_the_time_to_cool_is_that_after_which_it_has(start: float) -> None:
    heat = ServoHeat(ROBOT, start=start)
    heat.advance([0.0] * 12, heat.seconds_to_cool(0, HOT))
    assert heat.temperatures[0] == pytest.approx(HOT)
    assert heat.seconds_to_cool(0, TOO_HOT) == 0.0


def test_constants_are_those_of_the_size_unless_the_robot_file_has_some() -> None:
    micro = replace(KIND, voltage=4.8, stall_current=0.7)
    assert thermal_constants(KIND) == STANDARD_CASE
    assert thermal_constants(micro) == SMALL_CASE
    own = replace(KIND, thermal_resistance=12.0, thermal_time=400.0)
    assert thermal_constants(own) == (12.0, 400.0)


@pytest.mark.parametrize("kind", [KIND, replace(KIND, voltage=4.8, stall_current=0.7)])
def test_a_stalled_servo_is_too_hot_within_a_minute_or_so(kind: ServoKind) -> None:
    """Common practice, no source: a stalled hobby servo burns in some tens of seconds."""
    robot = replace(ROBOT, supply=replace(ROBOT.supply, voltage=kind.voltage))
    robot = sample_robots.with_servo_kind(robot, **vars(kind))
    heat = ServoHeat(robot, start=AMBIENT)
    seconds = 0
    while max(heat.temperatures) < TOO_HOT:
        heat.advance([kind.stall_current] * 12, 1.0)
        seconds += 1
        assert seconds < 90
    assert seconds > 5


def test_what_is_assumed_at_first_is_no_alarm() -> None:
    assert max(ServoHeat(ROBOT).temperatures) < WARM
