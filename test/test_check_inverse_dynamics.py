"""Torque verdicts against MuJoCo's inverse dynamics (mj_inverse) over random robots: rising, and along planned strides.

MuJoCo has the whole bodies of the URDF with their inertias, the planned accelerations and a body that sways; check has
links as masses at their middles and a body that goes evenly.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from random_robots import NUMBERS, random_robot

pytest.importorskip("mujoco", reason="mujoco does not import: install the extra `sim`")

from mujoco_robot import InverseDynamics

from quadleg.commissioning.feasibility.reach import Reach
from quadleg.commissioning.feasibility.standing_torque import Torque, standing_angles
from quadleg.dynamics.centre_of_mass import centre_of_mass_batch
from quadleg.dynamics.joint_torques import cyclic_rate, cyclic_second_rate, foot_loads, holding_torques, stride_torques
from quadleg.dynamics.servo_motors import ServoMotors
from quadleg.gait.steady_strides import Balance, angles_of, strides
from quadleg.gait.sway import basis
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.robot.model import LEGS, RobotModel

SAMPLES = 96  # of a stride
SEED = 5
each = pytest.mark.parametrize("number", NUMBERS)


@cache
def drawn(number: int) -> tuple[RobotModel, InverseDynamics]:
    robot = random_robot(SEED, number).robot
    return robot, InverseDynamics(robot)


@each
def test_rising_takes_what_inverse_dynamics_says(number: int) -> None:
    robot, inverse = drawn(number)
    reach = Reach.of(robot)
    torque = Torque.of(robot, reach.lowest.value, reach.highest.value)
    heights = np.linspace(robot.resting.height, robot.standing.height, 9)
    angles = standing_angles(robot, heights.tolist())
    feet = np.broadcast_to(np.array(robot.standing.feet)[:, :2], (len(angles), 4, 2))
    loads = foot_loads(robot, feet, range(4), centre_of_mass_batch(robot, angles)[:, :2])
    for row, load, ours in zip(angles, loads, holding_torques(robot, angles, loads)):
        assert ours == pytest.approx(inverse.torques(row, load), abs=1e-9)
    assert torque.standing[4] == pytest.approx(np.abs(inverse.torques(angles[-1], loads[-1])), abs=1e-9)


@each
@pytest.mark.parametrize("name", ["creep", "trot"])
def test_strides_take_what_inverse_dynamics_says(number: int, name: str) -> None:
    compare_strides(number, name)


@pytest.mark.long
@pytest.mark.parametrize("name", ["creep", "trot"])
def test_strides_of_300_robots_take_what_inverse_dynamics_says(name: str) -> None:
    for number in range(12, 312):
        compare_strides(number, name)


def compare_strides(number: int, name: str) -> None:
    """The largest share of the stall torque, which verdicts are made of, within 1 %; any other within 6 % of stall."""
    robot, inverse = drawn(number)
    gait = robot.gait(name)
    limits = WalkingLimits(robot, gait)
    twist = (0.7 * limits.forward[0], 0.0, 0.0)
    period = gait.stride_period / SAMPLES
    path = strides(robot, gait, np.array([twist]), SAMPLES)
    feet, shifts = path.feet[0], basis(np.arange(SAMPLES) / SAMPLES) @ limits.sway(twist)
    angles, _ = angles_of(robot, feet, shifts)
    balance = Balance.of(robot)
    centres = balance.centres(robot, feet) + balance.follows * shifts
    loads = np.zeros((SAMPLES, len(LEGS)))
    for down, rows in path.support_groups():
        loads[rows] = foot_loads(robot, feet[rows, :, :2], down, centres[rows])
    ours = stride_torques(robot, angles[None], loads[None], period)[0]
    motion = np.concatenate((angles, shifts), axis=1)[None]
    rates, accelerations = cyclic_rate(motion, period)[0], cyclic_second_rate(motion, period)[0]
    theirs = np.array(
        [
            inverse.torques(row, load, rate[:12], acceleration[:12], acceleration[12:])
            for row, load, rate, acceleration in zip(angles, loads, rates, accelerations)
        ]
    )
    stall = ServoMotors.of(robot).stall_torque
    most, exact = (float((np.abs(torques) / stall).max()) for torques in (ours, theirs))
    assert most == pytest.approx(exact, rel=0.01)
    assert (np.abs(ours - theirs) / stall).max() < 0.06
