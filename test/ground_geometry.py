"""An independent judge of body poses: MuJoCo places the shapes of the URDF, and their lowest points follow here.

It shares no code with the package but the text of the URDF, which test_urdf.py holds against pinocchio.
"""

from __future__ import annotations

import mujoco
import numpy as np
from mujoco_robot import free_base

from quadleg.robot.model import JOINT_NAMES, RobotModel


class GroundGeometry:
    """One robot's collision shapes over the ground z = 0."""

    def __init__(self, robot: RobotModel) -> None:
        self.model = free_base(robot)
        self.data = mujoco.MjData(self.model)
        self._columns = [self.model.joint(name).qposadr[0] for name in JOINT_NAMES]
        self._owners = [self.model.body(body).name for body in self.model.geom_bodyid]
        self._frames = [(frame.name, self.model.body(frame.name).id) for frame in robot.frames if frame.mass]

    def place(self, position, quaternion, angles) -> None:
        """Put base_link over the ground (m; w, x, y, z) with the joints at twelve angles (rad)."""
        self.data.qpos[:3], self.data.qpos[3:7] = position, quaternion
        self.data.qpos[self._columns] = angles
        mujoco.mj_kinematics(self.model, self.data)

    def heights(self) -> dict[str, float]:
        """The height in m of the lowest point of each link's shapes, of a fixed frame that of its origin."""
        lowest = {name: float(self.data.xpos[body][2]) for name, body in self._frames}
        for geom, owner in enumerate(self._owners):
            lowest[owner] = min(lowest.get(owner, np.inf), self._lowest(geom))
        return lowest

    def lowest_but_feet(self) -> tuple[str, float]:
        """The lowest link besides the feet, and its height in m."""
        return min(
            ((name, height) for name, height in self.heights().items() if not name.endswith("_foot")),
            key=lambda pair: pair[1],
        )

    def distance(self, first: str, second: str) -> float:
        """The free distance in m between two links: the least of their shapes."""
        pairs = [
            (a, b)
            for a, one in enumerate(self._owners)
            for b, other in enumerate(self._owners)
            if one == first and other == second
        ]
        line = np.zeros(6)
        return min(mujoco.mj_geomDistance(self.model, self.data, a, b, 1.0, line) for a, b in pairs)

    def _lowest(self, geom: int) -> float:
        """By the support of each shape in the direction straight down."""
        x, y, z = abs(self.data.geom_xmat[geom].reshape(3, 3)[2])
        height, size = float(self.data.geom_xpos[geom][2]), self.model.geom_size[geom]
        kind = self.model.geom_type[geom]
        if kind == mujoco.mjtGeom.mjGEOM_SPHERE:
            return height - size[0]
        if kind == mujoco.mjtGeom.mjGEOM_CYLINDER:
            return float(height - size[1] * z - size[0] * np.sqrt(max(1.0 - z * z, 0.0)))
        assert kind == mujoco.mjtGeom.mjGEOM_BOX
        return float(height - size @ (x, y, z))
