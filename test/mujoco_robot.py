"""A robot's URDF in MuJoCo, and MuJoCo's inverse dynamics of it: a judge that shares no code with the package but the
text of the URDF, which test_urdf.py holds against pinocchio.
"""

from __future__ import annotations

import mujoco
import numpy as np

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.robot.model import JOINT_NAMES, LEGS, RobotModel
from quadleg.robot.urdf import urdf


def _spec(robot: RobotModel) -> mujoco.MjSpec:
    # Otherwise MuJoCo merges each foot into its lower leg, and gives it the mass of a sphere of water.
    settings = '<mujoco><compiler fusestatic="false" inertiafromgeom="false"/></mujoco></robot>'
    return mujoco.MjSpec.from_string(urdf(robot).replace("</robot>", settings))


def fixed_base(robot: RobotModel) -> mujoco.MjModel:
    """The robot with its base held in the air."""
    return _spec(robot).compile()


def free_base(robot: RobotModel) -> mujoco.MjModel:
    """The robot with a base that moves."""
    spec = _spec(robot)
    spec.body("base_link").add_freejoint()
    return spec.compile()


class InverseDynamics:
    """Torques by mj_inverse, with a free base, without contacts and limits; gravity and inertias are `model`'s."""

    def __init__(self, robot: RobotModel) -> None:
        self.model = model = free_base(robot)
        model.opt.gravity[:] = 0.0, 0.0, -STANDARD_GRAVITY
        model.opt.disableflags |= mujoco.mjtDisableBit.mjDSBL_CONTACT | mujoco.mjtDisableBit.mjDSBL_LIMIT
        self._data = mujoco.MjData(model)
        self._columns = [int(model.jnt_dofadr[model.joint(name).id]) for name in JOINT_NAMES]
        self._places = [int(model.jnt_qposadr[model.joint(name).id]) for name in JOINT_NAMES]
        self._feet = [model.body(f"{leg}_foot").id for leg in LEGS]

    def torques(self, angles, loads=(0.0,) * 4, rates=0.0, accelerations=0.0, base_acceleration=(0.0, 0.0)):
        """(12,) in N·m; `loads` (4,) in N push the feet up."""
        model, data = self.model, self._data
        data.qpos[:7] = 0.0, 0.0, 1.0, 1.0, 0.0, 0.0, 0.0
        data.qvel[:], data.qacc[:] = 0.0, 0.0
        data.qpos[self._places] = angles
        data.qvel[self._columns], data.qacc[self._columns] = rates, accelerations
        data.qacc[:2] = base_acceleration
        mujoco.mj_inverse(model, data)
        held = data.qfrc_inverse.copy()
        for body, load in zip(self._feet, loads):
            foot = np.empty((3, model.nv))
            mujoco.mj_jacBody(model, data, foot, None, body)
            held -= foot.T @ [0.0, 0.0, load]
        return held[self._columns]
