"""Attitude and yaw rate of the body by the commanded joint angles: forward kinematics of the standing feet."""

from __future__ import annotations

from collections.abc import Sequence
from math import atan2, sqrt

from quadleg.geometry.vectors import UP, Vector, cross, difference, dot
from quadleg.kinematics.body_pose import all_forward
from quadleg.robot.model import LEGS, Angles, RobotModel

DIAGONALS = ((0, 3), (1, 2))
# m between the lines through opposite feet: less is rounding and slowed frames, and all feet stand (our own choice)
IN_PLANE = 0.00075
LIFTED = 0.005  # m: a foot higher than this over that plane carries nothing (our own choice)
# rad² that the readings of another gait count more: two frames of a trot's swing outweigh it (our own choice)
SAME_GAIT = 0.001
SERVO_DELAY = 0.05  # s from a command to what the body does: a frame on its way, the servo's own, its lag (measured)


class CommandedMotion:
    """The commanded vertical in base_link, and which feet stand, frame after frame of twelve commanded angles (rad).

    The ground is taken as level. Angles do not tell one foot in the air from two opposite ones that are equally high,
    as in a trot: of these, the one is taken that has turned the vertical least since all feet stood. `up` follows the
    commands as late as servos do, `at_once` does not. `carrying` counts the feet that may carry, `height` in m is that
    of base_link over the ground, zero before the first frame; `turning` is about z in rad/s.
    """

    def __init__(self, robot: RobotModel) -> None:
        self._robot = robot
        self.at_once = UP
        self.up = UP
        self.feet: tuple[Vector, ...] = ()
        self.carrying = len(LEGS)
        self.height = self.turning = 0.0
        self._down = (False,) * len(LEGS)
        self._upper: tuple[int, int] | None = None  # the opposite feet of which one or both are in the air
        self._candidates: tuple[Vector, ...] = ()
        self._turned: tuple[float, ...] = ()  # sums of squared steps of each candidate
        self._pair: bool | None = None  # whether both opposite feet were in the air the last time

    def step(self, angles: Angles, dt: float) -> None:
        """One frame, `dt` s after the one before."""
        before, was_down = self.feet, self._down
        self.feet = feet = all_forward(self._robot, angles)
        self.at_once = up = self._vertical(feet)
        heights = [dot(foot, up) for foot in feet]
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
        """Square to both diagonals where opposite feet are equally high, else of the plane under three feet."""
        level = _normal(difference(feet[0], feet[3]), difference(feet[1], feet[2]))
        above = dot(difference(feet[0], feet[1]), level)
        if abs(above) < IN_PLANE:
            self._upper = None
            return level
        upper, lower = DIAGONALS if above > 0.0 else DIAGONALS[::-1]
        a, b = (feet[leg] for leg in lower)
        candidates = (level, *(_normal(difference(a, feet[leg]), difference(b, feet[leg])) for leg in upper))
        if upper != self._upper:
            one, two = (SAME_GAIT if self._pair is was else 0.0 for was in (True, False))
            self._upper, self._turned = upper, (two, one, one)
            self._candidates = (self.at_once,) * len(candidates)
        steps = (difference(now, was) for now, was in zip(candidates, self._candidates))
        self._turned = tuple(turned + dot(step, step) for turned, step in zip(self._turned, steps))
        self._candidates = candidates
        least = self._turned.index(min(self._turned))
        self._pair = least == 0
        return candidates[least]


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


def _unit(vector: Sequence[float]) -> Vector:
    x, y, z = vector
    length = sqrt(x * x + y * y + z * z)
    return (x / length, y / length, z / length) if length > 1e-9 else UP


def _normal(a: Vector, b: Vector) -> Vector:
    """The unit normal of two edges that points up."""
    x, y, z = cross(a, b)
    return _unit((x, y, z) if z >= 0.0 else (-x, -y, -z))
