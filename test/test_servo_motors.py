"""The motors' one model at its ends: no torque, no load, stall; physics is made of it (test_world.py)."""

from __future__ import annotations

import numpy as np
import pytest
from sample_robots import BOTH

from quadleg.dynamics.servo_motors import FRICTION, MOVING, ServoMotors
from quadleg.robot.model import RobotModel


@BOTH
def test_a_stalled_motor_takes_its_stall_current_and_none_gives_more(robot: RobotModel) -> None:
    motors = ServoMotors.of(robot)
    strongest = (1 + FRICTION) * motors.stall_torque
    assert motors.currents(strongest) == pytest.approx(motors.stall_current)
    assert motors.torques(-7 * strongest) == pytest.approx(-strongest)
    assert motors.currents(np.zeros(12)) == pytest.approx(motors.idle_current)


@BOTH
def test_friction_is_against_the_motion_and_nothing_at_rest(robot: RobotModel) -> None:
    motors, held = ServoMotors.of(robot), np.zeros(12)
    assert motors.torques(held, np.full(12, -1.0)) == pytest.approx(-motors.friction)
    assert motors.torques(held, np.full(12, MOVING / 2)) == pytest.approx(held)
    assert motors.torques(held, 0.0, np.ones(12)) == pytest.approx(motors.rotor_inertia)
