"""How the body would stand and turn if it did what the joints are commanded: by forward kinematics of standing feet."""

from __future__ import annotations

from collections.abc import Sequence
from math import atan2, sqrt

from quadleg.geometry.vectors import Vector
from quadleg.kinematics.body_pose import all_forward
from quadleg.robot.model import LEGS, Angles, RobotModel

UP: Vector = (0.0, 0.0, 1.0)
IN_PLANE = (
    0.0015  # m: commanded feet that all stand are in one plane but for rounding and slowed frames (our own choice)
)
LIFTED = 0.005  # m: a foot higher than this over that plane carries nothing (our own choice)
THIRD = 0.5  # share of the highest foot's height up to which the third one stands: those of a trot rise together
SERVO_DELAY = 0.05  # s from a command to what the body does: a frame on its way, the servo's own, its lag (measured)


class CommandedMotion:
    """The commanded vertical in base_link, and which feet stand, frame after frame of twelve commanded angles (rad).

    The ground is taken as level. Two feet that stand say nothing of the turn about the line between them: it stays.
    `up` follows the commands as late as servos do, `at_once` does not. `carrying` counts the feet that may carry,
    `height` in m is that of base_link over the ground, zero before the first frame; `turning` is about z in rad/s.
    """

    def __init__(self, robot: RobotModel) -> None:
        self._robot = robot
        self.at_once = UP
        self.up = UP
        self.feet: tuple[Vector, ...] = ()
        self.carrying = len(LEGS)
        self.height = self.turning = 0.0
        self._down = (False,) * len(LEGS)

    def step(self, angles: Angles, dt: float) -> None:
        """One frame, `dt` s after the one before."""
        before, was_down = self.feet, self._down
        self.feet = feet = all_forward(self._robot, angles)
        self.at_once = up = self._vertical(feet)
        heights = [_dot(foot, up) for foot in feet]
        lowest = min(heights)
        self._down = tuple(height - lowest < LIFTED for height in heights)
        self.carrying = sum(self._down)
        self.height = self._robot.legs[0].foot_radius - lowest
        share = min(dt / SERVO_DELAY, 1.0)
        x, y, z = (was + share * (now - was) for was, now in zip(self.up, up))
        self.up = x, y, z
        both = [leg for leg, (now, was) in enumerate(zip(self._down, was_down)) if now and was]
        rate = -_turn([before[leg] for leg in both], [feet[leg] for leg in both]) / dt if dt and len(both) > 1 else 0.0
        self.turning += share * (rate - self.turning)

    def _vertical(self, feet: Sequence[Vector]) -> Vector:
        """Of the plane under all four feet, else under the three that stand, else under two."""
        a, b, c, highest = sorted(feet, key=lambda foot: _dot(foot, self.at_once))
        normal = _normal(_less(a, c), _less(b, c))
        above = _dot(_less(highest, c), normal)
        if abs(above) < IN_PLANE:
            # By the diagonals: two feet that just lift together do not tilt it.
            return _normal(_less(feet[0], feet[3]), _less(feet[1], feet[2]))
        lowest, third, top = (_dot(foot, self.at_once) for foot in (a, c, highest))
        if above > 0.0 and third - lowest < THIRD * (top - lowest):
            return normal
        return _across(self.at_once, _less(a, b))


def _turn(before: Sequence[Vector], now: Sequence[Vector]) -> float:
    """By how much points turned about z, rad: the least-squares rotation of one set onto the other."""
    count = len(now)
    ax, ay = sum(p[0] for p in before) / count, sum(p[1] for p in before) / count
    bx, by = sum(p[0] for p in now) / count, sum(p[1] for p in now) / count
    across = along = 0.0
    for (px, py, _), (qx, qy, _) in zip(before, now):
        across += (px - ax) * (qy - by) - (py - ay) * (qx - bx)
        along += (px - ax) * (qx - bx) + (py - ay) * (qy - by)
    return atan2(across, along)


def _dot(a: Vector, b: Vector) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def _less(a: Vector, b: Vector) -> Vector:
    return a[0] - b[0], a[1] - b[1], a[2] - b[2]


def _unit(vector: Sequence[float]) -> Vector:
    x, y, z = vector
    length = sqrt(x * x + y * y + z * z)
    return (x / length, y / length, z / length) if length > 1e-9 else UP


def _normal(a: Vector, b: Vector) -> Vector:
    """The unit normal of two edges that points up."""
    x, y, z = a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]
    return _unit((x, y, z) if z >= 0.0 else (-x, -y, -z))


def _across(up: Vector, line: Vector) -> Vector:
    """The vertical turned by as little as makes it square to a line."""
    along = _unit(line)
    share = _dot(up, along)
    return _unit([u - share * a for u, a in zip(up, along)])
