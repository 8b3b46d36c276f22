"""What the servos draw by the pose, whether that explains a reading, and mean and peak."""

from __future__ import annotations

from itertools import pairwise
from math import inf, isnan, nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from robots import digger, inspector

from quadleg.kinematics.body import all_forward, stance_angles
from quadleg.kinematics.leg import inverse, jacobian
from quadleg.kinematics.mass import centre_of_mass
from quadleg.robot.model import JOINT_NAMES, Robot
from quadleg.safety.load import (
    UNEXPLAINED_TIME,
    Explanation,
    LoadModel,
    Meter,
    stalled_joints,
    static_torques,
)

G = 9.80665
ROBOTS = pytest.mark.parametrize("robot", [inspector(), digger()], ids=lambda robot: robot.name)
ALL, STILL = [True] * 12, [0.0] * 12


def standing(robot: Robot) -> list[float]:
    return list(stance_angles(robot, robot.standing))


def potential_torques(robot: Robot, angles: list[float]) -> np.ndarray:
    """Those of the links' weight alone: the slope of the potential energy of a body that hangs in the air."""
    step, slopes = 1e-6, []
    for joint in range(12):
        heights = []
        for sign in (1, -1):
            moved = list(angles)
            moved[joint] += sign * step
            heights.append(centre_of_mass(robot, moved)[2])
        slopes.append(robot.masses.total * G * (heights[0] - heights[1]) / (2 * step))
    return np.array(slopes)


def lifted(robot: Robot, *legs: int) -> list[float]:
    """Standing, with these feet 20 mm up."""
    angles = standing(robot)
    feet = all_forward(robot, angles)
    for number in legs:
        x, y, z = feet[number]
        angles[3 * number : 3 * number + 3] = inverse(robot.legs[number], (x, y, z + 0.02))
    return angles


@ROBOTS
def test_torques_in_the_air_are_the_slope_of_the_potential_energy(robot: Robot) -> None:
    angles = lifted(robot, 1)
    torques = static_torques(robot, angles)
    assert torques[3:6] == pytest.approx(potential_torques(robot, angles)[3:6], abs=1e-6)


@ROBOTS
@pytest.mark.parametrize("legs", [(), (0,), (3,)])
def test_the_feet_that_stand_carry_the_weight_in_balance(robot: Robot, legs: tuple[int, ...]) -> None:
    # The forces that the Jacobians make of the torques: upward, the weight in all, their moment that of the mass.
    angles = lifted(robot, *legs)
    torques = np.array(static_torques(robot, angles)) - potential_torques(robot, angles)
    forces = np.array(
        [
            np.linalg.solve(jacobian(leg, angles[3 * i : 3 * i + 3]).T, -torques[3 * i : 3 * i + 3])
            for i, leg in enumerate(robot.legs)
        ]
    )
    assert forces[:, :2] == pytest.approx(0, abs=1e-6)
    assert forces[list(legs), 2] == pytest.approx(0, abs=1e-6)
    weight = robot.masses.total * G
    assert forces[:, 2].sum() == pytest.approx(weight)
    feet, centre = np.array(all_forward(robot, angles)), np.array(centre_of_mass(robot, angles))
    over = (forces[:, 2:] * feet[:, :2]).sum(axis=0) / weight
    # Without one foot the mass is at the edge of the others, or outside of them, where the robot would tip.
    assert over == pytest.approx(centre[:2], abs=1e-6 if not legs else 0.03)


@ROBOTS
def test_on_its_belly_it_weighs_on_no_foot(robot: Robot) -> None:
    angles = list(stance_angles(robot, robot.resting))
    assert static_torques(robot, angles) == pytest.approx(potential_torques(robot, angles), abs=1e-6)


@given(st.lists(st.floats(0.0, 1.0), min_size=12, max_size=12))
def test_in_any_pose_there_is_a_current(shares: list[float]) -> None:
    robot = digger()
    angles = [joint.lower + share * (joint.upper - joint.lower) for joint, share in zip(robot.joints, shares)]
    kind = robot.joints[0].servo.kind
    most = kind.stall_current * robot.supply.voltage / kind.voltage
    assert all(kind.idle_current <= current <= most for current in LoadModel(robot).currents(angles, STILL, ALL))


