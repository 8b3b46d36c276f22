"""Whether the body does what is commanded, from whatever there is: IMU, supply current, measured joints, or the model.

Where "weak" begins. A hobby servo is a spring: its motor is fully on only at FULL_TORQUE_ERROR. As long as the body is
within the deflection that this gives at both ends of its stance, it follows, however slowly; a servo that is merely
slower raises no alarm. A body beyond that, and beyond the bumps that a foot may stand on, does not follow.

| judged by | needs | codes |
|---|---|---|
| lean: tilt against the commanded one, extrapolated by LOOK_AHEAD | IMU | tilting, joint_limp |
| sinking: the body goes down without a command | IMU | sinking |
| supply current against the model of the commanded motion | a measured supply | overloaded, weak_or_limp |
| supply voltage | a measured supply | supply_weak |
| lag of a joint behind its command | measured joints | joint_limp, joint_stuck, torque_limit |
| static torques of the commanded pose | the robot file | torque_limit |
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import IntEnum
from math import atan, hypot, inf, isfinite, nan

from quadleg.dynamics.servo_motors import FULL_TORQUE_ERROR
from quadleg.geometry.vectors import Vector
from quadleg.robot.model import JOINT_NAMES, LEGS, RobotModel
from quadleg.safety.catalogue import Reason
from quadleg.safety.commanded_motion import CommandedMotion
from quadleg.safety.current_model import CurrentModel
from quadleg.safety.deadlines import SHORTFALL_HOLD, SHORTFALL_LOWER
from quadleg.safety.felt_motion import SINK_TIME, FeltMotion
from quadleg.safety.figure_words import volts, whole_degrees, whole_millimetres, whole_percent
from quadleg.safety.joint_lag import JointLag
from quadleg.safety.reason_codes import FollowingCode, ReasonCode

LOOK_AHEAD = 0.1  # s: what a lowering at the servos' speed needs to take effect (measured in physics)
GROUND_TIME = 4.0  # s in which a lasting tilt becomes the estimated slope of the ground
STEEPEST = 0.21  # rad: 12°; a lasting tilt beyond this is not the ground's (our own choice)
STILL_TIME = 1.0  # s since a foot was last in the air: the robot stands
LEAN_TIME = 0.4  # s: low-pass of a lasting lean; steps and pushes are over by then (our own choice)
LASTING = {4: 1.0, 3: 1.2, 2: 1.25}  # times what servos give way, by the feet on the ground: bumps and sway (measured)
EVIDENT = 0.45  # share of the limit that has been reached already: a push turns the body fast, and not far (measured)
LASTS = 0.1  # s for which a lean has to last: what a push does is then on its way back (measured)
RETURNS = 0.15  # s for which a lean may last that is already on its way back: a push's is over by then (measured)
CLEAR = 1.5  # times the limit: a lean that need not last
BIAS_TIME = 5.0  # s in which a lasting descent becomes the estimated bias of the accelerometer (our own choice)
TURN_TIME = 1.0  # s after which a turn without a command is forgotten: a gyro's bias would add up in it
TURN = 0.35  # rad: 20°, and as much as was asked for; sound walks stay below 0.8 of that (test/faults/physics.py)
CAUGHT_SHARE = 0.9  # of the current that is too much
STRAIN_TIME = 0.3  # s for which current or torque has to be above its limit, or the voltage below
GONE_AFTER = 1.0  # s without a shortfall until it is over
RISEN = 0.01  # m over the resting pose: the belly is off the ground


class Response(IntEnum):
    """How the robot responds to a shortfall; categories of IEC 60204-1 where it stops."""

    NONE = 0
    SLOW = 1
    HOLD = 2  # category 2
    LOWER = 3  # category 1
    DROP = 4  # category 1, at the servos' own speed: the body is about to fall


@dataclass(frozen=True)
class FollowingShortfall:
    """One way in which the body does not follow: `where` are joints or legs, `share` is of what is allowed (1: the
    limit), `figure` the measured value with its unit, `more` what else its sentence tells."""

    code: FollowingCode
    where: tuple[str, ...]
    share: float
    figure: str
    response: Response = Response.SLOW
    grows: bool = True  # whether the response grows with time; if not, another watch stops the robot
    more: Mapping[str, str] = field(default_factory=dict)
    strained: tuple[str, ...] = ()  # joints that are near their torque limit by the robot file

    @property
    def reason(self) -> Reason:
        """Code and figures."""
        cause = Reason.of(ReasonCode.NEAR_TORQUE_LIMIT, joints=" ".join(self.strained)) if self.strained else None
        return Reason.of(self.code, cause, joints=" ".join(self.where), figure=self.figure, **self.more)


FOLLOWS = FollowingShortfall(FollowingCode.FOLLOWS, (), 0.0, "", Response.NONE)


class Following:
    """The judge of one robot. Call `imu`, `supply` and `joints` for what is measured, and `step` once a frame.
    `shortfall` is the last one, FOLLOWS if there is none. `lean`, `mean_lean`, `sunk` and `off_turn` are
    shares of their limits."""

    def __init__(self, robot: RobotModel) -> None:
        self._robot = robot
        self.commanded = CommandedMotion(robot)
        self.felt = FeltMotion(robot)
        self._load = CurrentModel(robot)
        self._lag = JointLag(robot)
        self._limits = lean_limits(robot)
        deflection = FULL_TORQUE_ERROR * (robot.legs[0].upper_length + robot.legs[0].lower_length)
        clearance = max(gait.foot_clearance for gait in robot.gaits)
        gives_way = self._limits[4]
        self._lasting = {kind: share * gives_way for kind, share in LASTING.items()}
        self._sinks = {4: 2 * deflection, 3: deflection + clearance}
        self._low = robot.supply.low_voltage
        self._begin()

    def _begin(self) -> None:
        self._ground: tuple[float, float] | None = None  # what of the tilt is taken for the ground's
        self._yawed = self.felt.yawed
        self._leant = self._sunk = self._low_for = 0.0  # s that it has lasted
        self._mean = (0.0, 0.0)  # of the lean, over LEAN_TIME
        self._rising = self._rate = self._low_by = 0.0  # m/s as commanded, twice; m lower than commanded
        # m: with what an accelerometer's bias makes of it, and that alone; at rest the bias is all that is felt.
        self._fallen = self._always = -self.felt.rising * SINK_TIME
        self._off_turn = self._meant_turn = 0.0  # rad
        self._felt_yaw = self.felt.yawed
        self.lean = self.mean_lean = self.sunk = self.off_turn = 0.0
        self._in_air = self._two_feet = -inf  # when a foot was last in the air; when two were
        self._began = inf
        self._last = -inf
        self._voltage = nan
        self._now: float | None = None
        self.shortfall = FOLLOWS

    @property
    def drawn(self) -> float:
        """The measured current over the modelled one; zero where nothing is measured."""
        return self._load.drawn

    @property
    def off_usual(self) -> float:
        """How many times its usual ratio to the model the measured current is."""
        return self._load.off_usual

    @property
    def drawn_share(self) -> float:
        """The same as a share of what is allowed."""
        return self._load.drawn / self._load.limit

    # What comes in

    def imu(self, gyro: Vector, acceleration: Vector, stamp: float, now: float) -> None:
        """A sample of the IMU in its own axes (rad/s, m/s²), taken at `stamp` s of its clock, heard at `now`."""
        self.felt.sample(gyro, acceleration, stamp, now)

    def supply(self, voltage: float, current: float, now: float) -> None:
        """What is measured at the supply: V, A; a voltage that is not finite says that the current is only modelled."""
        self._voltage = voltage
        self._load.measured(current if isfinite(voltage) else nan, now)

    def joints(self, angles: Sequence[float], now: float) -> None:
        """Measured joint angles (rad); never call it with modelled ones."""
        self._lag.measured(angles, now)

    # The judgement

    def rest(self) -> None:
        """Judge nothing: the servos have no power, or are just getting it."""
        self._begin()
        self._lag.forget()
        self._load.forget()

    def step(self, angles: Sequence[float], now: float) -> FollowingShortfall:
        """Judge one frame of twelve commanded angles (rad)."""
        dt = 0.0 if self._now is None else min(now - self._now, 0.1)
        self._now = now
        commanded = self.commanded
        before = commanded.height
        commanded.step(angles, dt)
        height = commanded.height
        self._rises(height - before if before else 0.0, dt)
        if commanded.carrying < len(LEGS):
            self._in_air = now
        if commanded.carrying < 3:
            self._two_feet = now
        found = [self._by_load(angles, now, dt), self._by_lag(angles, now)]
        if self.felt.up is not None and self.felt.heard(now):
            if height > self._robot.resting.height + RISEN:
                found += [self._by_lean(now, dt), self._by_sinking(now, dt), self._by_turning(dt)]
            else:
                self._take_ground(1.0)
        self._remember([one for one in found if one], now)
        return self.shortfall

    def _remember(self, found: list[FollowingShortfall], now: float) -> None:
        """Return the worst shortfall found, with a response that grows with time."""
        if not found:
            if now - self._last > GONE_AFTER:
                self.shortfall, self._began = FOLLOWS, inf
            return
        worst = max(found, key=lambda one: (one.response, bool(one.where), one.share))
        self._last = now
        grown = Response.NONE
        if worst.grows:
            self._began = min(self._began, now)
            lasting = now - self._began
            if lasting > SHORTFALL_HOLD:
                grown = Response.LOWER if lasting > SHORTFALL_HOLD + SHORTFALL_LOWER else Response.HOLD
        self.shortfall = replace(worst, response=max(worst.response, grown, self.shortfall.response))

    def _kind(self, now: float) -> int:
        """Return the recent minimum of feet on the ground."""
        return 2 if now - self._two_feet < STILL_TIME else 3 if now - self._in_air < STILL_TIME else 4

    # By the IMU

    def _take_ground(self, share: float) -> None:
        assert self.felt.up
        ex, ey = (felt - meant for felt, meant in zip(self.felt.up[:2], self.commanded.up[:2]))
        gx, gy = self._ground or (ex, ey)
        turned, self._yawed = self.felt.yawed - self._yawed, self.felt.yawed
        gx, gy = gx + turned * gy, gy - turned * gx  # the slope stays where it is while the body turns
        gx, gy = gx + share * (ex - gx), gy + share * (ey - gy)
        over = max(hypot(gx, gy) / STEEPEST, 1.0)
        self._ground = gx / over, gy / over

    def _by_lean(self, now: float, dt: float) -> FollowingShortfall | None:
        assert self.felt.up
        self._take_ground(min(dt / GROUND_TIME, 1.0))
        assert self._ground
        ex, ey = (
            felt - meant - ground for felt, meant, ground in zip(self.felt.up[:2], self.commanded.up[:2], self._ground)
        )
        rx, ry = self.felt.rate
        # The vertical turns against the body: u' = -ω × u, which is (-ωy, ωx) near level.
        x, y = ex - LOOK_AHEAD * ry, ey + LOOK_AHEAD * rx
        kind = self._kind(now)
        share = min(dt / LEAN_TIME, 1.0)
        mx, my = self._mean
        self._mean = mx, my = mx + share * (ex - mx), my + share * (ey - my)
        lean, limit = hypot(x, y), self._limits[kind]
        mean, lasting = hypot(mx, my), self._lasting[kind]
        returns = lean / limit < self.lean
        self.lean, self.mean_lean = lean / limit, mean / lasting
        self._leant = self._leant + dt if lean > limit and hypot(ex, ey) > EVIDENT * limit else 0.0
        if mean > lasting:
            x, y, lean, limit = mx, my, mean, lasting
        elif self._leant < (RETURNS if returns else LASTS) and lean < CLEAR * limit:
            return None
        # The body leans to where its vertical points away from.
        leg = max(range(len(LEGS)), key=lambda i: -x * self.commanded.feet[i][0] - y * self.commanded.feet[i][1])
        figure = f"{whole_degrees(lean)}°"
        more = {"limit_deg": whole_degrees(limit)}
        strained = tuple(self._load.strained)
        return FollowingShortfall(
            FollowingCode.TILTING, (LEGS[leg],), lean / limit, figure, Response.DROP, more=more, strained=strained
        )

    def _rises(self, by: float, dt: float) -> None:
        """How far the body is lower than commanded: both velocities and what they add up to fade over SINK_TIME."""
        if not dt:
            return
        rate = by / dt
        self._rising += rate - self._rate - self._rising * dt / SINK_TIME
        self._rate = rate
        self._fallen += dt * (self._rising - self.felt.rising - self._fallen / SINK_TIME)
        # An accelerometer's bias makes it sink all the time.
        self._always += dt / BIAS_TIME * (self._fallen - self._always)
        self._low_by = self._fallen - self._always

    def _by_sinking(self, now: float, dt: float) -> FollowingShortfall | None:
        limit = self._sinks[4 if now - self._in_air > STILL_TIME else 3]
        self.sunk = self._low_by / limit
        self._sunk = self._sunk + dt if self._low_by > limit else 0.0
        if self._sunk < LASTS:
            return None
        figure = f"{whole_millimetres(self._low_by)} mm"
        more = {"limit_mm": whole_millimetres(limit)}
        return FollowingShortfall(FollowingCode.SINKING, (), self._low_by / limit, figure, Response.LOWER, more=more)

    def _by_turning(self, dt: float) -> FollowingShortfall | None:
        """By how much more or less the body turned than its feet were sent round it, faded over TURN_TIME."""
        meant = self.commanded.turning
        felt, self._felt_yaw = self.felt.yawed - self._felt_yaw, self.felt.yawed
        self._off_turn += felt - dt * (meant + self._off_turn / TURN_TIME)
        self._meant_turn += dt * (abs(meant) - self._meant_turn / TURN_TIME)
        limit = TURN + self._meant_turn
        self.off_turn = abs(self._off_turn) / limit
        if self.off_turn < 1.0:
            return None
        caught = self.drawn_share > CAUGHT_SHARE
        code = FollowingCode.LEG_CAUGHT if caught else FollowingCode.SLIPPING
        figure = f"{whole_degrees(abs(self._off_turn))}°"
        return FollowingShortfall(code, (), self.off_turn, figure)

    # By the supply, the joints and the model

    def _by_load(self, angles: Sequence[float], now: float, dt: float) -> FollowingShortfall | None:
        load = self._load
        load.step(angles, self.commanded, self._kind(now), now, dt)
        self._low_for = self._low_for + dt if self._voltage < self._low else 0.0
        if self._low_for > STRAIN_TIME:
            share, figure = self._low / max(self._voltage, 0.1), f"{volts(self._voltage)} V"
            more = {"limit_v": volts(self._low)}
            return FollowingShortfall(FollowingCode.SUPPLY_WEAK, (), share, figure, grows=False, more=more)
        if load.needed_for > STRAIN_TIME:
            figure = f"{whole_percent(load.needed)} % of the stall torque by the robot file"
            return FollowingShortfall(FollowingCode.TORQUE_LIMIT, load.overloaded, load.needed, figure)
        if load.drawn_for > STRAIN_TIME:
            figure = f"{load.drawn:.1f} times the modelled"
            return FollowingShortfall(FollowingCode.OVERLOADED, (), load.drawn / load.limit, figure)
        # A standing robot that a person lifts or leans on has not failed.
        if load.off_for > STRAIN_TIME and (load.walking or load.off_usual > 1.0):
            figure = f"{whole_percent(load.off_usual)} % of the usual"
            if load.off_usual > 1.0:
                return FollowingShortfall(FollowingCode.OVERLOADED, (), load.off_usual, figure, grows=load.walking)
            return FollowingShortfall(FollowingCode.WEAK_OR_LIMP, (), 1.0 / max(load.off_usual, 0.1), figure)
        return None

    def _by_lag(self, angles: Sequence[float], now: float) -> FollowingShortfall | None:
        away = self._lag.step(angles, now, self._load.torques)
        if not away:
            return None
        _, lag, kind = away[0]
        code = FollowingCode(kind)
        joints = tuple(JOINT_NAMES[i] for i in sorted(i for i, _, other in away if other == kind))
        figure = f"{whole_degrees(lag)}°"
        if code is FollowingCode.TORQUE_LIMIT:
            figure += " from the commanded angle"
        return FollowingShortfall(code, joints, lag / self._lag.limit, figure)


def lean_limits(robot: RobotModel) -> dict[int, float]:
    """How far the body may lean from the commanded attitude in rad, with two, three and four feet on the ground.

    Four: servos that give way by all that they can at one end of the stance, FULL_TORQUE_ERROR in hip and knee. Three:
    also a foot on a bump as high as a step. Two: also until the feet in the air touch the ground.
    """
    leg = robot.legs[0]
    half_width = min(abs(y) for _, y, _ in robot.standing.feet)
    clearance = max(gait.foot_clearance for gait in robot.gaits)
    gives_way = atan(FULL_TORQUE_ERROR * (leg.upper_length + leg.lower_length) / half_width)
    bump = atan(clearance / (2 * half_width))
    return {4: gives_way, 3: gives_way + bump, 2: gives_way + bump + atan(clearance / half_width)}
