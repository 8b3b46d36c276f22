"""The velocities at which trials walk, and how far a walk is off the one asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, sqrt

from quadleg.gait.walking_limits import WalkingLimits
from quadleg.geometry.planar import Planar
from quadleg.robot.model import RobotModel


@dataclass(frozen=True)
class WalkVelocity:
    """A direction, each axis as a share of the gait's limit along it, walked at a share of what the gait can do."""

    direction: Planar
    share: float

    def of(self, limits: WalkingLimits) -> Planar:
        """Return the velocity (m/s, m/s, rad/s) of a gait that can walk in each of its directions."""
        ends = zip(limits.forward, limits.backward)
        x, y, yaw = (
            abs(value) * (ahead if value > 0 else behind) for value, (ahead, behind) in zip(self.direction, ends)
        )
        use = limits.use((x, y, yaw)) / self.share
        return x / use, y / use, yaw / use


FORWARD = "forward"  # at the gait's usual speed: SPEEDS of walk_trials.py
# Slow, fast, back, sideways, turning and mixed (our own choice). No share is greater than 0.8: the rest is for what
# the path feedback adds.
VELOCITIES = {
    "slow": WalkVelocity((1.0, 0.0, 0.0), 0.3),
    "medium": WalkVelocity((1.0, 0.0, 0.0), 0.55),
    "fast": WalkVelocity((1.0, 0.0, 0.0), 0.8),
    "backward": WalkVelocity((-1.0, 0.0, 0.0), 0.6),
    "to the left": WalkVelocity((0.0, 1.0, 0.0), 0.6),
    "to the right, slow": WalkVelocity((0.0, -1.0, 0.0), 0.35),
    "turning left": WalkVelocity((0.0, 0.0, 1.0), 0.6),
    "ahead and sideways": WalkVelocity((1.0, -0.6, 0.0), 0.7),
    "a curve": WalkVelocity((1.0, 0.0, 0.6), 0.7),
    "all at once": WalkVelocity((0.8, 0.5, -0.5), 0.7),
}


def pace(robot: RobotModel, velocity: Planar) -> float:
    """Return how fast the feet go over the ground with a velocity: m/s, turning at their distance from the middle."""
    return sqrt(_product(robot, velocity, velocity))


def speed_share(robot: RobotModel, walked: Sequence[float], asked: Planar) -> float:
    """Return the share of a velocity asked for that a walk has along it: 1 if it is as fast as asked."""
    return _product(robot, walked, asked) / _product(robot, asked, asked)


def _product(robot: RobotModel, one: Sequence[float], other: Sequence[float]) -> float:
    arm = hypot(*robot.standing.feet[0][:2])
    return one[0] * other[0] + one[1] * other[1] + arm * arm * one[2] * other[2]