def test_a_servo_draws_by_the_line_from_idle_to_stall() -> None:
    robot = inspector()
    angles = standing(robot)
    currents = LoadModel(robot).currents(angles, STILL, ALL)
    for torque, current, joint in zip(static_torques(robot, angles), currents, robot.joints):
        kind = joint.servo.kind
        share = abs(torque) / kind.stall_torque  # the supply has the data sheet's voltage
        assert current == pytest.approx(kind.idle_current + (kind.stall_current - kind.idle_current) * share)
    # Physics, by its own model of the same robot: 3.99 A standing.
    assert sum(currents) == pytest.approx(3.99, abs=0.3)


def test_motion_adds_the_friction_and_no_power_takes_all() -> None:
    robot = inspector()
    model, angles = LoadModel(robot), standing(robot)
    still = model.currents(angles, STILL, ALL)
    moving = model.currents(angles, [0.5, *STILL[1:]], ALL)
    assert moving[0] - still[0] == pytest.approx(0.04 * 2.49)
    assert moving[1:] == still[1:]
    assert model.currents(angles, STILL, [False] * 12) == (0.0,) * 12
    part = model.currents(angles, STILL, [name.endswith("knee") for name in JOINT_NAMES])
    assert part[0::3] == part[1::3] == (0.0,) * 4
    assert part[2::3] == still[2::3]


@given(st.lists(st.tuples(st.floats(0.001, 1.0), st.floats(0.0, 30.0)), min_size=2, max_size=30))
def test_the_meter_has_mean_and_peak(steps: list[tuple[float, float]]) -> None:
    meter, times, currents = Meter(), np.cumsum([step for step, _ in steps]), [current for _, current in steps]
    for now, current in zip(times, currents):
        meter.take(current, True, now)
    assert meter.peak == max(currents)
    means = [(a + b) / 2 for a, b in pairwise(currents)]
    assert meter.mean == pytest.approx(np.average(means, weights=np.diff(times)))


def test_the_meter_begins_anew_with_the_power_and_leaves_gaps_out() -> None:
    meter = Meter()
    assert isnan(meter.mean)
    assert isnan(meter.peak)
    for now, current, powered in ((0, 9.0, False), (1, 4.0, True), (2, 4.0, True), (3, nan, True), (9, 2.0, True)):
        meter.take(current, powered, now)
    assert (meter.peak, meter.mean) == (4.0, 4.0)
    meter.take(0.0, False, 10)
    assert (meter.peak, meter.mean) == (4.0, 4.0)
    meter.take(1.0, True, 11)
    assert (meter.peak, meter.mean) == (1.0, 1.0)


def test_more_current_than_the_pose_explains_names_the_joints_of_the_most_load() -> None:
    robot = inspector()
    explanation = Explanation(robot)
    modelled = LoadModel(robot).currents(standing(robot), STILL, ALL)
    explanation.take(9.0, modelled, None, 0.0)
    explanation.take(9.0, modelled, None, UNEXPLAINED_TIME - 0.1)
    assert not explanation.words  # not yet: a shock
    explanation.take(9.0, modelled, None, UNEXPLAINED_TIME)
    said = "supply gives 9.0 A, more current than the pose explains ("
    assert explanation.words.startswith(said)
    *_, named = explanation.words.partition("; most loaded: ")
    # The mass is behind the middle of the feet.
    assert set(named.split(", ")[:2]) == {"rear_left_knee", "rear_right_knee"}
    explanation.take(5.0, modelled, None, 2.0)
    assert not explanation.words


def test_the_stalled_servo_is_named_only_where_angles_are_measured() -> None:
    robot = inspector()
    explanation, wanted = Explanation(robot), standing(robot)
    modelled = LoadModel(robot).currents(wanted, STILL, ALL)
    measured = [*wanted[:5], wanted[5] + 0.2, *wanted[6:]]
    stalled = stalled_joints(wanted, measured, STILL, ALL)
    assert stalled == ["front_right_knee"]
    for now in (0.0, UNEXPLAINED_TIME):
        explanation.take(9.0, modelled, stalled, now)
    assert explanation.words.endswith("A); stalled: front_right_knee")
    assert stalled_joints(wanted, measured, [2.0] * 12, ALL) == []  # on its way
    assert stalled_joints(wanted, measured, STILL, [False] * 12) == []


def test_a_current_that_is_not_known_is_explained() -> None:
    explanation = Explanation(inspector())
    for now in (0.0, inf):
        explanation.take(nan, [0.0] * 12, None, now)
    assert not explanation.words
