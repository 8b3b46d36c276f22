"""How fast a robot can walk in a gait: the fastest twists whose strides its legs and servos can follow."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property, lru_cache
from itertools import product
from math import hypot, inf, pi

import numpy as np

from quadleg.dynamics.gravity import KG_CM
from quadleg.dynamics.servo_motors import ServoMotors
from quadleg.gait.steady_strides import SAMPLES, Balance, Strides, angles_of, strides
from quadleg.gait.stride_feasibility import SPEED_SHARE, StrideFeasibility, StrideObstacle
from quadleg.gait.sway import HARMONICS, basis
from quadleg.gait.walk_obstacles import Obstacle, StrideTrouble
from quadleg.geometry.arrays import Array
from quadleg.geometry.planar import ZERO_TWIST, Planar
from quadleg.health import CodedFact
from quadleg.kinematics.leg import points_batch
from quadleg.robot.model import JOINT_NAMES, GaitParameters, RobotModel

Signs = tuple[int, int, int]

_COARSE, _FINE = 16, 4  # steps, coarse ones from nothing to what no leg does
_HALVINGS = 6
_MARGIN_STEPS = 5
_LEANS = (1.0, 0.5, 0.0)  # shares of the lean that centres the mass, the first that the legs can do
_UPRIGHT = 0.015  # of the straight leg: a centre of mass less far off the middle of the feet is left there
RAMP_STRIDES = 2.0  # from rest to the full speed

_TROUBLES = {
    StrideObstacle.BALANCE: StrideTrouble.NO_BALANCE,
    StrideObstacle.CLEARANCE: StrideTrouble.NO_CLEARANCE,
    StrideObstacle.GROUND: StrideTrouble.TOUCHES_GROUND,
}

# Along an axis, two axes at once, all three: where the limits are found.
DIRECTIONS: tuple[Signs, ...] = tuple((a, b, c) for a, b, c in product((-1, 0, 1), repeat=3) if (a, b, c) != (0, 0, 0))


class WalkingLimits:
    """The fastest twists over the ground of one robot in one gait, and the sway that goes with each twist.

    A twist is what the robot can walk where `use` is 1 at most. Limits are found in 26 directions and joined
    by planes between them, on the safe side where the set of good twists is convex. A limit may be nothing: such a
    robot walks ahead and not sideways, say. `margin` in m is what the sway keeps: that of the gait, or less where the
    legs cannot do that; None for a gait without sway. `lean` (x, y) in m is how far the body is shifted all the time
    that it walks, where its centre of mass is off the middle of its feet. `footprint` is half of the length and width
    in m that body and legs take. Where the robot cannot walk in this gait at all, `obstacle` is what keeps it from
    that, `trouble` the same with its figures, and its limits are nothing.
    """

    def __init__(self, robot: RobotModel, gait: GaitParameters) -> None:
        self.gait = gait
        self._robot = robot
        self.lean, self._feasible, self._standing, self.margin = self._in_place()
        axes = np.array([d for d in DIRECTIONS if np.abs(d).sum() == 1])
        unreached = _unreached(robot, gait) * gait.way_scale
        along = self._farthest(axes * unreached, _COARSE)
        # The limit of each axis, backward and forward.
        self.axes = [[0.0, 0.0], [0.0, 0.0], [0.0, 0.0]]
        for direction, share in zip(axes, along.tolist()):
            axis = int(np.flatnonzero(direction)[0])
            self.axes[axis][int(direction[axis] > 0)] = share * float(unreached[axis])
        ends = np.array([self._at(direction) for direction in DIRECTIONS])
        corners = np.array([np.abs(direction).sum() > 1 for direction in DIRECTIONS])
        shares = np.ones(len(DIRECTIONS))
        shares[corners] = self._without_gaps(self._farthest(ends[corners], _FINE))
        self.obstacle: StrideObstacle | None = None
        self.trouble: CodedFact | None = None
        if not any(map(any, self.axes)):
            self.obstacle = self._first_obstacle()
            self.trouble = self._trouble(self.obstacle)
        self._shares = dict(zip(DIRECTIONS, shares.tolist()))
        path = strides(robot, gait, ends * shares[:, None])
        sways = self._feasible.sways(path, self.margin)
        self._sways = dict(zip(DIRECTIONS, sways))
        self._parts = lru_cache(maxsize=8)(self._parts_of)  # of one twist they are asked for several times a tick
        self.footprint = self._footprint(path, sways)

    @property
    def cannot_walk(self) -> CodedFact | None:
        """Return that the robot cannot walk in this gait, caused by `trouble`; None if it can."""
        return CodedFact.of(Obstacle.CANNOT_WALK, self.trouble, gait=self.gait.name) if self.trouble else None

    @cached_property
    def forward(self) -> Planar:
        """The limits forward, to the left and turning left: m/s, m/s, rad/s."""
        x, y, yaw = (ahead for _, ahead in self.axes)
        return x, y, yaw

    @property
    def backward(self) -> Planar:
        """The limits backward, to the right and turning right, all negative."""
        x, y, yaw = (0.0 - behind for behind, _ in self.axes)
        return x, y, yaw

    @cached_property
    def acceleration(self) -> Planar:
        """How fast the planned velocity changes at most: m/s², m/s², rad/s²."""
        seconds = RAMP_STRIDES * self.gait.stride_period
        x, y, yaw = ((ahead or behind) / seconds for behind, ahead in self.axes)
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
        """How much of what is possible in its direction a twist takes: more than 1 is too fast, infinity impossible."""
        if self.possible(twist) != twist:
            return inf
        return sum([part / self._shares[corner] for corner, part in self._parts(twist)])

    def possible(self, twist: Planar) -> Planar:
        """The twist without the directions in which the robot cannot walk at all."""
        x, y, yaw = (value if limits[int(value > 0)] else 0.0 for value, limits in zip(twist, self.axes))
        return x, y, yaw

    def scaled(self, twist: Planar) -> Planar:
        """The twist, or the fastest one in its direction, without the directions that are not possible."""
        twist = self.possible(twist)
        use = self.use(twist)
        return twist if use <= 1.0 else (twist[0] / use, twist[1] / use, twist[2] / use)

    def use_of_change(self, twist: Planar, wanted: Planar) -> float:
        """As `use`, of the change from one possible twist to another. What brakes counts against the limit of the way
        that the robot goes, not against that of the way back, which may be far lower or zero.
        """
        changes = [b - a for a, b in zip(twist, wanted)]
        x, y, yaw = (-change if now * change < 0.0 else change for now, change in zip(twist, changes))
        return self.use((x, y, yaw))

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
        """The twist as a sum of three corners: the Kuhn simplex whose permutation sorts the sizes."""
        sizes = [abs(value) / limits[int(value > 0)] if value else 0.0 for value, limits in zip(twist, self.axes)]
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

    def _in_place(self) -> tuple[tuple[float, float], StrideFeasibility, Array, float | None]:
        """How the robot steps in place: its lean, what goes with that, sway and margin.

        Leaning so far may be out of its reach: then less far, or, where nothing does, as if it could.
        """
        robot, gait, in_place = self._robot, self.gait, np.array([ZERO_TWIST])
        path, margin = strides(robot, gait, in_place), gait.margin
        lean = Balance.of(robot).lean
        leg = robot.legs[0]
        shares = _LEANS if np.hypot(*lean) > _UPRIGHT * (leg.upper_length + leg.lower_length) else _LEANS[-1:]
        margins = [margin and margin * (1 - step / _MARGIN_STEPS) for step in range(_MARGIN_STEPS if margin else 1)]
        leans = [share * lean for share in shares]
        tried = [StrideFeasibility(robot, gait, lean) for lean in leans]
        choices = product(range(len(leans)), margins)
        good = (choice for choice in choices if tried[choice[0]].walks(in_place, choice[1])[0])
        which, some = next(good, (0, margin and 0.0))
        x, y = leans[which].tolist()
        return (x, y), tried[which], tried[which].sways(path, some)[0], some

    def _without_gaps(self, shares: Array) -> Array:
        """Shares of which none is nothing: a robot that walks along its axes may hardly do so along two at once."""
        return np.maximum(shares, 1.0 / (_FINE << _HALVINGS))

    def _first_obstacle(self) -> StrideObstacle:
        """Return the first obstacle to walking in any direction."""
        slow = np.array([ZERO_TWIST, (1e-4, 0.0, 0.0)])
        found = (self._feasible.first_obstacle(twist, self.margin) for twist in slow)
        return next(filter(None, found), StrideObstacle.REACH)

    def _trouble(self, obstacle: StrideObstacle) -> CodedFact:
        """Return that obstacle as a code with its figures."""
        gait = self.gait
        if obstacle is StrideObstacle.TORQUE:
            effort = self._feasible.hardest(np.array(ZERO_TWIST), self.margin)
            joint = self._robot.joints[JOINT_NAMES.index(effort.joint)]
            has, sheet = self._robot.stall_torque(joint), joint.servo.kind.stall_torque / KG_CM  # sheet: kg·cm
            needs = effort.stall_torque_needed
            return CodedFact.of(
                StrideTrouble.NO_TORQUE,
                joint=effort.joint,
                needed_kg_cm=f"{sheet * needs / has:.3g}",
                needed_nm=f"{needs:.3g}",
                has_kg_cm=f"{sheet:.3g}",
                has_nm=f"{has:.3g}",
            )
        if obstacle in _TROUBLES:
            return CodedFact.of(_TROUBLES[obstacle])
        swing = (1 - gait.duty_factor) * gait.stride_period
        lift = f"{1000 * gait.foot_clearance:.3g}"
        return CodedFact.of(StrideTrouble.NO_LIFT, foot_clearance_mm=lift, swing_s=f"{swing:.2g}")

    def _farthest(self, ends: Array, steps: int) -> Array:
        """The largest share of each twist (n, 3), up to 1, below which the robot walks with every share tried."""
        good, on = np.zeros(len(ends)), np.ones(len(ends), dtype=bool)
        for share in np.arange(1, steps + 1) / steps:
            on[on] = self._feasible.walks(ends[on] * share, self.margin)
            if not on.any():
                break
            good[on] = share
        bad = np.minimum(good + 1 / steps, 1.0)
        for _ in range(_HALVINGS):
            share = (good + bad) / 2
            walks = self._feasible.walks(ends * share[:, None], self.margin)
            good, bad = np.where(walks, share, good), np.where(walks, bad, share)
        return good

    def _footprint(self, path: Strides, sways: Array) -> tuple[float, float]:
        """Half of the length and width in m of a box over the ground that body and legs stay in."""
        shifts = (basis(np.arange(SAMPLES) / SAMPLES) @ sways + self.lean).reshape(-1, 1, 2)
        angles, _ = angles_of(self._robot, path.feet.reshape(-1, 4, 3), shifts[:, 0])
        x, y = (abs(c) + size / 2 for c, size in zip(self._robot.body.centre, self._robot.body.size[:2]))
        reach = np.array([x, y]) + np.abs(shifts).max(axis=(0, 1))
        for i, leg in enumerate(self._robot.legs):
            places = np.abs(points_batch(leg, angles[:, 3 * i : 3 * i + 3])[..., :2] + shifts).max(axis=(0, 1))
            reach = np.maximum(reach, places + max(leg.link_radius, leg.foot_radius))
        return float(reach[0]), float(reach[1])


def _unreached(robot: RobotModel, gait: GaitParameters) -> Array:
    """A twist (m/s, m/s, rad/s) of which no component is possible, by the legs' length and the servos' speed."""
    leg, home = robot.legs[0], robot.standing.feet[0]
    straight = leg.upper_length + leg.lower_length
    drop = robot.standing.height - leg.foot_radius
    # While it stands, a foot goes from one end to the other of what the straight leg reaches on the ground.
    reach = 2 * max(hypot(straight, leg.hip_offset) ** 2 - drop * drop, 0.0) ** 0.5
    by_reach = reach / (gait.duty_factor * gait.stride_period)
    # While it is in the air it comes back, with hip and knee at their fastest.
    foot_speed = SPEED_SHARE * float(ServoMotors.of(robot).no_load_speed.max()) * (straight + leg.lower_length)
    by_servos = foot_speed * (1 - gait.duty_factor) / gait.duty_factor
    speed = max(min(by_reach, by_servos), 1e-3)
    return np.array([speed, speed, min(speed / hypot(home[0], home[1]), pi / gait.stride_period)])
