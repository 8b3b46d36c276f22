"""Walking on a slope: where up is over the plane of the feet, and how the body shifts and turns for it.

The stance frame lies on the ground, which the IMU and the legs together show to be inclined.
"""

from __future__ import annotations

from math import asin, cos, exp, hypot, radians, sin, sqrt

from quadleg.dynamics.centre_of_mass import centre_of_mass
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import UP, Vector
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import RobotModel

FILTER_TIME = 1.0  # s: slower than a step, faster than a walk onto a slope
STEEPEST = radians(20)  # a steeper slope is walked as if it were this one


class Slope:
    """The ground's slope under one robot. `up` is the vertical in the stance frame, as a unit vector."""

    def __init__(self, robot: RobotModel) -> None:
        x, y, z = centre_of_mass(robot, stance_angles(robot, robot.standing))
        self._mass: Vector = (x, y, z)
        self._height = robot.standing.height
        self.up = UP

    @property
    def angle(self) -> float:
        """How steep the ground is, in rad."""
        return asin(hypot(self.up[0], self.up[1]))

    def update(self, up: Vector | None, body: Pose, dt: float) -> None:
        """Take the vertical in base_link (unit vector), the body being at a pose in the stance frame, `dt` s later.

        None: not measured; the slope then decays to level.
        """
        x, y = 0.0, 0.0
        if up is not None:
            x, y = (sum(r * u for r, u in zip(row, up)) for row in body.matrix[:2])
        steep = hypot(x, y)
        shorter = min(1.0, sin(STEEPEST) / steep) if steep else 1.0
        kept = exp(-dt / FILTER_TIME)
        x, y = (kept * before + (1 - kept) * shorter * now for before, now in zip(self.up, (x, y)))
        self.up = x, y, sqrt(1 - x * x - y * y)

    def shift(self, level: bool) -> Pose:
        """Return the body's shift in the stance frame that centres its weight as on level ground: uphill.

        `level` turns the body level besides; else it stays along the ground.
        """
        x, y, z = self.up
        turned, turn = self._mass, (1.0, 0.0, 0.0, 0.0)
        if level and (steep := hypot(x, y)):
            # The shortest turn from the ground's normal to the vertical, about the line that is level in both.
            half = asin(steep) / 2
            turn = (cos(half), -y / steep * sin(half), x / steep * sin(half), 0.0)
            rows = Pose((0.0, 0.0, 0.0), turn).matrix
            across, along, above = (sum(r * m for r, m in zip(row, self._mass)) for row in rows)
            turned = (across, along, above)
        high = (self._height + turned[2]) / z
        return Pose((self._mass[0] - turned[0] + high * x, self._mass[1] - turned[1] + high * y, 0.0), turn)
