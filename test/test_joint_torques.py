"""Joint torques against pinocchio and MuJoCo's inverse dynamics over random robots and poses, and a lever by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pinocchio
import pytest
from mujoco_robot import InverseDynamics
from sample_robots import BOTH, ROBOTS

from quadleg.commissioning.feasibility.standing_torque import FEET, standing_angles
from quadleg.dynamics.centre_of_mass import centre_of_mass, centre_of_mass_batch
from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.dynamics.joint_torques import foot_loads, holding_torques, static_torques, stride_torques
from quadleg.kinematics.body_pose import all_forward, stance_angles
from quadleg.kinematics.leg import inverse, jacobian, points
from quadleg.robot.model import JOINT_NAMES, LEGS, Joint, Leg, RobotModel
from quadleg.robot.urdf import urdf

INSPECTOR, DIGGER = ROBOTS


def varied(seed: int) -> RobotModel:
    """A robot with sizes, masses and knees of its own."""
    dice = np.random.default_rng(seed)
    robot = (INSPECTOR, DIGGER)[seed % 2]
    size, weight = dice.uniform(0.4, 2.0), dice.uniform(0.2, 4.0)
    masses = replace(
        robot.masses,
        body=weight * robot.masses.body,
        abductor=weight * dice.uniform(0.0, 2.0) * robot.masses.abductor,
        upper=weight * dice.uniform(0.0, 2.0) * robot.masses.upper,
        lower=weight * dice.uniform(0.0, 2.0) * robot.masses.lower,
    )
    frames = tuple(
        replace(frame, mass=weight * frame.mass, position=(*dice.uniform(-0.05, 0.05, 3),)) for frame in robot.frames
    )
    return replace(robot, legs=tuple(_varied_leg(leg, size, dice) for leg in robot.legs), masses=masses, frames=frames)


def _varied_leg(leg: Leg, size: float, dice: np.random.Generator) -> Leg:
    x, y, z = leg.hip
    offset, upper, lower = size * dice.uniform(0.85, 1.15, 3) * (leg.hip_offset, leg.upper_length, leg.lower_length)
    knee_sign = int(dice.choice((-1, 1)))
    abduction, hip, knee = leg.joints
    lowest, highest = sorted((knee_sign * 0.02, knee_sign * 2.9))
    joints = abduction, Joint(hip.name, -2.0, 2.0, hip.servo), Joint(knee.name, lowest, highest, knee.servo)
    return replace(
        leg,
        hip=(size * x, size * y, z),
        hip_offset=offset,
        upper_length=upper,
        lower_length=lower,
        knee_sign=knee_sign,
        joints=joints,
    )


VARIED = pytest.mark.parametrize("robot", [varied(seed) for seed in range(30)], ids=range(30))


def standing(robot: RobotModel) -> list[float]:
    return list(stance_angles(robot, robot.standing))


def potential_torques(robot: RobotModel, angles: list[float]) -> np.ndarray:
    """Those of the links' weight alone: the slope of the potential energy of a body that hangs in the air."""
    step, slopes = 1e-6, []
    for joint in range(12):
        heights = []
        for sign in (1, -1):
            moved = list(angles)
            moved[joint] += sign * step
            heights.append(centre_of_mass(robot, moved)[2])
        slopes.append(robot.masses.total * STANDARD_GRAVITY * (heights[0] - heights[1]) / (2 * step))
    return np.array(slopes)


def lifted(robot: RobotModel, *legs: int) -> list[float]:
    """Standing, with these feet 20 mm up."""
    angles = standing(robot)
    feet = all_forward(robot, angles)
    for number in legs:
        x, y, z = feet[number]
        angles[3 * number : 3 * number + 3] = inverse(robot.legs[number], (x, y, z + 0.02))
    return angles


@BOTH
def test_torques_in_the_air_are_the_slope_of_the_potential_energy(robot: RobotModel) -> None:
    angles = lifted(robot, 1)
    torques = static_torques(robot, angles)
    assert torques[3:6] == pytest.approx(potential_torques(robot, angles)[3:6], abs=1e-6)


@BOTH
@pytest.mark.parametrize("legs", [(), (0,), (3,)])
def test_the_feet_that_stand_carry_the_weight_in_balance(robot: RobotModel, legs: tuple[int, ...]) -> None:
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
    weight = robot.masses.total * STANDARD_GRAVITY
    assert forces[:, 2].sum() == pytest.approx(weight)
    feet, centre = np.array(all_forward(robot, angles)), np.array(centre_of_mass(robot, angles))
    over = (forces[:, 2:] * feet[:, :2]).sum(axis=0) / weight
    # Without one foot the mass is at the edge of the others, or outside of them, where the robot would tip.
    assert over == pytest.approx(centre[:2], abs=1e-6 if not legs else 0.03)


@BOTH
def test_on_its_belly_it_weighs_on_no_foot(robot: RobotModel) -> None:
    angles = list(stance_angles(robot, robot.resting))
    assert static_torques(robot, angles) == pytest.approx(potential_torques(robot, angles), abs=1e-6)


