"""Angle of a joint (rad) <-> pulse of its servo (s) <-> counts of the PWM board (4096 a period)."""

from __future__ import annotations

from quadleg.hardware.pca9685 import COUNTS
from quadleg.robot.model import Servo


def pulse_from_angle(servo: Servo, angle: float) -> float:
    """The pulse in s that turns the joint to `angle` in rad, kept within the servo's stops."""
    low, high = servo.stops
    return min(max(servo.pulse_at_zero + servo.pulse_per_radian * angle, low), high)


def angle_from_pulse(servo: Servo, pulse: float) -> float:
    """The angle in rad that a pulse in s stands for; the stops are not applied."""
    return (pulse - servo.pulse_at_zero) / servo.pulse_per_radian


def counts_from_pulse(pulse: float, period: float) -> int:
    """The nearest number of counts to a pulse in s, at the board's true period in s."""
    return round(pulse / period * COUNTS)


def pulse_from_counts(counts: int, period: float) -> float:
    """The pulse in s that so many counts make, at the board's true period in s."""
    return counts * period / COUNTS
