"""The centre of mass against pinocchio, which reads the URDF, and against a sum by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pinocchio
import pytest
from sample_robots import BOTH, random_angles

from quadleg.dynamics.centre_of_mass import centre_of_mass, centre_of_mass_batch
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import JOINT_NAMES
from quadleg.robot.urdf import urdf


@BOTH
def test_it_is_where_pinocchio_finds_it(robot):
    # A base that floats: pinocchio leaves out the mass of links that are fixed to the world.
    model = pinocchio.buildModelFromXML(urdf(robot), pinocchio.JointModelFreeFlyer())
    data = model.createData()
    columns = [model.joints[model.getJointId(name)].idx_q for name in JOINT_NAMES]
    angles = random_angles(robot, 40)
    found = centre_of_mass_batch(robot, angles)
    assert found.shape == (40, 3)
    for row, ours in zip(angles, found):
        q = pinocchio.neutral(model)
        q[columns] = row
        assert np.allclose(ours, pinocchio.centerOfMass(model, data, q), rtol=0, atol=1e-9)
        assert centre_of_mass(robot, tuple(row)) == pytest.approx(ours, abs=1e-15)


@BOTH
def test_what_is_fixed_to_the_body_is_part_of_its_mass(robot):
    angles = stance_angles(robot, robot.standing)
    frame = robot.frames[0]
    moved = replace(frame, position=(frame.position[0] + 0.1, frame.position[1], frame.position[2] - 0.2))
    other = centre_of_mass(replace(robot, frames=(moved, *robot.frames[1:])), angles)
    change = np.subtract(other, centre_of_mass(robot, angles))
    assert change == pytest.approx(np.array([0.1, 0, -0.2]) * frame.mass / robot.masses.total)


@BOTH
def test_a_symmetrical_stance_has_it_in_the_middle_plane(robot):
    bare = replace(robot, frames=())
    _, y, z = centre_of_mass(bare, stance_angles(robot, robot.standing))
    assert y == pytest.approx(0.0, abs=1e-12)
    assert z < 0, "legs hang below the hip axes"
