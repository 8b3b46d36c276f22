"""Angle, pulse and counts of a servo."""

from __future__ import annotations

from math import degrees, pi, radians

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quadleg.hardware.pca9685 import period_from_prescale, prescale_from_frequency
from quadleg.robot.model import Servo, ServoKind
from quadleg.servos.pulse_conversion import angle_from_pulse, counts_from_pulse, pulse_from_angle, pulse_from_counts

KIND = ServoKind(
    name="180 degrees over 2000 us",
    stall_torque=0.98,
    no_load_speed=6.5,
    voltage=6.0,
    pulse_range=(500e-6, 2500e-6),
    deadband=2e-6,
    idle_current=0.01,
    stall_current=2.5,
)
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


def test_resolution_at_50_hz() -> None:
    # NXP, PCA9685 data sheet, rev. 4: 12 bits, so 4096 counts a period, whatever the frequency.
    assert counts_from_pulse(0.02, 0.02) == 4096
    counts_of_half_turn = 2000e-6 / pulse_from_counts(1, 1 / 50)
    assert counts_of_half_turn == pytest.approx(409.6)
    assert 180 / counts_of_half_turn == pytest.approx(0.44, abs=0.001)


def test_the_true_period_at_50_hz_moves_the_resolution_little() -> None:
    period = period_from_prescale(prescale_from_frequency(50, 25e6), 25e6)
    per_count = degrees(angle_from_pulse(KNEE, pulse_from_counts(300, period)))
    per_count = degrees(angle_from_pulse(KNEE, pulse_from_counts(301, period))) - per_count
    assert per_count == pytest.approx(0.44, abs=0.001)
