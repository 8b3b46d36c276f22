"""From a body velocity to foot positions: which foot stands where, which is in the air, and how the body shifts.

The plan is kept in a frame that stays on the ground, where base_footprint goes about with the planned
velocity: so a foot in stance has one place from landing to lift-off, whatever the velocity does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, hypot, isfinite, sin

from quadleg.dynamics.load_sharing import share_weight
from quadleg.errors import TargetError
from quadleg.gait.body_shift import RESTING_SHIFT, BodyShift
from quadleg.gait.schedule import first_lift_off, since_landing
from quadleg.gait.stability import static_margin
from quadleg.gait.steady_strides import Balance
from quadleg.gait.swing import advance, lift, towards
from quadleg.gait.walking_limits import RAMP_STRIDES, WalkingLimits
from quadleg.geometry.planar import ZERO_TWIST, Planar, compose_planar, from_frame, motion, to_frame
from quadleg.geometry.vectors import Vector
from quadleg.robot.model import LEGS, RobotModel

AT_HOME = 0.0005  # m: a foot this close to its place in the square stance need not step
SETTLED = 0.75  # of the time in the air; from then on the landing place is fixed
HUGE = 1e6  # m/s or rad/s: larger numbers are clipped to this, so that no sum overflows
LATE = 1.5  # ticks after its lift-off a foot stays down for this stride


@dataclass(frozen=True)
class GaitPlan:
    """One tick of the plan, in base_footprint: foot centres (m) with their velocities (m/s), in the order of `LEGS`,
    the share of the robot's weight that each foot carries (0 in the air), the body's shift (x, y) in m, and the twist
    over the ground of base_footprint itself; None: not told.
    """

    feet: tuple[Vector, ...]
    velocities: tuple[Vector, ...]
    loads: tuple[float, ...]
    shift: tuple[float, float]
    twist: Planar | None = None


@dataclass
class _Air:
    """A foot in the air: where it left, where it was to land then, how far it has `moved` from that path and with
    what speed, and how far it is `asked` to move in the end, since the velocity has changed (x and y).
    """

    start: tuple[float, float]
    end: tuple[float, float]
    moved: list[float]
    speed: list[float]
    asked: tuple[float, float]


class Planner:
    """Plans one tick (`period` s) after another: see `step`.

    `twist` is the planned velocity over the ground. Strides are made by `GaitParameters.stride_twist` of it, since legs
    give way and slip, and `place` is the place and heading to which strides lead that do not, since the beginning.
    `walking` is whether a foot may lift off. Feet begin, and end, in the square stance of the robot file.
    """

    def __init__(self, robot: RobotModel, limits: WalkingLimits, period: float) -> None:
        self._robot = robot
        self._period = period
        self._balance = Balance.of(robot)
        self._offset = self._balance.offset.tolist()
        self._home = tuple((x, y) for x, y, _ in robot.standing.feet)
        self._ground = robot.legs[0].foot_radius
        self.limits = limits
        self._next: WalkingLimits | None = None
        self._wanted = ZERO_TWIST
        self.twist = self._stride_twist = ZERO_TWIST
        self.place = ZERO_TWIST
        self._down = list(self._home)
        self._air: list[_Air | None] = [None] * len(LEGS)
        self._be_at(0.0)
        self.walking = False
        self._goal = ZERO_TWIST  # what is wanted, or nothing while the gait is to change
        self._shift = BodyShift(limits, self._home, period)

    # What is asked

    def walk(self, twist: Planar) -> float:
        """Ask for a velocity; return the share that it takes of what is possible in its direction.

        A share above 1 is scaled to 1; directions in which the robot cannot walk at all are ignored.

        Raises TargetError if a number is not finite, and keeps the previous velocity.
        """
        if not all(map(isfinite, twist)):
            raise TargetError(f"the velocity is {twist}; it must be three finite numbers in m/s, m/s and rad/s")
        huge = max(1.0, *(abs(value) / HUGE for value in twist))
        twist = twist[0] / huge, twist[1] / huge, twist[2] / huge
        use = self.limits.use(twist)
        self._wanted = self.limits.scaled(twist)
        return use

    def change(self, limits: WalkingLimits) -> None:
        """Ask for another gait: the robot first comes to a square stance."""
        self._next = None if limits is self.limits else limits

    def stand_on(self, feet: Sequence[Vector]) -> None:
        """Be at rest over feet (m, in base_footprint) that are all on the ground, wherever they are."""
        places = [(x, y) for x, y, _ in feet]
        near = all(hypot(x - a, y - b) < AT_HOME for (x, y), (a, b) in zip(places, self._home))
        places = list(self._home) if near else places
        self._down = [from_frame(self.place, x, y) for x, y in places]
        self._air = [None] * len(LEGS)
        self._wanted = self.twist = self._stride_twist = ZERO_TWIST
        self.walking = False
        self._shift.rest()

    # What is planned

    @property
    def settled(self) -> bool:
        """Whether the feet stand and the body is not on its way back from its sway."""
        return not self.walking and self._shift.left <= 0.0

    @property
    def gait_changes(self) -> bool:
        """Whether another gait is asked for than the present one."""
        return self._next is not None

    def step(self) -> GaitPlan:
        """Plan one period."""
        if self._next and not self.walking:
            self.limits, self._next = self._next, None
            self._shift.take(self.limits)
        self._goal = ZERO_TWIST if self._next else self._wanted
        if not (self.walking or self.limits.trouble or (self._stops() and self._at_home())):
            self.walking = True
            self._be_at(first_lift_off(self.limits.gait))
            self._shift.begin()
        shift = self._shift
        shifting = shift.left > 0.0
        if self.walking and not shifting:
            self._go()
        feet, velocities = self._feet()
        if shifting or self.walking:
            goal = shift.sway(feet, self.twist, self._phase, self._since) if self.walking else RESTING_SHIFT
            if shifting:
                shift.go_towards(goal)
            else:
                shift.now = goal
                if self._stops() and self._at_home():
                    self.walking = False
                    shift.end()
        return GaitPlan(feet, velocities, self._loads(feet), shift.now[:2], self.twist)

    def margin(self, lean: tuple[float, float] = (0.0, 0.0)) -> float:
        """The static margin in m of the last plan, with the body leaning by (x, y) m besides."""
        feet, _ = self._feet()
        x, y = self._centre(feet)
        standing = [foot[:2] for foot, air in zip(feet, self._air) if air is None]
        follows = self._balance.follows
        return static_margin(standing, (x + follows * lean[0], y + follows * lean[1]))

    def _stops(self) -> bool:
        return self.twist == ZERO_TWIST and self._goal == ZERO_TWIST

    def _at_home(self) -> bool:
        """Whether the feet are on the ground in the square stance."""
        if any(self._air):
            return False
        homes = (from_frame(self.place, *home) for home in self._home)
        return all(hypot(x - a, y - b) < AT_HOME for (x, y), (a, b) in zip(self._down, homes))

    def _go(self) -> None:
        gait = self.limits.gait
        self.twist = self._ramped(self._goal)
        before, self._stride_twist = self._stride_twist, gait.stride_twist(self.twist)
        mean = tuple((a + b) / 2 for a, b in zip(before, self._stride_twist))
        self.place = compose_planar(self.place, motion((mean[0], mean[1], mean[2]), self._period))
        self._be_at((self._phase + self._period / gait.stride_period) % 1.0)
        for leg in range(len(LEGS)):
            self._move(leg)

    def _be_at(self, phase: float) -> None:
        """Set the phase of the stride, and with it the share of a stride since each foot landed."""
        self._phase = phase
        self._since = [since_landing(self.limits.gait, leg, phase) for leg in range(len(LEGS))]

    def _ramped(self, wanted: Planar) -> Planar:
        """Return the twist one period closer to the goal, within the acceleration limit."""
        if self.twist == wanted:
            return wanted
        change = tuple(b - a for a, b in zip(self.twist, wanted))
        share = self.limits.use_of_change(self.twist, wanted)
        most = self._period / (RAMP_STRIDES * self.limits.gait.stride_period)
        if share <= most:
            return wanted
        x, y, yaw = (a + d * most / share for a, d in zip(self.twist, change))
        return self.limits.scaled((x, y, yaw))  # a path between two twists within the limits may leave them

    def _move(self, leg: int) -> None:
        gait = self.limits.gait
        since, air = self._since[leg], self._air[leg]
        if since < gait.duty_factor:
            if air:
                self._down[leg] = (air.end[0] + air.asked[0], air.end[1] + air.asked[1])
                self._air[leg] = None
            return
        share = (since - gait.duty_factor) / (1 - gait.duty_factor)
        left = (1 - share) * (1 - gait.duty_factor) * gait.stride_period
        landing = self._landing(leg, left)
        if air is None:
            start = self._down[leg]
            at_home = hypot(landing[0] - start[0], landing[1] - start[1]) < AT_HOME
            late = left < (1 - gait.duty_factor) * gait.stride_period - LATE * self._period
            if not late and not (at_home and self._stops()):
                self._air[leg] = _Air(start, landing, [0.0, 0.0], [0.0, 0.0], (0.0, 0.0))
            return
        if share < SETTLED:
            air.asked = landing[0] - air.end[0], landing[1] - air.end[1]
        for axis in (0, 1):
            air.moved[axis], air.speed[axis] = towards(
                air.moved[axis], air.speed[axis], air.asked[axis], left + self._period, self._period
            )

    def _landing(self, leg: int, left: float) -> tuple[float, float]:
        """Where a foot has to land in `left` s, so that halfway through its stance it is under its hip."""
        half = self.limits.gait.duty_factor * self.limits.gait.stride_period / 2
        return from_frame(compose_planar(self.place, motion(self._stride_twist, left + half)), *self._home[leg])

    def _feet(self) -> tuple[tuple[Vector, ...], tuple[Vector, ...]]:
        """Foot centres in base_footprint, and their velocities."""
        vx, vy, turn = self._stride_twist
        c, s = cos(self.place[2]), sin(self.place[2])
        feet: list[Vector] = []
        velocities: list[Vector] = []
        for leg, air in enumerate(self._air):
            if air is None:
                x, y = to_frame(self.place, *self._down[leg])
                feet.append((x, y, self._ground))
                velocities.append((turn * y - vx, -turn * x - vy, 0.0))
            else:
                (gx, gy, height), (gvx, gvy, climb) = self._in_air(leg, air)
                x, y = to_frame(self.place, gx, gy)
                feet.append((x, y, self._ground + height))
                velocities.append((c * gvx + s * gvy + turn * y - vx, c * gvy - s * gvx - turn * x - vy, climb))
        return tuple(feet), tuple(velocities)

    def _in_air(self, leg: int, air: _Air) -> tuple[Vector, Vector]:
        """Place and velocity of a foot in the air, in the frame on the ground."""
        gait = self.limits.gait
        seconds = (1 - gait.duty_factor) * gait.stride_period
        share = (self._since[leg] - gait.duty_factor) / (1 - gait.duty_factor)
        (way, rate), (height, climb) = advance(share), lift(share)
        (ax, ay), (bx, by) = air.start, air.end
        place = ax + (bx - ax) * way + air.moved[0], ay + (by - ay) * way + air.moved[1], gait.foot_clearance * height
        speed = rate / seconds
        velocity = (bx - ax) * speed + air.speed[0], (by - ay) * speed + air.speed[1]
        return place, (*velocity, gait.foot_clearance * climb / seconds)

    def _centre(self, feet: Sequence[Vector]) -> tuple[float, float]:
        """The centre of mass over the ground, in base_footprint."""
        share, follows = self._balance.share, self._balance.follows
        shift_x, shift_y, _, _ = self._shift.now
        x, y = self._offset[0] + follows * shift_x, self._offset[1] + follows * shift_y
        for (foot_x, foot_y, _), (home_x, home_y) in zip(feet, self._home):
            x, y = x + share * (foot_x - home_x), y + share * (foot_y - home_y)
        return x, y

    def _loads(self, feet: Sequence[Vector]) -> tuple[float, ...]:
        standing = [foot[:2] for foot, air in zip(feet, self._air) if air is None]
        shares = iter(share_weight(standing, self._centre(feet)))
        return tuple(0.0 if air else next(shares) for air in self._air)
