"""From marks to a calibration: least squares, faults in words, teeth, the mirrored leg."""

from __future__ import annotations

from dataclasses import replace
from math import degrees, pi, radians

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from sample_robots import inspector

from quadleg.commissioning.calibration.calibration_fit import (
    Fit,
    Mark,
    fit,
    fit_fault,
    horn_teeth,
    mark_fault,
    mirrored,
    other_side,
    travel_fault,
    way,
)
from quadleg.robot.model import JOINT_NAMES, Joint
from quadleg.robot_file.load import find_robot, load_robot

ROBOT = inspector()
KIND = ROBOT.joints[0].servo.kind
SLOPE = 0.002 / pi
MARKS = st.lists(
    st.tuples(st.floats(0.0005, 0.0025), st.floats(-2.5, 2.5)).map(lambda pair: Mark(*pair)), min_size=2, max_size=8
)


def joint(name: str) -> Joint:
    return ROBOT.joints[JOINT_NAMES.index(name)]


@given(MARKS)
def test_the_line_is_that_of_numpys_least_squares(marks: list[Mark]) -> None:
    """numpy.polyfit, degree 1."""
    angles = [mark.angle for mark in marks]
    assume(np.ptp(angles) > 0.2)
    slope, zero = np.polyfit(angles, [1e3 * mark.pulse for mark in marks], 1)
    assume(abs(slope) > 1e-3)
    found = fit(marks)
    assert found.pulse_per_radian == pytest.approx(slope / 1e3, rel=1e-6, abs=1e-9)
    assert found.pulse_at_zero == pytest.approx(zero / 1e3, rel=1e-6, abs=1e-9)


@given(st.floats(-3e-3, 3e-3), st.floats(3e-4, 1e-3), st.booleans(), st.lists(st.floats(-3, 3), min_size=2, max_size=6))
def test_marks_on_a_line_give_that_line_and_no_residual(
    zero: float, slope: float, turned: bool, angles: list[float]
) -> None:
    assume(max(angles) - min(angles) > 0.1)
    slope = -slope if turned else slope
    found = fit([Mark(zero + slope * angle, angle) for angle in angles])
    assert found.pulse(1.0) == pytest.approx(zero + slope, abs=1e-9)
    assert found.residual == pytest.approx(0.0, abs=1e-6)


def test_the_residual_is_the_worst_mark_s_in_angle() -> None:
    marks = [Mark(0.0015 + SLOPE * angle, angle) for angle in (-1.0, 0.0, 1.0)]
    marks[1] = replace(marks[1], angle=0.03)
    found = fit(marks)
    assert found.worst == 1
    assert found.residual == pytest.approx(0.02, rel=0.02)


def test_one_mark_is_enough_with_a_known_slope() -> None:
    found = fit([Mark(0.0012, 0.5)], -SLOPE)
    assert found.pulse(0.5) == pytest.approx(0.0012)
    assert found.pulse_per_radian == -SLOPE


def test_marks_that_tell_nothing_are_refused_in_words() -> None:
    marks = [Mark(0.0015, 0.0)]
    assert "1° apart" in (mark_fault(marks, Mark(0.0019, radians(0.9))) or "")
    assert "jog first" in (mark_fault(marks, Mark(0.0015, radians(40))) or "")
    assert mark_fault(marks, Mark(0.0017, radians(2))) is None


def test_a_wrong_sign_shows_in_the_turn_for_a_pulse_or_in_the_residual() -> None:
    true = [Mark(0.0015 + SLOPE * radians(angle), radians(angle)) for angle in (-60, -30, 0, 30, 60)]
    assert fit_fault(fit(true), true, KIND) is None
    two = [true[3], replace(true[4], angle=-true[4].angle)]
    assert "wrong sign" in (fit_fault(fit(two), two, KIND) or "")
    misread = [*true[:4], replace(true[4], angle=radians(50))]
    assert "50°" in (fit_fault(fit(misread), misread, KIND) or "")


@given(st.floats(-pi, pi), st.floats(-pi, pi), st.integers(15, 40))
def test_advice_in_teeth_leaves_half_a_tooth_at_most(read: float, wanted: float, teeth: int) -> None:
    turned = horn_teeth(read, wanted, teeth)
    assert abs(read + turned * 2 * pi / teeth - wanted) <= pi / teeth + 1e-9


def test_no_travel_left_says_how_many_teeth_and_they_cure_it() -> None:
    knee = joint("front_left_knee")
    assert travel_fault(knee.servo, knee) is None
    # Two teeth off, to smaller angles: at a pulse the joint is 28.8° less than it should be.
    off = -2 * 2 * pi / 25
    servo = replace(knee.servo, pulse_at_zero=knee.servo.pulse_at_zero - knee.servo.pulse_per_radian * off)
    said = travel_fault(servo, knee) or ""
    assert "no travel left" in said
    teeth = int(said.split("Turn the horn by ")[1].split()[0])
    assert "rearward" in said  # to larger angles
    cured = replace(servo, pulse_at_zero=servo.pulse_at_zero - servo.pulse_per_radian * teeth * 2 * pi / 25)
    assert travel_fault(cured, knee) is None


@given(st.integers(-6, 6), st.integers(20, 40), st.sampled_from(JOINT_NAMES), st.booleans())
def test_the_advised_teeth_always_cure(off: int, teeth: int, name: str, turned: bool) -> None:
    narrow = joint(name)
    middle = (narrow.lower + narrow.upper) / 2
    narrow = replace(narrow, lower=middle - 0.8, upper=middle + 0.8)
    slope = -SLOPE if turned else SLOPE
    zero = 0.0015 - slope * (middle + (off + 0.4) * 2 * pi / teeth)
    servo = replace(narrow.servo, pulse_at_zero=zero, pulse_per_radian=slope)
    said = travel_fault(servo, narrow, teeth)
    if said is None:
        return
    count = int(said.split("Turn the horn by ")[1].split()[0])
    grows = said.endswith(way(name, 1))
    shift = (count if grows else -count) * 2 * pi / teeth
    assert travel_fault(replace(servo, pulse_at_zero=zero - slope * shift), narrow, teeth) is None


def test_a_servo_that_turns_too_little_says_to_narrow_the_limits() -> None:
    hip = joint("front_left_hip")
    servo = replace(hip.servo, stops=(0.0009, 0.0021))
    assert "narrow the limits" in (travel_fault(servo, hip) or "")


def test_the_mirrored_leg_is_the_demo_robots_other_side() -> None:
    """Its file has the servos of both sides mounted as in a mirror."""
    robot = load_robot(find_robot("greenhouse_inspector"))
    for one in robot.joints:
        other = robot.joints[JOINT_NAMES.index(other_side(one.name))]
        assert other.name != one.name
        found = mirrored(one.servo, one.name, other.servo.channel)
        assert found.channel == other.servo.channel
        assert found.pulse_at_zero == pytest.approx(other.servo.pulse_at_zero, abs=1e-9)
        assert found.pulse_per_radian == pytest.approx(other.servo.pulse_per_radian)
        assert found.stops == pytest.approx(other.servo.stops)


def test_which_way_an_angle_grows_follows_the_right_hand_rule() -> None:
    assert "outward" in way("front_left_abduction", 1)
    assert "inward" in way("front_right_abduction", 1)
    assert "rearward" in way("rear_right_hip", 1)
    assert "forward" in way("rear_left_knee", -1)


def test_a_fit_turns_degrees_as_the_file_writes_them() -> None:
    assert Fit(0.001, SLOPE, 0.0, 0).pulse(radians(90)) == pytest.approx(0.002)
    assert degrees(SLOPE) > 0