def cases(robot: RobotModel, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Random angles (n, 12) and loads of the feet (n, 4) in N."""
    dice = np.random.default_rng(11)
    lower, upper = np.array([(joint.lower, joint.upper) for joint in robot.joints]).T
    return dice.uniform(lower, upper, (count, 12)), dice.uniform(0.0, 10.0, (count, 4))


def by_pinocchio(robot: RobotModel, angles: np.ndarray, loads: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
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


@VARIED
def test_torques_are_pinocchios(robot: RobotModel) -> None:
    angles, loads = cases(robot, 5)
    ours = holding_torques(robot, angles, loads)
    for row, load, torques in zip(angles, loads, ours):
        assert torques == pytest.approx(by_pinocchio(robot, row, load)[0], abs=1e-9)


@VARIED
def test_torques_are_mujocos_inverse_dynamics(robot: RobotModel) -> None:
    inverse = InverseDynamics(robot)
    angles, loads = cases(robot, 5)
    for row, load, torques in zip(angles, loads, holding_torques(robot, angles, loads)):
        assert torques == pytest.approx(inverse.torques(row, load), abs=1e-9)


@VARIED
def test_static_torques_of_a_tilted_pose_are_mujocos(robot: RobotModel) -> None:
    """Standing on four feet of which the legs differ, so that gravity is not along base_link's z."""
    inverse = InverseDynamics(robot)
    dice = np.random.default_rng(3)
    angles = np.array(stance_angles_of(robot)) + dice.uniform(-0.05, 0.05, 12)
    feet = np.array(all_forward(robot, angles))
    torques = np.array(static_torques(robot, angles))
    # Three feet at least are on one plane, and gravity is normal to it.
    normals = [
        np.cross(feet[b] - feet[a], feet[c] - feet[a]) for a, b, c in ((0, 2, 1), (0, 2, 3), (0, 3, 1), (1, 2, 3))
    ]
    ups = [normal / np.linalg.norm(normal) for normal in normals]
    misfits = []
    for up in (up if up[2] > 0 else -up for up in ups):
        inverse.model.opt.gravity[:] = -STANDARD_GRAVITY * up
        held = inverse.torques(angles)
        # What is left is the push of the ground, along the vertical, by each leg's Jacobian.
        pushes = [
            np.linalg.solve(jacobian(leg, angles[3 * i : 3 * i + 3]).T, (held - torques)[3 * i : 3 * i + 3])
            for i, leg in enumerate(robot.legs)
        ]
        weight = robot.masses.total * STANDARD_GRAVITY
        misfits.append(np.abs(np.sum(pushes, axis=0) - weight * up).max() / weight)
    assert min(misfits) < 1e-9


@VARIED
def test_one_pose_and_many_have_the_same_torques(robot: RobotModel) -> None:
    angles = np.array([stance_angles_of(robot)])
    feet, centre = np.array(all_forward(robot, angles[0])), centre_of_mass_batch(robot, angles)
    loads = foot_loads(robot, feet[None, :, :2], range(4), centre[:, :2])
    assert static_torques(robot, angles[0]) == pytest.approx(holding_torques(robot, angles, loads)[0], abs=1e-9)


def stance_angles_of(robot: RobotModel) -> list[float]:
    """Level, the hips over the feet, with knees bent to two thirds of the straight legs."""
    angles: list[float] = []
    height = 0.67 * min(leg.upper_length + leg.lower_length for leg in robot.legs)
    for leg in robot.legs:
        x, y, z = leg.hip
        angles += inverse(leg, (x, y + leg.hip_offset, z - height))
    return angles


def test_links_take_torque_to_accelerate_as_in_mujoco() -> None:
    """Point masses: MuJoCo's inverse dynamics of the same motion without gravity, less the rotational inertias."""
    inverse = InverseDynamics(INSPECTOR)
    inverse.model.opt.gravity[:] = 0.0
    inverse.model.body_inertia[:] = 1e-12
    period, turn = 0.001, 2 * np.pi * np.arange(1000)[:, None] / 1000
    phases = np.random.default_rng(5).uniform(0.0, 2 * np.pi, 12)
    mean, swing = np.array(standing(INSPECTOR)), 0.2
    angles = mean + swing * np.sin(turn + phases)
    loads = np.random.default_rng(6).uniform(0.0, 5.0, (1000, 4))
    ours = stride_torques(INSPECTOR, angles[None], loads[None], period)[0] - holding_torques(INSPECTOR, angles, loads)
    rate = 2 * np.pi / (1000 * period)
    for k in range(0, 1000, 100):
        rates, accelerations = swing * rate * np.cos(turn[k] + phases), -swing * rate**2 * np.sin(turn[k] + phases)
        theirs = inverse.torques(angles[k], rates=rates, accelerations=accelerations)
        assert ours[k] == pytest.approx(theirs, abs=1e-4 * np.abs(ours).max())


@BOTH
@pytest.mark.parametrize("count", [4, 3])
def test_a_body_whose_weight_its_feet_share_needs_nobody_to_hold_it(robot: RobotModel, count: int) -> None:
    """The base's six rows in pinocchio: the ground's pushes alone balance the weight, where the feet can do that."""
    robot = replace(robot, frames=())
    angles = standing_angles(robot, [robot.standing.height])
    centre = centre_of_mass_batch(robot, angles)[0, :2]
    feet = np.array(robot.standing.feet)[:, :2]
    standing = FEET[count][0]
    # Three feet carry it where it is over their middle.
    moved = centre if count == 4 else feet[list(standing)].mean(axis=0)
    (loads,) = foot_loads(robot, (feet + (centre - moved))[None], standing, centre[None])
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
