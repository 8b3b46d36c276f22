"""The motors' one model against MuJoCo's actuators, which are made of it, and its ends: no torque, no load, stall."""

from __future__ import annotations

import numpy as np
import pytest
from sample_robots import digger, inspector

from quadleg.dynamics.servo_motors import FRICTION, MOVING, ServoMotors
from quadleg.robot.model import RobotModel

both = pytest.mark.parametrize("robot", [inspector(), digger()], ids=["inspector", "digger"])


@both
def test_a_stalled_motor_takes_its_stall_current_and_none_gives_more(robot: RobotModel) -> None:
    motors = ServoMotors.of(robot)
    strongest = (1 + FRICTION) * motors.stall_torque
    assert motors.currents(strongest) == pytest.approx(motors.stall_current)
    assert motors.torques(-7 * strongest) == pytest.approx(-strongest)
    assert motors.currents(np.zeros(12)) == pytest.approx(motors.idle_current)


@both
def test_friction_is_against_the_motion_and_nothing_at_rest(robot: RobotModel) -> None:
    motors, held = ServoMotors.of(robot), np.zeros(12)
    assert motors.torques(held, np.full(12, -1.0)) == pytest.approx(-motors.friction)
    assert motors.torques(held, np.full(12, MOVING / 2)) == pytest.approx(held)
    assert motors.torques(held, 0.0, np.ones(12)) == pytest.approx(motors.rotor_inertia)


@both
def test_physics_draws_by_the_same_line(robot: RobotModel) -> None:
    """A robot that stands in MuJoCo: torques of its actuators, and the currents that it says of them."""
    simulation = pytest.importorskip("quadleg.simulation.world")
    from quadleg.kinematics.body_pose import stance_angles
    from quadleg.servos.pulse_conversion import pulse_from_angle

    motors = ServoMotors.of(robot)
    angles = stance_angles(robot, robot.standing)
    world = simulation.World(robot)
    world.put_at_rest(angles)
    pulses = [pulse_from_angle(joint.servo, angle) for joint, angle in zip(robot.joints, angles)]
    for _ in range(50):
        world.step(pulses)
    assert world.currents == pytest.approx(motors.currents(np.array(world.torques)))
    assert 0.1 < (np.abs(world.torques) / motors.strongest).max() < 1.0
