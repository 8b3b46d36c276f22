"""Foot targets that make up for legs that give way, against the servos' springs by the inverse kinematics."""

from __future__ import annotations

import numpy as np
import pytest
from sample_robots import BOTH, inspector

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.dynamics.leg_compliance import LOAD_TIME, LegCompliance
from quadleg.dynamics.servo_motors import FULL_TORQUE_ERROR
from quadleg.gait.planner import Planner
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import feet_in_base, stance_angles
from quadleg.kinematics.leg import forward, inverse, jacobian

PERIOD = 0.02
DIAGONAL = (0.5, 0.0, 0.0, 0.5)


def standing(robot):
    return feet_in_base(Pose((0.0, 0.0, robot.standing.height)), robot.standing.feet)


def at_rest(robot):
    """The shares of the weight on the feet of a robot that is planned to stand."""
    gait = robot.gaits[0]
    return Planner(robot, WalkingLimits(robot, gait), PERIOD).step().loads


def settled(robot, shares):
    compliance = LegCompliance(robot, PERIOD)
    for _ in range(round(20 * LOAD_TIME / PERIOD)):
        feet = compliance.made_up(standing(robot), shares)
    return compliance, feet


def test_a_robot_that_stands_has_its_feet_where_they_are_asked_for():
    robot = inspector()
    _, feet = settled(robot, at_rest(robot))
    assert np.allclose(feet, standing(robot), rtol=0, atol=1e-6)


@BOTH
def test_a_loaded_foot_is_where_it_would_be_with_the_load_of_a_robot_that_stands(robot):
    """Each joint is a spring about the angle of its target, pressed by the foot's load through the leg's Jacobian."""
    _, targets = settled(robot, DIAGONAL)
    rest = stance_angles(robot, robot.standing)
    for i, (leg, target, share, usual) in enumerate(zip(robot.legs, targets, DIAGONAL, at_rest(robot))):
        stall = np.array([robot.stall_torque(joint) for joint in leg.joints])

        def loaded(angles, share, leg=leg, stall=stall):
            force = np.array([0.0, 0.0, share * robot.masses.total * STANDARD_GRAVITY])
            return angles + FULL_TORQUE_ERROR / stall * (np.array(jacobian(leg, angles)).T @ force)

        angles = np.array(rest[3 * i : 3 * i + 3])
        wanted = np.array(forward(leg, loaded(angles, usual)))
        off = np.linalg.norm(np.array(forward(leg, loaded(np.array(inverse(leg, target)), share))) - wanted)
        without = np.linalg.norm(np.array(forward(leg, loaded(angles, share))) - wanted)
        assert off < 0.1 * without


def test_a_load_is_taken_over_in_time_and_forgotten_at_rest():
    robot = inspector()
    compliance = LegCompliance(robot, PERIOD)
    before = np.array(standing(robot))
    _, last = settled(robot, DIAGONAL)
    whole = np.linalg.norm(np.array(last) - before)
    first = np.linalg.norm(np.array(compliance.made_up(standing(robot), DIAGONAL)) - before)
    assert first == pytest.approx(PERIOD / LOAD_TIME * whole, rel=0.01)
    compliance.rest()
    assert np.allclose(compliance.made_up(standing(robot), at_rest(robot)), before, rtol=0, atol=1e-6)
