"""A body pose that follows a target with limited speed and acceleration."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import atan2, ceil, cos, hypot, sin, sqrt

from quadleg.kinematics.body import Pose, Quaternion, quaternion_product

_BISECTIONS = 10
_REST = (0.0,) * 6


class Approach:
    """Moves a pose towards a target so that all six axes arrive together.

    The way is one straight line of the 6-vector (remaining shift / speed, remaining rotation vector / turn
    speed), in s: its velocity stays within 1 and its acceleration within 1 / acceleration_time. So the pose
    keeps to `speed` (m/s) and `turn_speed` (rad/s), and takes `acceleration_time` (s) to reach them. A new
    target in mid-move bends the way without a step in velocity.

    Raises ValueError if one of the three is not positive.
    """

    def __init__(self, pose: Pose, speed: float, turn_speed: float, acceleration_time: float) -> None:
        if not (speed > 0 and turn_speed > 0 and acceleration_time > 0):
            raise ValueError(
                f"speed {speed}, turn_speed {turn_speed} and acceleration_time {acceleration_time} "
                "must all be greater than zero"
            )
        self._scale = (*[speed] * 3, *[turn_speed] * 3)
        self._acceleration_time = acceleration_time
        self.reset(pose)

    @property
    def pose(self) -> Pose:
        """The pose of the last step."""
        return self._pose

    @property
    def moving(self) -> bool:
        """Whether the last step moved the pose."""
        return any(self._velocity)

    def reset(self, pose: Pose) -> None:
        """Be at `pose`, at rest."""
        self._pose = pose
        self._velocity: Sequence[float] = _REST

    def step(self, target: Pose, dt: float, reachable: Callable[[Pose], bool] | None = None) -> Pose:
        """The pose `dt` seconds later; steps of even `dt` end exactly at the target and never beyond.

        Where `reachable` refuses that pose, the step ends as near to it as it can, and there the motion
        stops; it goes on as soon as a step towards the target is allowed. At rest a refusal costs one call,
        and at the target nothing is asked.
        """
        if self._pose == target and not self.moving:
            return self._pose
        remaining = [shift / scale for shift, scale in zip(_displacement(self._pose, target), self._scale)]
        distance = hypot(*remaining)
        gain = dt / self._acceleration_time
        closing = _closing_speed(distance, gain, dt) / distance if distance else 0.0
        change = [closing * axis - speed for axis, speed in zip(remaining, self._velocity)]
        excess = hypot(*change) / gain
        share = 1.0 / max(excess, 1.0)
        velocity = [speed + share * axis for speed, axis in zip(self._velocity, change)]
        arrives = excess <= 1 and distance <= min(gain, 1.0) * dt

        shift = [speed * scale * dt for speed, scale in zip(velocity, self._scale)]
        following = target if arrives else _moved(self._pose, shift)
        if reachable is None or reachable(following):
            self._pose, self._velocity = following, velocity
        else:
            if self.moving:
                self._pose = self._farthest(shift, reachable)
            self._velocity = _REST
        return self._pose

    def _farthest(self, shift: Sequence[float], reachable: Callable[[Pose], bool]) -> Pose:
        """The farthest reachable pose along a shift whose end is not, to a thousandth of it."""
        good, bad, pose = 0.0, 1.0, self._pose
        for _ in range(_BISECTIONS):
            middle = (good + bad) / 2
            candidate = _moved(self._pose, [middle * axis for axis in shift])
            if reachable(candidate):
                good, pose = middle, candidate
            else:
                bad = middle
        return pose


def _closing_speed(distance: float, gain: float, dt: float) -> float:
    """The greatest speed, up to 1, from which steps that each lose at most `gain` end at `distance`.

    In n steps that lose `gain` each, the distance is n speed dt − gain dt n (n − 1) / 2.
    """
    if distance > dt * (1 + 1 / gain):  # more than braking from full speed takes
        return 1.0
    loss = gain * dt
    steps = max(1, ceil((sqrt(1 + 8 * distance / loss) - 1) / 2))
    return min(1.0, (distance / steps + loss * (steps - 1) / 2) / dt)


def _displacement(start: Pose, end: Pose) -> tuple[float, ...]:
    """(6,) shift in m and rotation vector in rad, both in the fixed frame, from one pose to another."""
    qw, qx, qy, qz = start.quaternion
    w, x, y, z = quaternion_product(end.quaternion, (qw, -qx, -qy, -qz))
    if w < 0:  # the same rotation, the short way round
        w, x, y, z = -w, -x, -y, -z
    norm = hypot(x, y, z)
    factor = 2 * atan2(norm, w) / norm if norm else 2.0
    shift = (b - a for a, b in zip(start.position, end.position))
    return (*shift, factor * x, factor * y, factor * z)


def _moved(pose: Pose, displacement: Sequence[float]) -> Pose:
    """The pose displaced by (6,) as `_displacement` gives it."""
    dx, dy, dz, rx, ry, rz = displacement
    x, y, z = pose.position
    angle = hypot(rx, ry, rz)
    factor = sin(angle / 2) / angle if angle else 0.5
    turn: Quaternion = (cos(angle / 2), factor * rx, factor * ry, factor * rz)
    return Pose((x + dx, y + dy, z + dz), quaternion_product(turn, pose.quaternion))
