"""How far loaded legs give way, and foot targets that make up for it.

A servo is a spring about the angle it is sent to, so a foot that takes over weight moves against its leg: up, and with
a bent knee along the ground too. It lands without load and lifts off without load; what the body sinks back on it in
between would be lost at every step, and a body that sinks over two feet lets the others land early.
"""

from __future__ import annotations

from collections.abc import Sequence

from quadleg.dynamics.centre_of_mass import centre_of_mass
from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.dynamics.load_sharing import share_weight
from quadleg.dynamics.servo_motors import FULL_TORQUE_ERROR
from quadleg.geometry.vectors import Vector
from quadleg.kinematics.body_pose import stance_angles
from quadleg.kinematics.leg import jacobian_columns
from quadleg.robot.model import RobotModel

LOAD_TIME = 0.05  # s in which a foot takes over its load, as commands are late: SERVO_DELAY of commanded_motion.py


class LegCompliance:
    """The legs of one robot, tick after tick of `period` s.

    They are taken as soft as in the square stance, upright. What they give way there is not made up for, so that a
    robot that stands has its feet where they are asked for.
    """

    def __init__(self, robot: RobotModel, period: float) -> None:
        angles = stance_angles(robot, robot.standing)
        x, y, _ = centre_of_mass(robot, angles)
        self._standing = tuple(share_weight([(a, b) for a, b, _ in robot.standing.feet], (x, y)))
        self._taken = min(period / LOAD_TIME, 1.0)
        weight = robot.masses.total * STANDARD_GRAVITY
        # m in base_link by which a foot gives way that carries all of the weight: J C Jᵀ f, with C of the servos.
        self._gives_way: list[Vector] = []
        for i, leg in enumerate(robot.legs):
            x = y = z = 0.0
            for joint, (jx, jy, jz) in zip(leg.joints, jacobian_columns(leg, *angles[3 * i : 3 * i + 3])):
                turn = FULL_TORQUE_ERROR / robot.stall_torque(joint) * jz * weight
                x, y, z = x + turn * jx, y + turn * jy, z + turn * jz
            self._gives_way.append((x, y, z))
        self.rest()

    def rest(self) -> None:
        """Be at rest on all feet."""
        self._shares = self._standing

    def made_up(self, feet: Sequence[Vector], shares: Sequence[float]) -> tuple[Vector, ...]:
        """Return targets of the feet in base_link (m), one tick later, moved against what each gives way more than at
        rest as it takes over its share of the weight."""
        self._shares = tuple(now + self._taken * (goal - now) for now, goal in zip(self._shares, shares))
        more = (share - standing for share, standing in zip(self._shares, self._standing))
        return tuple(
            (x - m * dx, y - m * dy, z - m * dz) for (x, y, z), m, (dx, dy, dz) in zip(feet, more, self._gives_way)
        )
