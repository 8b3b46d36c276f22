"""Rising from the resting pose, lowering to it, and setting swing feet down.

Each path is a generator of twelve joint angles (rad), one for each control period of `dt` seconds. The
paths stay within the reach of the legs: where a foot cannot go, its leg goes to the nearest point. They do not press
knees into the ground: a body that is let down over feet out of their places stops where a part of it touches, and comes
down the rest of the way while the legs fold.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence
from itertools import combinations, repeat
from math import ceil

import numpy as np
from transforms3d.quaternions import mat2quat

from quadleg.dynamics.joint_torques import BELLY_DOWN
from quadleg.errors import Unreachable
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector
from quadleg.kinematics.approach import Approach
from quadleg.kinematics.body_pose import all_forward, feet_in_base, stance_angles
from quadleg.kinematics.ground_clearance import GroundClearance
from quadleg.kinematics.leg import inverse
from quadleg.robot.model import RobotModel
from quadleg.safety.joint_limits import JointLimits

LIFT_SPEED = 0.05  # m/s: a few seconds to rise, and far below what the servos can do
LEVEL_SPEED = 0.5  # rad/s
FOLD_SPEED = 1.0  # rad/s, of the fastest joint
ACCELERATION_TIME = 0.3  # s
SETTLE_TIME = 0.3  # s at rest with power: the servos, and frames that came in a burst, are behind the commands

Path = Iterator[tuple[float, ...]]
Standing = tuple[Pose, tuple[Vector, ...]]  # the body over the ground, and the feet on it


class SlowedPath:
    """A path walked no faster than the servos can go: each of its points is reached before the next."""

    def __init__(self, limits: JointLimits, path: Path) -> None:
        self._limits = limits
        self._path = path
        self._waypoint: tuple[float, ...] | None = None

    def step(self, angles: Sequence[float]) -> tuple[float, ...] | None:
        """The angles one period after `angles`, None at the end of the path."""
        if self._waypoint is None:
            self._waypoint = next(self._path, None)
        if self._waypoint is None:
            return None
        slowed, share = self._limits.slow(angles, self._waypoint)
        if share == 1.0:
            self._waypoint = None
        return slowed


def rising(robot: RobotModel, angles: Sequence[float], dt: float) -> Path:
    """From `angles`, at rest or part of the way up, to the level stance at the standing height."""
    pose, feet = standing_over(robot, all_forward(robot, angles))
    if _belly_down(robot, pose):
        # The belly carries the weight: the feet may slide to their places in the stance.
        pose, feet = _level(robot.resting.height), robot.standing.feet
        yield from _fold(angles, _nearest_angles(robot, pose, feet), dt)
    else:
        pose, feet = yield from _settled(robot, angles, dt)
    yield from _move(robot, pose, _level(robot.standing.height), feet, dt)


def lowering(robot: RobotModel, angles: Sequence[float], dt: float) -> Path:
    """From `angles` to rest: feet down, body level and square above them, straight down, legs folded, arrived."""
    pose, feet = standing_over(robot, all_forward(robot, angles))
    if not _belly_down(robot, pose):
        pose, feet = yield from _settled(robot, angles, dt)
        pose = yield from _move(robot, pose, _level(pose.position[2]), feet, dt, GroundClearance(robot))
        pose = yield from _move(robot, pose, _level(robot.resting.height), feet, dt, GroundClearance(robot))
        angles = _nearest_angles(robot, pose, feet)
    at_rest = stance_angles(robot, robot.resting)
    yield from _fold(angles, at_rest, dt)
    yield from repeat(at_rest, ceil(SETTLE_TIME / dt))


def dropping(robot: RobotModel, dt: float) -> Path:
    """To rest by the shortest way, as fast as the servos go: for a body that would else fall from higher up."""
    at_rest = stance_angles(robot, robot.resting)
    yield from repeat(at_rest, 1 + ceil(SETTLE_TIME / dt))


def settling(robot: RobotModel, angles: Sequence[float], dt: float) -> Path:
    """Swing feet go down onto the plane of the others; the body stays. Yields nothing when all stand."""
    pose, feet = standing_over(robot, all_forward(robot, angles))
    ground = robot.legs[0].foot_radius
    height = max(foot[2] for foot in feet) - ground
    steps = ceil(height / (LIFT_SPEED * dt) - 1e-6)
    for k in range(1, steps + 1):
        top = ground + height * (1 - k / steps)
        feet_now = tuple((x, y, min(z, top)) for x, y, z in feet)
        yield _nearest_angles(robot, pose, feet_now)


def _settled(robot: RobotModel, start: Sequence[float], dt: float) -> Generator[tuple[float, ...], None, Standing]:
    """`settling`; returns how the body then stands."""
    end = start
    for angles in settling(robot, start, dt):
        yield angles
        end = angles
    return standing_over(robot, all_forward(robot, end))


def standing_over(robot: RobotModel, feet: Sequence[Vector]) -> Standing:
    """The body's pose over the ground that its feet stand on, and the feet in that stance frame.

    `feet` are the four foot centres in base_link (m). The ground is the plane under the feet that
    carry: three of them with no foot below. The stance frame lies on it below the centre of the
    feet, heading from the rear feet to the front ones: a body that stands turned over its feet has a yaw.
    """
    points = np.asarray(feet, dtype=float)
    normal = _support_normal(points)
    forward = points[:2].sum(axis=0) - points[2:].sum(axis=0)
    forward -= forward @ normal * normal
    forward /= np.linalg.norm(forward)
    to_stance = np.array([forward, np.cross(normal, forward), normal])
    centre = points.mean(axis=0)
    centre += normal * (np.min(points @ normal) - centre @ normal - robot.legs[0].foot_radius)
    placed = (points - centre) @ to_stance.T
    px, py, pz = (-to_stance @ centre).tolist()
    qw, qx, qy, qz = mat2quat(to_stance).tolist()
    return Pose((px, py, pz), (qw, qx, qy, qz)), tuple((x, y, z) for x, y, z in placed.tolist())


def _support_normal(feet: np.ndarray) -> np.ndarray:
    """Upward normal, in base_link, of the most level plane through three feet with no foot below it."""
    best = np.array([0.0, 0.0, 1.0])
    most_level = 0.0
    for three in combinations(range(4), 3):
        a, b, c = feet[list(three)]
        normal = np.cross(b - a, c - a)
        length = np.linalg.norm(normal)
        if length < 1e-9:
            continue
        normal *= np.sign(normal[2]) / length
        above = (feet - a) @ normal
        if above.min() > -1e-6 and normal[2] > most_level:
            best, most_level = normal, normal[2]
    return best


def _belly_down(robot: RobotModel, pose: Pose) -> bool:
    return pose.position[2] < robot.resting.height + BELLY_DOWN


def _level(height: float) -> Pose:
    return Pose.from_rpy(0.0, 0.0, height, 0.0, 0.0, 0.0)


def _move(
    robot: RobotModel,
    start: Pose,
    target: Pose,
    feet: Sequence[Vector],
    dt: float,
    ground: GroundClearance | None = None,
) -> Generator[tuple[float, ...], None, Pose]:
    """The body goes to `target` over its feet, as far as nothing goes into the `ground`; returns where it ends."""
    approach = Approach(start, LIFT_SPEED, LEVEL_SPEED, ACCELERATION_TIME)

    def depth(pose: Pose) -> float:
        sunk = ground.sunk(pose, _nearest_angles(robot, pose, feet)) if ground else None
        return -sunk.height if sunk else 0.0

    def allowed(pose: Pose) -> bool:
        deep = depth(pose)
        return deep == 0.0 or deep < depth(approach.pose)

    while approach.pose != target and not approach.stuck:
        yield _nearest_angles(robot, approach.step(target, dt, allowed), feet)
    return approach.pose


def _fold(start: Sequence[float], end: Sequence[float], dt: float) -> Path:
    furthest = max(abs(b - a) for a, b in zip(start, end))
    steps = ceil(furthest / (FOLD_SPEED * dt) - 1e-6)
    for k in range(1, steps):
        yield tuple(a + (b - a) * k / steps for a, b in zip(start, end))
    yield tuple(end)  # exactly, not to rounding


def _nearest_angles(robot: RobotModel, pose: Pose, feet: Sequence[Vector]) -> tuple[float, ...]:
    angles: list[float] = []
    for leg, foot in zip(robot.legs, feet_in_base(pose, feet)):
        try:
            angles += inverse(leg, foot)
        except Unreachable as error:
            angles += error.angles
    return tuple(angles)
