"""A body pose that follows a target with limited speed and acceleration."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import ceil, hypot, sqrt

from quadleg.geometry.rotations import (
    conjugate,
    quaternion_from_rotation_vector,
    quaternion_product,
    rotation_vector,
)
from quadleg.geometry.transforms import Pose

_BISECTIONS = 10
_REST = (0.0,) * 6
_ALL = (True,) * 6
_NOTHING = 1e-4  # s at full speed (6 µm): an axis so near to its goal has arrived


class Approach:
    """Moves a pose towards a target so that all six axes arrive together.

    The way is one straight line of the 6-vector (remaining shift / speed, remaining rotation vector / turn
    speed), in s: its velocity stays within 1 and its acceleration within 1 / acceleration_time. So the pose
    keeps to `speed` (m/s) and `turn_speed` (rad/s), and takes `acceleration_time` (s) to reach them. A new
    target in mid-move bends the way without a step in velocity.

    Where that line leads out of reach, the axes that can go on by themselves do so: it ends where no axis alone
    comes nearer to the target. There it is `stuck`.

    `pose` is that of the last step. Raises ValueError if one of the three is not positive.
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
    def moving(self) -> bool:
        """Whether the last step moved the pose."""
        return any(self._velocity)

    def reset(self, pose: Pose) -> None:
        """Be at `pose`, at rest."""
        self.pose = pose
        self._velocity: Sequence[float] = _REST
        self._target = pose
        self._axes: Sequence[bool] = _ALL  # those that move
        self._next = 0  # of the axes that are tried in turn while stuck
        self.stuck = False

    def left(self, target: Pose) -> tuple[float, ...]:
        """(6,) what is left of the way: shift in m and rotation vector in rad, in the fixed frame."""
        return _displacement(self.pose, target)

    def step(self, target: Pose, dt: float, reachable: Callable[[Pose], bool] | None = None) -> Pose:
        """The pose `dt` seconds later; steps of even `dt` end exactly at the target and never beyond.

        Where `reachable` refuses that pose, the step ends as near to it as it can, and there the motion stops;
        it goes on, with all axes or with some, as soon as a step towards the target is allowed. Stuck, it asks
        for two poses a step, and at the target for none.
        """
        if self.pose == target and not self.moving:
            self.stuck = False
            return self.pose
        changed, self._target = target != self._target, target
        left = [shift / scale for shift, scale in zip(self.left(target), self._scale)]
        # A new target may free all axes.
        if changed or self._axes == _ALL:
            if self._went(left, _ALL, dt, reachable):
                return self.pose
            if self._axes == _ALL and not self.moving:
                self._go_alone(left, changed, dt, reachable)
                return self.pose
        if self._axes == _ALL or not self._went(left, self._axes, dt, reachable):
            self._halt(left, dt, reachable)
        return self.pose

    def _went(
        self, left: Sequence[float], axes: Sequence[bool], dt: float, reachable: Callable[[Pose], bool] | None
    ) -> bool:
        """Move some axes on, if that is allowed."""
        shift, velocity, arrives = self._next_shift(left, axes, dt)
        following = self._target if arrives and all(axes) else _moved(self.pose, shift)
        if reachable is not None and not reachable(following):
            return False
        self.pose, self._velocity = following, velocity
        self._axes = tuple(axes) if self.moving else _ALL
        self.stuck = False
        return True

    def _next_shift(
        self, left: Sequence[float], axes: Sequence[bool], dt: float
    ) -> tuple[list[float], list[float], bool]:
        """The coming step's shift (6,), the velocity with it, and whether it arrives."""
        remaining = left if all(axes) else [a if on and abs(a) > _NOTHING else 0.0 for a, on in zip(left, axes)]
        distance = hypot(*remaining)
        gain = dt / self._acceleration_time
        closing = _closing_speed(distance, gain, dt) / distance if distance else 0.0
        change = [closing * axis - speed for axis, speed in zip(remaining, self._velocity)]
        excess = hypot(*change) / gain
        share = 1.0 / max(excess, 1.0)
        velocity = [speed + share * axis for speed, axis in zip(self._velocity, change)]
        if excess <= 1 and distance <= min(gain, 1.0) * dt:
            return [axis * scale for axis, scale in zip(remaining, self._scale)], velocity, True
        return [speed * scale * dt for speed, scale in zip(velocity, self._scale)], velocity, False

    def _go_alone(
        self, left: Sequence[float], changed: bool, dt: float, reachable: Callable[[Pose], bool] | None
    ) -> None:
        """From rest, go on with the axes that can; while stuck, try one of them in each step."""
        wanted = [axis for axis in range(6) if abs(left[axis]) > _NOTHING]
        if self.stuck and not changed and wanted:
            self._next += 1
            wanted = [wanted[self._next % len(wanted)]]
        free = [axis for axis in wanted if self._may(left, axis, dt, reachable)]
        farthest = sorted(free, key=lambda axis: -abs(left[axis]))[:1]
        self.stuck = not any(
            self._went(left, [axis in some for axis in range(6)], dt, reachable) for some in (free, farthest) if some
        )

    def _may(self, left: Sequence[float], axis: int, dt: float, reachable: Callable[[Pose], bool] | None) -> bool:
        shift, _, _ = self._next_shift(left, [number == axis for number in range(6)], dt)
        return reachable is None or reachable(_moved(self.pose, shift))

    def _halt(self, left: Sequence[float], dt: float, reachable: Callable[[Pose], bool] | None) -> None:
        """Stop as far on as is allowed."""
        if reachable is not None:
            shift, _, _ = self._next_shift(left, self._axes, dt)
            self.pose = self._farthest(shift, reachable)
        self._velocity, self._axes = _REST, _ALL

    def _farthest(self, shift: Sequence[float], reachable: Callable[[Pose], bool]) -> Pose:
        """The farthest reachable pose along a shift whose end is not, to a thousandth of it."""
        good, bad, pose = 0.0, 1.0, self.pose
        for _ in range(_BISECTIONS):
            middle = (good + bad) / 2
            candidate = _moved(self.pose, [middle * axis for axis in shift])
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
    shift = (b - a for a, b in zip(start.position, end.position))
    return (*shift, *rotation_vector(quaternion_product(end.quaternion, conjugate(start.quaternion))))


def _moved(pose: Pose, displacement: Sequence[float]) -> Pose:
    """The pose displaced by (6,) as `_displacement` gives it."""
    dx, dy, dz, rx, ry, rz = displacement
    x, y, z = pose.position
    turn = quaternion_from_rotation_vector((rx, ry, rz))
    return Pose((x + dx, y + dy, z + dz), quaternion_product(turn, pose.quaternion))
