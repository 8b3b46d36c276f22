"""What the servos draw by the pose: the line from idle to stall, friction in motion, and no power."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_robots import digger, inspector

from quadleg.dynamics.joint_torques import static_torques
from quadleg.dynamics.servo_motors import FRICTION, ServoMotors, SupplyCurrentModel
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import JOINT_NAMES, RobotModel

ALL, STILL = [True] * 12, [0.0] * 12


def standing(robot: RobotModel) -> list[float]:
    return list(stance_angles(robot, robot.standing))


@given(st.lists(st.floats(0.0, 1.0), min_size=12, max_size=12))
def test_in_any_pose_there_is_a_current(shares: list[float]) -> None:
    robot = digger()
    angles = [joint.lower + share * (joint.upper - joint.lower) for joint, share in zip(robot.joints, shares)]
    kind = robot.joints[0].servo.kind
    most = kind.stall_current * robot.supply.voltage / kind.voltage
    currents = SupplyCurrentModel(robot).currents(angles, STILL, ALL)
    assert all(kind.idle_current <= current <= most + 1e-9 for current in currents)


def test_a_servo_draws_by_the_line_from_idle_to_stall() -> None:
    robot = inspector()
    angles = standing(robot)
    currents = SupplyCurrentModel(robot).currents(angles, STILL, ALL)
    for torque, current, joint in zip(static_torques(robot, angles), currents, robot.joints):
        kind = joint.servo.kind
        # The supply has the data sheet's voltage, and the motor's stall torque overcomes the friction too.
        share = abs(torque) / ((1 + FRICTION) * kind.stall_torque)
        assert current == pytest.approx(kind.idle_current + (kind.stall_current - kind.idle_current) * share)
    # Physics, by its own model of the same robot: 3.99 A standing.
    assert sum(currents) == pytest.approx(3.99, abs=0.3)


def test_motion_adds_the_friction_and_no_power_takes_all() -> None:
    robot = inspector()
    model, angles = SupplyCurrentModel(robot), standing(robot)
    still = model.currents(angles, STILL, ALL)
    with_load = -0.5 if static_torques(robot, angles)[2] > 0 else 0.5
    against = model.currents(angles, [*STILL[:2], -with_load, *STILL[3:]], ALL)
    along = model.currents(angles, [*STILL[:2], with_load, *STILL[3:]], ALL)
    assert against[2] - still[2] == pytest.approx(FRICTION / (1 + FRICTION) * 2.49)
    assert still[2] - along[2] == pytest.approx(against[2] - still[2])
    assert against[3:] == along[3:] == still[3:]
    assert model.currents(angles, STILL, [False] * 12) == (0.0,) * 12
    part = model.currents(angles, STILL, [name.endswith("knee") for name in JOINT_NAMES])
    assert part[0::3] == part[1::3] == (0.0,) * 4
    assert part[2::3] == still[2::3]


@pytest.mark.parametrize("robot", [inspector(), digger()], ids=lambda robot: robot.name)
def test_one_pose_and_many_draw_the_same(robot: RobotModel) -> None:
    """The watchdog's plain numbers against the arrays of the check on paper."""
    motors, dice = ServoMotors.of(robot), np.random.default_rng(2)
    held = dice.uniform(-2, 2, (50, 12)) * motors.stall_torque
    rates = dice.uniform(-1, 1, (50, 12)) * motors.no_load_speed * dice.integers(0, 2, (50, 12))
    many = motors.currents(motors.torques(held, rates))
    for torques, turning, currents in zip(held.tolist(), rates.tolist(), many):
        one = motors.currents_of_pose(motors.torques_of_pose(torques, turning), ALL)
        assert one == pytest.approx(currents)
