"""Static torques against pinocchio's generalised gravity, MuJoCo's inverse dynamics, and a lever by hand."""

from __future__ import annotations

from dataclasses import replace

import mujoco
import numpy as np
import pinocchio
import pytest
import robots
from hypothesis import given
from hypothesis import strategies as st

from quadleg.commissioning.reach import Reach
from quadleg.commissioning.torque import (
    FEET,
    HOT,
    Torque,
    foot_loads,
    holding_torques,
    standing_angles,
    standing_torques,
)
from quadleg.commissioning.verdict import FAILS, GOOD, TIGHT
from quadleg.kinematics.leg import points
from quadleg.kinematics.mass import centre_of_mass_batch
from quadleg.robot.load import STANDARD_GRAVITY
from quadleg.robot.model import JOINT_NAMES, LEGS, Robot
from quadleg.robot.urdf import urdf

ROBOTS = (robots.inspector(), robots.digger())
INSPECTOR, DIGGER = ROBOTS
both = pytest.mark.parametrize("robot", ROBOTS, ids=[robot.name for robot in ROBOTS])


def cases(robot: Robot, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Random angles (n, 12) and loads of the feet (n, 4) in N."""
    dice = np.random.default_rng(11)
    lower, upper = np.array([(joint.lower, joint.upper) for joint in robot.joints]).T
    return dice.uniform(lower, upper, (count, 12)), dice.uniform(0.0, 10.0, (count, 4))


def by_pinocchio(robot: Robot, angles: np.ndarray, loads: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(12,) torques of the joints and (6,) what would be missing to hold the floating base."""
    model = pinocchio.buildModelFromXML(urdf(robot), pinocchio.JointModelFreeFlyer())
    model.gravity.linear = np.array([0.0, 0.0, -STANDARD_GRAVITY])
    data = model.createData()
    joints = [model.joints[model.getJointId(name)] for name in JOINT_NAMES]
    q = pinocchio.neutral(model)
    q[[joint.idx_q for joint in joints]] = angles
    held = pinocchio.computeGeneralizedGravity(model, data, q).copy()
    pinocchio.computeJointJacobians(model, data, q)
    pinocchio.updateFramePlacements(model, data)
    for leg, load in zip(LEGS, loads):
        frame = model.getFrameId(f"{leg}_foot")
        foot = pinocchio.getFrameJacobian(model, data, frame, pinocchio.LOCAL_WORLD_ALIGNED)
        held -= foot[:3].T @ [0.0, 0.0, load]
    return held[[joint.idx_v for joint in joints]], held[:6]


@both
def test_torques_are_pinocchios(robot: Robot) -> None:
    angles, loads = cases(robot, 40)
    ours = holding_torques(robot, angles, loads)
    for row, load, torques in zip(angles, loads, ours):
        assert torques == pytest.approx(by_pinocchio(robot, row, load)[0], abs=1e-9)


@both
def test_torques_are_mujocos_inverse_dynamics(robot: Robot) -> None:
    settings = '<mujoco><compiler fusestatic="false" inertiafromgeom="false"/></mujoco></robot>'
    model = mujoco.MjModel.from_xml_string(urdf(robot).replace("</robot>", settings))
    model.opt.gravity[:] = 0.0, 0.0, -STANDARD_GRAVITY
    model.opt.disableflags |= mujoco.mjtDisableBit.mjDSBL_CONTACT | mujoco.mjtDisableBit.mjDSBL_LIMIT
    data = mujoco.MjData(model)
    columns = [int(model.jnt_dofadr[model.joint(name).id]) for name in JOINT_NAMES]
    angles, loads = cases(robot, 20)
    for row, load, torques in zip(angles, loads, holding_torques(robot, angles, loads)):
        data.qpos[columns] = row
        mujoco.mj_inverse(model, data)
        held = data.qfrc_inverse.copy()
        for leg, push in zip(LEGS, load):
            foot = np.empty((3, model.nv))
            mujoco.mj_jacBody(model, data, foot, None, model.body(f"{leg}_foot").id)
            held -= foot.T @ [0.0, 0.0, push]
        assert torques == pytest.approx(held[columns], abs=1e-9)


@both
@pytest.mark.parametrize("count", [4, 3])
def test_a_body_whose_weight_its_feet_share_needs_nobody_to_hold_it(robot: Robot, count: int) -> None:
    """The base's six rows in pinocchio: the ground's pushes alone balance the weight, where the feet can do that."""
    robot = replace(robot, frames=())
    angles = standing_angles(robot, [robot.standing.height])
    centre = centre_of_mass_batch(robot, angles)[0, :2]
    feet = np.array(robot.standing.feet)[:, :2]
    standing = FEET[count][0]
    # Three feet carry it where it is over their middle.
    moved = centre if count == 4 else feet[list(standing)].mean(axis=0)
    loads = foot_loads(robot, feet + (centre - moved), standing, centre)
    assert loads.sum() == pytest.approx(robot.masses.total * STANDARD_GRAVITY)
    if count == 4:
        assert by_pinocchio(robot, angles[0], loads)[1] == pytest.approx(np.zeros(6), abs=1e-9)
    else:
        assert loads[list(standing)] == pytest.approx(loads.sum() / 3)


def test_a_knee_holds_the_force_at_its_foot_times_the_lever() -> None:
    light = replace(INSPECTOR, masses=replace(INSPECTOR.masses, abductor=0.0, upper=0.0, lower=0.0))
    angles = standing_angles(light, [0.12])
    loads = np.array([[3.0, 0.0, 0.0, 0.0]])
    torques = holding_torques(light, angles, loads)[0]
    _, _, knee, foot = points(light.legs[0], angles[0, :3])
    assert abs(torques[2]) == pytest.approx(3.0 * abs(foot[0] - knee[0]))
    assert not torques[3:].any()


@given(st.floats(1.0, 3.0))
def test_a_heavier_robot_takes_more_torque_in_proportion(times: float) -> None:
    masses = INSPECTOR.masses
    heavy = replace(
        INSPECTOR,
        frames=(),
        masses=replace(
            masses,
            body=times * masses.body,
            abductor=times * masses.abductor,
            upper=times * masses.upper,
            lower=times * masses.lower,
        ),
    )
    light = replace(INSPECTOR, frames=())
    angles = standing_angles(light, [0.1, 0.15, 0.2])
    assert standing_torques(heavy, angles, 4) == pytest.approx(times * standing_torques(light, angles, 4))


def test_fewer_feet_take_more() -> None:
    torque = Torque.of(INSPECTOR, 0.06, 0.2)
    assert (torque.margins(4) > torque.margins(3)).all()
    assert (torque.margins(3) >= torque.margins(2) - 1e-9).all()


def weighing(times: float) -> Torque:
    body = times * INSPECTOR.masses.total - (INSPECTOR.masses.total - INSPECTOR.masses.body)
    robot = replace(INSPECTOR, masses=replace(INSPECTOR.masses, body=body))
    reach = Reach.of(robot)
    return Torque.of(robot, reach.lowest.value, reach.highest.value)


def test_the_verdict_follows_the_margin() -> None:
    assert [row.word for row in weighing(0.7).verdicts()] == [GOOD, GOOD, GOOD]
    assert [row.word for row in weighing(1.0).verdicts()] == [GOOD, TIGHT, TIGHT]
    words = [row.word for row in weighing(3.0).verdicts()]
    assert words[1:] == [FAILS, FAILS]
    assert all(row.cure for row in weighing(3.0).verdicts())


def test_what_can_stand_but_not_rise_will_not_work() -> None:
    four = weighing(2.7).verdicts()[0]
    assert four.word == FAILS
    assert "cannot rise" in four.why
    assert Torque.of(INSPECTOR, 0.1, 0.2).margins(4).min() > 1


def test_servos_that_only_stand_stay_cool_or_not() -> None:
    cool, warm = weighing(1.0), weighing(1.5)
    assert cool.share.max() < HOT < warm.share.max()
    assert [cool.heat().word, warm.heat().word] == [GOOD, TIGHT]
    assert "rule of thumb" in cool.heat().why


def test_a_lower_voltage_weakens_the_servos() -> None:
    five = replace(INSPECTOR, supply=replace(INSPECTOR.supply, voltage=5.0))
    at_six, at_five = (Torque.of(robot, 0.1, 0.2).margins(4) for robot in (INSPECTOR, five))
    assert at_five == pytest.approx(at_six * 5 / 6)
