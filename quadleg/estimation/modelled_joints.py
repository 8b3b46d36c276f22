"""Joint angles of hobby servos without feedback: they lag behind their commands and give way under load."""

from __future__ import annotations

from collections.abc import Sequence
from math import radians

import numpy as np

from quadleg.dynamics.servo_motors import FRICTION, FULL_TORQUE_ERROR
from quadleg.geometry.arrays import Array
from quadleg.kinematics.leg import jacobian_columns
from quadleg.robot.model import RobotModel

# In no data sheet of a hobby servo (common practice, no source).
BACKLASH = radians(0.4)  # of the gears, from end to end
TAKEN_UP = 0.1  # share of the stall torque that takes up the backlash


class ModelledJoints:
    """Joint angles of one robot, modelled by their commands and the loads of the feet.

    A servo's torque is proportional to its error, up to the stall torque, and falls with its speed (the straight line
    of a brushed motor): the joint lags behind its command by a time, and gives way under load as a spring does.
    """

    def __init__(self, robot: RobotModel) -> None:
        self._legs = robot.legs
        self._speed = np.array([robot.no_load_speed(joint) for joint in robot.joints])
        stall = np.array([robot.stall_torque(joint) for joint in robot.joints])
        self._soft = (FULL_TORQUE_ERROR / stall).reshape(-1, 3).tolist()  # rad/(N·m)
        deadband = [joint.servo.kind.deadband / abs(joint.servo.pulse_per_radian) for joint in robot.joints]
        self._play = np.array(deadband) + FRICTION * FULL_TORQUE_ERROR
        self.angles: Array | None = None

    def step(self, commands: Array, shares: Sequence[float], force: Array, dt: float) -> Array:
        """Return the angles (12,) in rad after `dt` s, for commands (rad) and each foot's share of the ground's `force`
        (N, in base_link).

        Friction keeps feet on the ground from moving relative to each other, by internal forces that add up to zero.
        """
        at = commands if self.angles is None else self.angles
        wanted = commands + self._given_way(at, shares, force)
        if self.angles is None:
            self.angles = wanted
        most = self._speed * dt
        share = 1.0 - np.exp(-most / FULL_TORQUE_ERROR)
        error = wanted - self.angles
        error = error - np.clip(error, -self._play, self._play)
        self.angles = self.angles + np.clip(share * error, -most, most)
        return self.angles

    def _given_way(self, angles: Array, shares: Sequence[float], total: Array) -> Array:
        """How far (12,) the joints give way, in rad. Plain numbers: so few of them are quicker than arrays."""
        gx, gy, gz = total.tolist()
        at = angles.tolist()
        legs = []
        sxx = sxy = syy = sx = sy = 0.0
        for i, (leg, soft, share) in enumerate(zip(self._legs, self._soft, shares)):
            if share <= 0.0:
                continue
            columns = jacobian_columns(leg, *at[3 * i : 3 * i + 3])
            fx, fy, fz = share * gx, share * gy, share * gz
            # Compliance along the ground, and how far the foot alone would be pushed there.
            cxx = cxy = cyy = px = py = 0.0
            for c, (x, y, z) in zip(soft, columns):
                cxx, cxy, cyy = cxx + c * x * x, cxy + c * x * y, cyy + c * y * y
                turned = c * (x * fx + y * fy + z * fz)
                px, py = px + turned * x, py + turned * y
            area = cxx * cyy - cxy * cxy
            kxx, kxy, kyy = cyy / area, -cxy / area, cxx / area
            sxx, sxy, syy = sxx + kxx, sxy + kxy, syy + kyy
            sx, sy = sx + kxx * px + kxy * py, sy + kxy * px + kyy * py
            legs.append((i, columns, soft, (fx, fy, fz), (kxx, kxy, kyy), (px, py)))
        result = [0.0] * len(at)
        if not legs:
            return np.array(result)
        whole = sxx * syy - sxy * sxy
        alike_x, alike_y = (syy * sx - sxy * sy) / whole, (sxx * sy - sxy * sx) / whole
        for i, columns, soft, (fx, fy, fz), (kxx, kxy, kyy), (px, py) in legs:
            dx, dy = alike_x - px, alike_y - py
            hx, hy = fx + kxx * dx + kxy * dy, fy + kxy * dx + kyy * dy
            for joint, (c, (x, y, z)) in enumerate(zip(soft, columns)):
                turned = c * (x * hx + y * hy + z * fz)
                pressed = max(-1.0, min(1.0, turned / (TAKEN_UP * FULL_TORQUE_ERROR)))
                result[3 * i + joint] = turned + BACKLASH / 2 * pressed
        return np.array(result)
