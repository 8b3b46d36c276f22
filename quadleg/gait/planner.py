"""From a body velocity to foot places: which foot stands where, which is in the air, and how the body shifts.

The plan is kept in a frame that stays on the ground, where base_footprint goes about with the planned
velocity: so a foot in stance has one place from landing to lift-off, whatever the velocity does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, hypot, isfinite, sin, tau

from quadleg.dynamics.load_sharing import share_weight
from quadleg.errors import BadTarget
from quadleg.gait.limits import RAMP_STRIDES, WalkingLimits
from quadleg.gait.schedule import first_lift_off, since_landing
from quadleg.gait.stability import static_margin
from quadleg.gait.steady import Balance
from quadleg.gait.sway import HARMONICS
from quadleg.gait.swing import advance, lift, towards
from quadleg.kinematics.planar import STILL, Planar, carried, compose, motion, seen_from
from quadleg.robot.model import LEGS, Robot, Vector

AT_HOME = 0.0005  # m: a foot so near its place in the square stance has no need to step
SETTLED = 0.75  # of the time in the air; later a foot's landing place does not move any more
SHIFT_TIME = 0.5  # s to shift the body before the first step and after the last
HUGE = 1e6  # m/s or rad/s: greater numbers are brought down to this, so that no sum of them overflows
LATE = 1.5  # ticks after its lift-off a foot stays down for this stride


@dataclass(frozen=True)
class Plan:
    """One tick of the plan, in base_footprint: foot centres (m) with their velocities (m/s), in the order of `LEGS`,
    the share of the robot's weight that each foot carries (0 in the air), and the body's shift (x, y) in m.
    """

    feet: tuple[Vector, ...]
    velocities: tuple[Vector, ...]
    loads: tuple[float, ...]
    shift: tuple[float, float]


Shift = tuple[float, float, float, float]  # of the body: x, y in m, and their rates in m/s
RESTING_SHIFT: Shift = (0.0, 0.0, 0.0, 0.0)


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

    `twist` is the planned velocity, `place` the planned place and heading on the ground since the beginning,
    `walking` whether a foot may lift off. Feet begin, and end, in the square stance of the robot file.
    """

    def __init__(self, robot: Robot, limits: WalkingLimits, period: float) -> None:
        self._robot = robot
        self._period = period
        self._balance = Balance.of(robot)
        self._offset = self._balance.offset.tolist()
        self._home = tuple((x, y) for x, y, _ in robot.standing.feet)
        self._ground = robot.legs[0].foot_radius
        self.limits = limits
        self._next: WalkingLimits | None = None
        self._wanted = STILL
        self.twist = STILL
        self.place = STILL
        self._down = list(self._home)
        self._air: list[_Air | None] = [None] * len(LEGS)
        self._be_at(0.0)
        self.walking = False
        self._goal = STILL  # what is wanted, or nothing while the gait is to change
        self._shift = RESTING_SHIFT
        self._shifting = 0.0  # s left of the shift before the first step, or after the last
        self._swayed_for = STILL
        self._sway = limits.sway(STILL).tolist()

    # What is asked

    def walk(self, twist: Planar) -> float:
        """Asks for a velocity; how much of what is possible in its direction that takes.

        More than 1 is scaled to 1; directions in which the robot cannot walk at all are left out.

        Raises BadTarget where a number is not finite; the velocity asked for before stays.
        """
        if not all(map(isfinite, twist)):
            raise BadTarget(f"the velocity is {twist}; it must be three finite numbers in m/s, m/s and rad/s")
        huge = max(1.0, *(abs(value) / HUGE for value in twist))
        twist = twist[0] / huge, twist[1] / huge, twist[2] / huge
        use = self.limits.use(twist)
        self._wanted = self.limits.scaled(twist)
        return use

    def change(self, limits: WalkingLimits) -> None:
        """Asks for another gait: the robot comes to a square stance first."""
        self._next = None if limits is self.limits else limits

    def stand_on(self, feet: Sequence[Vector]) -> None:
        """Be at rest over feet (m, in base_footprint) that are all on the ground, wherever they are."""
        places = [(x, y) for x, y, _ in feet]
        near = all(hypot(x - a, y - b) < AT_HOME for (x, y), (a, b) in zip(places, self._home))
        places = list(self._home) if near else places
        self._down = [carried(self.place, x, y) for x, y in places]
        self._air = [None] * len(LEGS)
        self._wanted = self.twist = STILL
        self.walking, self._shifting = False, 0.0
        self._shift = RESTING_SHIFT

    # What is planned

    @property
    def settled(self) -> bool:
        """Whether the feet stand and the body is not on its way back from its sway."""
        return not self.walking and self._shifting <= 0.0

    @property
    def gait_changes(self) -> bool:
        """Whether another gait is asked for than the present one."""
        return self._next is not None

    def step(self) -> Plan:
        """The plan one period later."""
        if self._next and not self.walking:
            self.limits, self._next = self._next, None
            self._swayed_for, self._sway = STILL, self.limits.sway(STILL).tolist()
        self._goal = STILL if self._next else self._wanted
        if not (self.walking or self.limits.trouble or (self._stops() and self._at_home())):
            self.walking = True
            self._be_at(first_lift_off(self.limits.gait))
            sways = self.limits.margin is not None or any(self.limits.lean)
            self._shifting = SHIFT_TIME if sways else 0.0
        shifting = self._shifting > 0.0
        if self.walking and not shifting:
            self._go()
        feet, velocities = self._feet()
        if shifting:
            self._shift_towards(self._swayed(feet) if self.walking else RESTING_SHIFT)
        elif self.walking:
            self._shift = self._swayed(feet)
            if self._stops() and self._at_home():
                self.walking, self._shifting = False, SHIFT_TIME
        return Plan(feet, velocities, self._loads(feet), self._shift[:2])

    def margin(self, lean: tuple[float, float] = (0.0, 0.0)) -> float:
        """The static margin in m of the last plan, with the body leaning by (x, y) m besides."""
        feet, _ = self._feet()
        x, y = self._centre(feet)
        standing = [foot[:2] for foot, air in zip(feet, self._air) if air is None]
        follows = self._balance.follows
        return static_margin(standing, (x + follows * lean[0], y + follows * lean[1]))

    def _stops(self) -> bool:
        return self.twist == STILL and self._goal == STILL

    def _at_home(self) -> bool:
        """Whether the feet are on the ground in the square stance."""
        if any(self._air):
            return False
        homes = (carried(self.place, *home) for home in self._home)
        return all(hypot(x - a, y - b) < AT_HOME for (x, y), (a, b) in zip(self._down, homes))

    def _go(self) -> None:
        gait = self.limits.gait
        before, self.twist = self.twist, self._ramped(self._goal)
        mean = tuple((a + b) / 2 for a, b in zip(before, self.twist))
        self.place = compose(self.place, motion((mean[0], mean[1], mean[2]), self._period))
        self._be_at((self._phase + self._period / gait.stride_period) % 1.0)
        for leg in range(len(LEGS)):
            self._move(leg)

    def _be_at(self, phase: float) -> None:
        """Takes the phase of the stride, and with it the share of a stride since each foot landed."""
        self._phase = phase
        self._since = [since_landing(self.limits.gait, leg, phase) for leg in range(len(LEGS))]

    def _ramped(self, wanted: Planar) -> Planar:
        """The twist one period on the way to the one wanted, by at most the rate that reaches full speed in time."""
        if self.twist == wanted:
            return wanted
        change = tuple(b - a for a, b in zip(self.twist, wanted))
        share = self.limits.use_of_change(self.twist, wanted)
        most = self._period / (RAMP_STRIDES * self.limits.gait.stride_period)
        if share <= most:
            return wanted
        x, y, yaw = (a + d * most / share for a, d in zip(self.twist, change))
        return self.limits.scaled((x, y, yaw))  # the way between two twists within the limits may lead past them

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
        return carried(compose(self.place, motion(self.twist, left + half)), *self._home[leg])

    def _swayed(self, feet: Sequence[Vector]) -> Shift:
        """The sway and lean at this phase and twist over such feet."""
        if self.twist != self._swayed_for:
            self._swayed_for, self._sway = self.twist, self.limits.sway(self.twist).tolist()
        turn = tau * self._phase
        rate = tau / self.limits.gait.stride_period
        x = y = vx = vy = 0.0
        for order in range(1, HARMONICS + 1):
            c, s = cos(order * turn), sin(order * turn)
            (cx, cy), (sx, sy) = self._sway[order - 1], self._sway[order - 1 + HARMONICS]
            x, y = x + cx * c + sx * s, y + cy * c + sy * s
            vx, vy = vx + order * (sx * c - cx * s), vy + order * (sy * c - cy * s)
        dx, dy = self._astray(feet)
        lean_x, lean_y = self.limits.lean
        return x + dx + lean_x, y + dy + lean_y, rate * vx, rate * vy

    def _astray(self, feet: Sequence[Vector]) -> tuple[float, float]:
        """How far the middle of the feet is from where it would be had the velocity always been this one."""
        gait, twist = self.limits.gait, self.twist
        half = gait.duty_factor * gait.stride_period / 2
        seconds = (1 - gait.duty_factor) * gait.stride_period
        sum_x = sum_y = 0.0
        for since, home, (foot_x, foot_y, _) in zip(self._since, self._home, feet):
            if since < gait.duty_factor:
                x, y = seen_from(motion(twist, since * gait.stride_period - half), *home)
            else:
                share = (since - gait.duty_factor) / (1 - gait.duty_factor)
                ax, ay = seen_from(motion(twist, half), *home)
                bx, by = carried(motion(twist, seconds + half), *home)
                way, _ = advance(share)
                x, y = seen_from(motion(twist, share * seconds), ax + (bx - ax) * way, ay + (by - ay) * way)
            sum_x, sum_y = sum_x + foot_x - x, sum_y + foot_y - y
        return sum_x / len(LEGS), sum_y / len(LEGS)

    def _shift_towards(self, goal: Shift) -> None:
        """One period of the way to a shift and its rate, in the time that is left."""
        left, dt = self._shifting, self._period
        self._shifting = max(left - dt, 0.0)
        moved = []
        for axis in (0, 1):
            # To be at a place with a rate is to be at rest in a frame that gets there with that rate.
            rate = goal[2 + axis]
            start = self._shift[axis] - (goal[axis] - rate * left)
            place, speed = towards(start, self._shift[2 + axis] - rate, 0.0, left, dt)
            moved.append((place + goal[axis] - rate * self._shifting, speed + rate))
        (x, vx), (y, vy) = moved
        self._shift = x, y, vx, vy

    def _feet(self) -> tuple[tuple[Vector, ...], tuple[Vector, ...]]:
        """Foot centres in base_footprint, and their velocities."""
        vx, vy, turn = self.twist
        c, s = cos(self.place[2]), sin(self.place[2])
        feet: list[Vector] = []
        velocities: list[Vector] = []
        for leg, air in enumerate(self._air):
            if air is None:
                x, y = seen_from(self.place, *self._down[leg])
                feet.append((x, y, self._ground))
                velocities.append((turn * y - vx, -turn * x - vy, 0.0))
            else:
                (gx, gy, height), (gvx, gvy, climb) = self._in_air(leg, air)
                x, y = seen_from(self.place, gx, gy)
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
        x, y = self._offset[0] + follows * self._shift[0], self._offset[1] + follows * self._shift[1]
        for (foot_x, foot_y, _), (home_x, home_y) in zip(feet, self._home):
            x, y = x + share * (foot_x - home_x), y + share * (foot_y - home_y)
        return x, y

    def _loads(self, feet: Sequence[Vector]) -> tuple[float, ...]:
        standing = [foot[:2] for foot, air in zip(feet, self._air) if air is None]
        shares = iter(share_weight(standing, self._centre(feet)))
        return tuple(0.0 if air else next(shares) for air in self._air)
