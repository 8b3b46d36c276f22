"""An IMU's samples one after the other: which are of use, and which time each stands for."""

from __future__ import annotations

from math import inf, nan

import pytest

from quadleg.dynamics.gravity import STANDARD_GRAVITY as GRAVITY
from quadleg.estimation.imu_stream import BEHIND, FROZEN, GAP, ImuStream

STILL = (0.0, 0.0, 0.0)
UPWARD = (0.0, 0.0, GRAVITY)
PERIOD = 0.005


def going(samples: int = 20) -> ImuStream:
    """One that has had some samples, the last at 0 s."""
    stream = ImuStream()
    for k in range(1 - samples, 1):
        stream.take(k * PERIOD, (1e-3 * k, 0.0, 0.0), UPWARD)
    return stream


@pytest.mark.parametrize(
    ("gyro", "acceleration"),
    [((nan, 0.0, 0.0), UPWARD), (STILL, (0.0, inf, 0.0)), ((0.0, 41.0, 0.0), UPWARD), (STILL, (0.0, 0.0, 300.0))],
)
def test_a_sample_that_no_imu_can_mean_is_refused_and_counted(gyro, acceleration):
    stream = going()
    assert stream.take(PERIOD, gyro, acceleration) is None
    assert stream.refused == 1
    found = stream.take(2 * PERIOD, STILL, UPWARD)  # stands for the one that was lost as well
    assert found is not None
    assert (found.begin, found.end, found.lost) == pytest.approx((0.0, 2 * PERIOD, PERIOD))


def test_old_samples_are_refused_until_it_is_clear_that_the_clock_was_put_back():
    stream = ImuStream()
    stream.take(10.0, STILL, UPWARD)
    taken = [bool(stream.take(5.0 + k * PERIOD, (1e-3 * k, 0.0, 0.0), UPWARD)) for k in range(BEHIND + 10)]
    assert taken.index(True) == BEHIND + 1
    assert all(taken[BEHIND + 1 :])
    assert stream.refused == BEHIND


def test_after_a_gap_a_sample_stands_for_the_usual_step_and_the_gap_is_counted():
    stream = going()
    found = stream.take(3.0, (1.0, 0.0, 0.0), UPWARD)
    assert found is not None
    assert (found.begin, found.end) == pytest.approx((3.0 - PERIOD, 3.0))
    assert stream.jumps == 1


def test_samples_that_are_always_too_far_apart_are_of_no_use():
    stream = ImuStream()
    assert not any(stream.take(2 * GAP * k, (1e-3 * k, 0.0, 0.0), UPWARD) for k in range(20))


def test_a_sensor_that_repeats_itself_is_taken_for_frozen_until_it_moves():
    stream = ImuStream()
    taken = [bool(stream.take(k * PERIOD, (0.1, 0.0, 0.0), UPWARD)) for k in range(FROZEN + 5)]
    assert stream.frozen
    assert taken == [False] + (FROZEN - 1) * [True] + 5 * [False]
    stream.take(1.0, (0.1, 0.0, 1e-4), UPWARD)
    assert not stream.frozen


def test_one_stamp_that_comes_early_makes_no_later_sample_a_lost_one():
    stream = ImuStream()
    times = [0.01 * n for n in range(1, 400)]
    times[50] -= 0.0095
    found = [stream.take(moment, (0.001 * (n % 7), 0.0, 0.0), UPWARD) for n, moment in enumerate(times)]
    assert sum(interval.lost for interval in found if interval) < 0.02
