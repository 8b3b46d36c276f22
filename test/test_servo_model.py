"""How a modelled servo follows its pulses: speed, deadband, limpness."""

from __future__ import annotations

from math import inf, pi, radians

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_robots import ROBOTS

from quadleg.robot.model import Servo
from quadleg.servos.servo_model import ServoModel

KIND = ROBOTS[0].joints[0].servo.kind  # 180° over 2000 µs, 6.5 rad/s
PER_RADIAN = 2000e-6 / pi
SERVO = Servo(KIND, channel=0, pulse_at_zero=1500e-6, pulse_per_radian=PER_RADIAN, stops=(600e-6, 2600e-6))
MIRRORED = Servo(KIND, channel=0, pulse_at_zero=1500e-6, pulse_per_radian=-PER_RADIAN, stops=(600e-6, 2600e-6))
DEADBAND = 2e-6 / PER_RADIAN
SPEED = 6.5


def near(angle: float) -> object:
    return pytest.approx(angle, abs=1e-12)


@pytest.mark.parametrize(("servo", "way"), [(SERVO, 1), (MIRRORED, -1)])
def test_it_turns_at_its_speed(servo: Servo, way: int) -> None:
    assert ServoModel(servo, SPEED).advance(0.1, 2000e-6, 0.02) == near(0.1 + way * 6.5 * 0.02)


def test_speed_goes_with_the_supply() -> None:
    # A brushed motor's no-load speed is in proportion to its voltage: common practice, no source.
    speed = KIND.no_load_speed_at(4.8)
    assert ServoModel(SERVO, speed).advance(0.0, 2000e-6, 0.1) == near(0.8 * 6.5 * 0.1)


@pytest.mark.parametrize(("begin", "end"), [(0.0, pi / 4 - DEADBAND), (pi / 2, pi / 4 + DEADBAND)])
def test_it_stops_at_the_near_edge_of_the_deadband(begin: float, end: float) -> None:
    assert ServoModel(SERVO, SPEED).advance(begin, 2000e-6, 10.0) == near(end)


def test_within_the_deadband_it_does_not_move() -> None:
    model = ServoModel(SERVO, SPEED)
    assert model.advance(0.0, 1500e-6 + 1.99e-6, 10.0) == 0.0
    assert model.advance(0.0, 1500e-6 - 1.99e-6, 10.0) == 0.0
    assert model.advance(0.0, 1500e-6 + 3e-6, 10.0) == near(1e-6 / PER_RADIAN)


def test_without_a_pulse_it_keeps_its_angle() -> None:
    assert ServoModel(SERVO, SPEED).advance(0.3, None, 10.0) == 0.3


@pytest.mark.parametrize(
    ("pulse", "end"),
    [
        (100e-6, (600e-6 - 1500e-6) / PER_RADIAN + DEADBAND),  # the stop is nearer than the range
        (9000e-6, (2500e-6 - 1500e-6) / PER_RADIAN - DEADBAND),  # the range is nearer than the stop
    ],
)
def test_a_wrong_pulse_drives_it_to_its_end(pulse: float, end: float) -> None:
    assert ServoModel(SERVO, SPEED).advance(0.0, pulse, 10.0) == near(end)


@given(
    st.floats(-1.5, 1.5),
    st.one_of(st.none(), st.floats(500e-6, 2500e-6)),
    st.lists(st.floats(0.0, 0.1), max_size=6),
)
def test_one_long_step_is_many_short_ones(angle: float, pulse: float | None, steps: list[float]) -> None:
    model = ServoModel(SERVO, SPEED)
    stepped = angle
    for step in steps:
        stepped = model.advance(stepped, pulse, step)
    assert model.advance(angle, pulse, sum(steps)) == near(stepped)


@given(st.floats(-1.5, 1.5), st.floats(500e-6, 2500e-6), st.floats(0.0, 0.5))
def test_it_never_goes_beyond_its_target(angle: float, pulse: float, duration: float) -> None:
    target = (max(pulse, 600e-6) - 1500e-6) / PER_RADIAN
    after = ServoModel(SERVO, SPEED).advance(angle, pulse, duration)
    assert min(angle, target) - 1e-12 <= after <= max(angle, target) + 1e-12


def test_an_instant_servo_still_keeps_out_of_the_deadband() -> None:
    assert ServoModel(SERVO, inf).advance(0.0, 1500e-6 + radians(10) * PER_RADIAN, 1e-9) == near(radians(10) - DEADBAND)
