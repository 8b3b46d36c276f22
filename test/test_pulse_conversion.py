"""Angle, pulse and counts of a servo."""

from __future__ import annotations

from math import pi, radians

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_robots import ROBOTS

from quadleg.hardware.pca9685 import period_from_prescale
from quadleg.robot.model import Servo
from quadleg.servos.pulse_conversion import angle_from_pulse, counts_from_pulse, pulse_from_angle, pulse_from_counts

KIND = ROBOTS[0].joints[0].servo.kind  # 180° over 2000 µs, 6.5 rad/s
MIRRORED = Servo(KIND, channel=3, pulse_at_zero=1480e-6, pulse_per_radian=-2000e-6 / pi, stops=(600e-6, 2400e-6))
# Joint zero out of the servo's reach, as for a knee.
KNEE = Servo(KIND, channel=2, pulse_at_zero=2700e-6, pulse_per_radian=2000e-6 / pi, stops=(550e-6, 2450e-6))

servos = st.sampled_from((MIRRORED, KNEE))
periods = st.sampled_from((0.02, period_from_prescale(121, 25e6), period_from_prescale(30, 25e6)))


def test_the_sign_of_the_mounting_turns_the_pulse_round() -> None:
    assert pulse_from_angle(MIRRORED, 0.0) == 1480e-6
    assert pulse_from_angle(MIRRORED, radians(45)) == pytest.approx(980e-6)
    assert angle_from_pulse(MIRRORED, 1980e-6) == pytest.approx(radians(-45))


@pytest.mark.parametrize(("angle", "pulse"), [(radians(170), 600e-6), (radians(-170), 2400e-6)])
def test_a_pulse_never_goes_beyond_the_stops(angle: float, pulse: float) -> None:
    assert pulse_from_angle(MIRRORED, angle) == pulse


@given(servos, st.floats(0, 1))
def test_angle_to_pulse_and_back(servo: Servo, share: float) -> None:
    low, high = servo.stops
    angle = angle_from_pulse(servo, low + share * (high - low))
    assert angle_from_pulse(servo, pulse_from_angle(servo, angle)) == pytest.approx(angle, abs=1e-12)


@given(servos, periods, st.floats(0, 1))
def test_angle_to_counts_and_back_within_half_a_count(servo: Servo, period: float, share: float) -> None:
    low, high = servo.stops
    angle = angle_from_pulse(servo, low + share * (high - low))
    counts = counts_from_pulse(pulse_from_angle(servo, angle), period)
    half_a_count = period / 4096 / abs(servo.pulse_per_radian) / 2
    assert abs(angle_from_pulse(servo, pulse_from_counts(counts, period)) - angle) <= half_a_count + 1e-12


@given(periods, st.integers(1, 4095))
def test_counts_to_pulse_and_back(period: float, counts: int) -> None:
    assert counts_from_pulse(pulse_from_counts(counts, period), period) == counts


def test_a_period_has_4096_counts() -> None:
    # NXP, PCA9685 data sheet, rev. 4: 12 bits, so 4096 counts a period, whatever the frequency.
    assert counts_from_pulse(0.02, 0.02) == 4096
