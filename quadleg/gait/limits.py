"""How fast a robot can walk in a gait: by the reach of its legs, their clearance and the speed of its servos."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property, lru_cache
from itertools import product
from math import inf

import numpy as np
from numpy.typing import NDArray

from quadleg.gait.steady import SAMPLES, Balance, Strides, angles_of, strides
from quadleg.gait.sway import HARMONICS, basis, sway
from quadleg.kinematics.clearance import Clearance
from quadleg.kinematics.ground_clearance import GroundClearance
from quadleg.kinematics.leg import points_batch
from quadleg.kinematics.planar import STILL, Planar
from quadleg.robot.model import Gait, Robot
from quadleg.safety.limits import LOADED_SPEED_SHARE, joint_steps

Array = NDArray[np.float64]
Signs = tuple[int, int, int]

# What no planned frame exceeds, of the servos' speed without load: the watchdog would slow it.
SPEED_SHARE = LOADED_SPEED_SHARE
_STEADY_SHARE = 0.94  # of that, for a steady velocity: while it changes, feet go farther (most seen: 7 %)
_FASTEST = np.array([0.6, 0.6, 4.0])  # m/s, m/s, rad/s: no robot of this kind gets there
_COARSE, _FINE = 24, 6  # steps, coarse ones from nothing to what no robot does
_HALVINGS = 5
_MARGIN_STEPS = 5
_FRAMES = 4 * SAMPLES  # of a stride, that have to be in reach and slow enough: finer than servo frames are
RAMP_STRIDES = 2.0  # from rest to the full speed
# m: kept besides with a steady velocity, and given up while it changes (most seen: 2.1 mm).
MANOEUVRE = 0.003

# Along an axis, two axes at once, all three: where the limits are found.
DIRECTIONS: tuple[Signs, ...] = tuple((a, b, c) for a, b, c in product((-1, 0, 1), repeat=3) if (a, b, c) != (0, 0, 0))


class WalkingLimits:
    """The fastest twists of one robot in one gait, and the sway that goes with each twist.

    A twist is what the robot can walk where `use` is 1 at most. Limits are found in 26 directions and joined
    by planes between them, on the safe side where the set of good twists is convex. `margin` in m is what
    the sway keeps: that of the gait, or less where the legs cannot do that; None for a gait without sway.
    `footprint` is half of the length and width in m that body and legs take. `trouble` says in words why the robot
    cannot walk in this gait at all; its limits are then nothing.
    """

    def __init__(self, robot: Robot, gait: Gait) -> None:
        self.gait = gait
        self._robot = robot
        self._balance = Balance.of(robot)
        self._clearance = Clearance(robot)
        self._ground = GroundClearance(robot)
        self._standing, self.margin = self._in_place()
        axes = np.array([d for d in DIRECTIONS if np.abs(d).sum() == 1])
        along = self._farthest(axes * _FASTEST, _COARSE)
        # The limit of each axis, backward and forward.
        self.axes = [[0.0, 0.0], [0.0, 0.0], [0.0, 0.0]]
        for direction, share in zip(axes, along.tolist()):
            axis = int(np.flatnonzero(direction)[0])
            self.axes[axis][int(direction[axis] > 0)] = share * float(_FASTEST[axis])
        ends = np.array([self._at(direction) for direction in DIRECTIONS])
        shares = self._farthest(ends, _FINE)
        self.trouble = None if shares.all() else self._remedy()
        if self.trouble:
            self.axes = [[0.0, 0.0], [0.0, 0.0], [0.0, 0.0]]
        self._shares = dict(zip(DIRECTIONS, shares.tolist()))
        sways = self._sway_of(ends * shares[:, None])
        self._sways = dict(zip(DIRECTIONS, sways))
        self._parts = lru_cache(maxsize=8)(self._parts_of)  # of one twist they are asked for several times a tick
        self.footprint = self._footprint(strides(robot, gait, ends * shares[:, None]), sways)

    @cached_property
    def forward(self) -> Planar:
        """The limits forward, to the left and turning left: m/s, m/s, rad/s."""
        x, y, yaw = (ahead for _, ahead in self.axes)
        return x, y, yaw

    @property
    def backward(self) -> Planar:
        """The limits backward, to the right and turning right, all negative."""
        x, y, yaw = (-behind for behind, _ in self.axes)
        return x, y, yaw

    @cached_property
    def acceleration(self) -> Planar:
        """How fast the planned velocity changes at most: m/s², m/s², rad/s²."""
        seconds = RAMP_STRIDES * self.gait.stride_period
        x, y, yaw = (value / seconds for value in self.forward)
        return x, y, yaw

    def in_words(self, gaits: Sequence[str]) -> str:
        """The limits as YAML, with keys that navigation stacks know; `gaits` are all that there are to choose from."""
        lists = {
            "max_velocity": self.forward,
            "min_velocity": self.backward,
            "max_accel": self.acceleration,
            "max_decel": tuple(-value for value in self.acceleration),
        }
        x, y = self.footprint
        corners = ", ".join(f"[{cx:.3f}, {cy:.3f}]" for cx, cy in ((x, y), (x, -y), (-x, -y), (-x, y)))
        lines = [f"gait: {self.gait.name}", f"gaits: [{', '.join(gaits)}]"]
        lines += [f"{key}: [{', '.join(f'{value:.3f}' for value in values)}]" for key, values in lists.items()]
        lines[2] += "  # m/s forward, m/s to the left, rad/s to the left"
        lines.append(f'footprint: "[{corners}]"')
        return "\n".join(lines) + "\n"

    def use(self, twist: Planar) -> float:
        """How much of what is possible in its direction a twist takes: more than 1 is too fast."""
        if self.trouble:
            return 0.0 if twist == STILL else inf
        return sum([part / self._shares[corner] for corner, part in self._parts(twist)])

    def scaled(self, twist: Planar) -> Planar:
        """The twist, or the fastest one in its direction."""
        use = self.use(twist)
        return twist if use <= 1.0 else (twist[0] / use, twist[1] / use, twist[2] / use)

    def sway(self, twist: Planar) -> Array:
        """(2 · HARMONICS, 2) coefficients of the shift for a twist within the limits: see sway.py."""
        if self.trouble or self.margin is None:
            return np.zeros((2 * HARMONICS, 2))
        result, left = np.zeros((2 * HARMONICS, 2)), 1.0
        for corner, part in self._parts(twist):
            share = part / self._shares[corner]
            result, left = result + share * self._sways[corner], left - share
        return result + left * self._standing

    def _parts_of(self, twist: Planar) -> list[tuple[Signs, float]]:
        """The twist as a sum of three corners: Kuhn's triangulation (Am. Math. Monthly 67, 1960, 519; from memory)."""
        sizes = [abs(value) / self.axes[axis][int(value > 0)] for axis, value in enumerate(twist)]
        order = sorted(range(3), key=sizes.__getitem__, reverse=True)
        corner, parts = [0, 0, 0], []
        for axis, following in zip(order, (*order[1:], None)):
            corner[axis] = 1 if twist[axis] > 0 else -1
            part = sizes[axis] - (sizes[following] if following is not None else 0.0)
            if part > 0.0:
                parts.append(((corner[0], corner[1], corner[2]), part))
        return parts

    def _at(self, direction: Signs) -> list[float]:
        return [sign * self.axes[axis][int(sign > 0)] for axis, sign in enumerate(direction)]

    def _in_place(self) -> tuple[Array, float | None]:
        """The sway without going anywhere, and the margin that it keeps within the robot's means."""
        nothing = np.zeros((2 * HARMONICS, 2))
        if self.gait.margin is None:
            return nothing, None
        in_place = np.array([STILL])
        path = strides(self._robot, self.gait, in_place)
        for step in range(_MARGIN_STEPS):
            margin = self.gait.margin * (1 - step / _MARGIN_STEPS)
            found = sway(self._robot, path, self._balance, margin + MANOEUVRE)
            if self._walks(in_place, found)[0]:
                return found[0], margin
        return nothing, 0.0

    def _remedy(self) -> str:
        swing = (1 - self.gait.duty_factor) * self.gait.stride_period
        asked = f"{1000 * self.gait.foot_clearance:g} mm and back in {swing:.2g} s"
        remedy = "lower foot_clearance_mm, or raise stride_period_s"
        return f"gaits.{self.gait.name}: the legs cannot lift a foot by {asked} and go anywhere: {remedy}"

    def _sway_of(self, twists: Array) -> Array:
        if self.margin is None:
            return np.zeros((len(twists), 2 * HARMONICS, 2))
        path = strides(self._robot, self.gait, twists)
        return sway(self._robot, path, self._balance, self.margin + MANOEUVRE)

    def _farthest(self, ends: Array, steps: int) -> Array:
        """The largest share of each twist (n, 3), up to 1, below which the robot walks with every share tried."""
        good, on = np.zeros(len(ends)), np.ones(len(ends), dtype=bool)
        for share in np.arange(1, steps + 1) / steps:
            on[on] = self._walk(ends[on] * share)
            if not on.any():
                break
            good[on] = share
        bad = np.minimum(good + 1 / steps, 1.0)
        for _ in range(_HALVINGS):
            share = (good + bad) / 2
            walks = self._walk(ends * share[:, None])
            good, bad = np.where(walks, share, good), np.where(walks, bad, share)
        return good

    def _walk(self, twists: Array) -> NDArray[np.bool_]:
        return self._walks(twists, self._sway_of(twists))

    def _footprint(self, path: Strides, sways: Array) -> tuple[float, float]:
        """Half of the length and width in m of a box over the ground that body and legs stay in."""
        shifts = (basis(np.arange(SAMPLES) / SAMPLES) @ sways).reshape(-1, 1, 2)
        angles, _ = angles_of(self._robot, path.feet.reshape(-1, 4, 3), shifts[:, 0])
        x, y = (abs(c) + size / 2 for c, size in zip(self._robot.body.centre, self._robot.body.size[:2]))
        reach = np.array([x, y]) + np.abs(shifts).max(axis=(0, 1))
        for i, leg in enumerate(self._robot.legs):
            places = np.abs(points_batch(leg, angles[:, 3 * i : 3 * i + 3])[..., :2] + shifts).max(axis=(0, 1))
            reach = np.maximum(reach, places + max(leg.link_radius, leg.foot_radius))
        return float(reach[0]), float(reach[1])

    def _walks(self, twists: Array, sways: Array) -> NDArray[np.bool_]:
        """(n,) whether all frames are in reach, apart, off the ground, and no faster than the servos are under load.

        Links keep the robot's clearance from the ground, too: legs give way by millimetres under the body.
        """
        count = len(twists)
        feet = strides(self._robot, self.gait, twists, _FRAMES).feet
        shifts = basis(np.arange(_FRAMES) / _FRAMES) @ sways
        angles, reached = angles_of(self._robot, feet.reshape(-1, 4, 3), shifts.reshape(-1, 2))
        good = reached.reshape(count, _FRAMES).all(axis=1)
        angles = angles.reshape(count, _FRAMES, -1)
        turns = np.abs(np.roll(angles, -1, axis=1) - angles).max(axis=1)
        most = _STEADY_SHARE * np.array(joint_steps(self._robot, self.gait.stride_period / _FRAMES))
        good &= (turns <= most).all(axis=1)
        if good.any():
            some = angles[good, :: _FRAMES // SAMPLES].reshape(-1, angles.shape[2])
            least = np.minimum(
                self._clearance.least_batch(some), self._ground.least_batch(some, self._robot.standing.height)
            )
            good[good] = least.reshape(-1, SAMPLES).min(axis=1) >= self._robot.clearance
        return good
