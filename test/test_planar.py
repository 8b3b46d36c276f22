"""Rigid motion in the plane against the matrix exponential."""

from __future__ import annotations

from math import cos, pi, sin

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import expm

from quadleg.geometry.planar import (
    ZERO_TWIST,
    compose_planar,
    from_frame,
    from_frame_batch,
    motion,
    motions,
    to_frame,
    to_frame_batch,
)

numbers = st.floats(-3, 3)
planars = st.tuples(numbers, numbers, numbers)
times = st.floats(0, 4)


def matrix(place) -> np.ndarray:
    x, y, yaw = place
    return np.array([[cos(yaw), -sin(yaw), x], [sin(yaw), cos(yaw), y], [0, 0, 1]])


@given(planars, times)
def test_motion_is_the_exponential_of_the_twist(twist, seconds):
    """Lynch & Park, Modern Robotics (2017), 3.3.3: T = e^([V]t)."""
    vx, vy, rate = twist
    generator = np.array([[0, -rate, vx], [rate, 0, vy], [0, 0, 0]])
    moved = motion(twist, seconds)
    assert np.allclose(matrix(moved), expm(generator * seconds), rtol=0, atol=1e-9)
    assert moved[2] == pytest.approx(rate * seconds), "the heading counts whole turns"


@pytest.mark.parametrize("rate", [0.0, 1e-12, 0.9e-9, 1.1e-9, 1e-8, 1e-6, -1e-9])
def test_an_almost_straight_way_is_exact(rate):
    vx, vy, seconds = 0.3, -0.2, 2.0
    generator = np.array([[0, -rate, vx], [rate, 0, vy], [0, 0, 0]])
    moved = motion((vx, vy, rate), seconds)
    assert np.allclose(matrix(moved), expm(generator * seconds), rtol=0, atol=1e-15)
    assert np.allclose(motions(np.array([vx, vy, rate]), np.array(seconds)), moved, rtol=0, atol=1e-15)


def test_a_full_turn_ends_where_it_began():
    assert motion((0.1, 0.0, pi), 2.0) == pytest.approx((0.0, 0.0, 2 * pi), abs=1e-15)
    assert motion((0.1, 0.0, pi / 2), 1.0) == pytest.approx((0.2 / pi, 0.2 / pi, pi / 2))


@given(planars, planars, planars, st.tuples(numbers, numbers))
def test_composing_is_the_product_of_the_matrices(a, b, c, point):
    assert np.allclose(matrix(compose_planar(a, b)), matrix(a) @ matrix(b), rtol=0, atol=1e-12)
    assert compose_planar(compose_planar(a, b), c) == pytest.approx(compose_planar(a, compose_planar(b, c)), abs=1e-12)
    assert compose_planar(a, ZERO_TWIST) == pytest.approx(a)
    assert np.allclose(from_frame(a, *point), (matrix(a) @ [*point, 1])[:2], rtol=0, atol=1e-12)
    assert to_frame(a, *from_frame(a, *point)) == pytest.approx(point, abs=1e-12)


@given(planars, times, times)
def test_a_way_in_two_parts_is_the_whole_way(twist, first, second):
    parts = compose_planar(motion(twist, first), motion(twist, second))
    assert parts == pytest.approx(motion(twist, first + second), abs=1e-9)


@given(st.lists(st.tuples(planars, times, st.tuples(numbers, numbers)), min_size=1, max_size=5))
def test_batch_equals_scalar(cases):
    twists, seconds, points = (np.array(column, dtype=float) for column in zip(*cases))
    moved = motions(twists, seconds)
    assert np.allclose(moved, [motion(twist, time) for twist, time, _ in cases], rtol=0, atol=1e-12)
    there = from_frame_batch(moved, points)
    assert np.allclose(there, [from_frame(frame, *point) for frame, point in zip(moved, points)], rtol=0, atol=1e-12)
    back = to_frame_batch(moved, there)
    assert np.allclose(back, [to_frame(frame, *point) for frame, point in zip(moved, there)], rtol=0, atol=1e-12)
    assert np.allclose(back, points, rtol=0, atol=1e-11)
