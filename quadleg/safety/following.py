"""Whether the body does what is commanded, from whatever there is: IMU, supply current, measured joints, or the model.

Where "weak" begins. A hobby servo is a spring: it gives way by FULL_TORQUE_ERROR before its motor is fully on. As long
as the body stands within what that gives at both ends of its stance, it follows, however slowly; a servo that merely
walks slower raises no alarm. What leaves that, beyond the bumps that a foot may stand on, does not follow.

| judge | needs | says |
|---|---|---|
| lean: tilt against the commanded one, and where its rate takes it in LOOK_AHEAD | IMU | tilting, joint_limp |
| sinking: the body goes down and was not asked to | IMU | sinking |
| supply current against the model of the commanded motion | a measured supply | overloaded, weak_or_limp |
| supply voltage | a measured supply | supply_weak |
| lag of a joint behind its command | measured joints | joint_limp, joint_stuck, torque_limit |
| static torques of the commanded pose | the robot file | torque_limit |
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum, IntEnum
from math import atan, degrees, hypot, inf, isfinite, nan

from quadleg.robot.model import JOINT_NAMES, LEGS, Robot, Vector
from quadleg.safety.commanded_motion import CommandedMotion
from quadleg.safety.felt_motion import SINK_TIME, FeltMotion
from quadleg.safety.joint_lag import JointLag
from quadleg.safety.servo_load import ServoLoad
from quadleg.servos.model import FULL_TORQUE_ERROR

LOOK_AHEAD = 0.1  # s: what a lowering at the servos' speed needs to take effect (measured in physics)
GROUND_TIME = 4.0  # s over which a lasting tilt is taken for the ground's slope
STEEPEST = 0.21  # rad: 12°; a lasting tilt beyond this is not the ground's (our own choice)
STILL_TIME = 1.0  # s since a foot was last in the air: the robot stands
LEAN_TIME = 0.4  # s over which a lasting lean is evened: what steps and pushes do is over by then (our own choice)
LASTING = {4: 1.0, 3: 1.2, 2: 1.25}  # times what servos give way, by the feet on the ground: bumps and sway (measured)
EVIDENT = 0.45  # share of the limit that has been reached already: a push turns the body fast, and not far (measured)
LASTS = 0.1  # s for which a lean has to last: what a push does is then on its way back (measured)
RETURNS = 0.15  # s for which a lean may last that is already on its way back: a push's is over by then (measured)
CLEAR = 1.5  # times the limit: a lean that need not last
BIAS_TIME = 5.0  # s over which a lasting descent is taken for the accelerometer's bias (our own choice)
TURN_TIME = 1.0  # s after which a turn without a command is forgotten: a gyro's bias would add up in it
TURN = 0.35  # rad: 20°, and as much as was asked for; sound walks stay below 0.8 of that (test/faults/physics.py)
CAUGHT_SHARE = 0.9  # of the current that is too much
OVER_TIME = 0.3  # s for which current or torque has to be over
HOLD_AFTER = 1.0  # s that a shortfall lasts while the robot goes slower, until it holds
LOWER_AFTER = 2.0  # s more, until it is lowered
GONE_AFTER = 1.0  # s without a shortfall, after which it is over
RISEN = 0.01  # m over the resting pose: the belly is off the ground


class FollowingCode(str, Enum):
    """Why the body does not follow; stable values for programs."""

    FOLLOWS = "follows"
    TORQUE_LIMIT = "torque_limit"
    JOINT_LIMP = "joint_limp"
    JOINT_STUCK = "joint_stuck"
    LEG_CAUGHT = "leg_caught"
    SLIPPING = "slipping"
    TILTING = "tilting"
    SINKING = "sinking"
    OVERLOADED = "overloaded"
    SUPPLY_WEAK = "supply_weak"
    WEAK_OR_LIMP = "weak_or_limp"


class Response(IntEnum):
    """What the robot has to do about a shortfall; categories of IEC 60204-1 where it stops."""

    NONE = 0
    SLOW = 1
    HOLD = 2  # category 2
    LOWER = 3  # category 1
    DROP = 4  # category 1, at the servos' own speed: the body is about to fall


@dataclass(frozen=True)
class FollowingShortfall:
    """One way in which the body does not follow: `where` are joints or legs, `share` is of what is allowed (1: the
    limit), `figure` the measured value with its unit, `words` a sentence."""

    code: FollowingCode
    where: tuple[str, ...]
    share: float
    figure: str
    words: str
    response: Response = Response.SLOW
    grows: bool = True  # whether the response grows as it lasts; else something else stops the robot


# What joints do that do not follow: one, and several.
_JOINT_WORDS = {
    FollowingCode.TORQUE_LIMIT: ("at its torque limit", "at their torque limit"),
    FollowingCode.JOINT_STUCK: ("stands still", "stand still"),
    FollowingCode.JOINT_LIMP: ("gives way", "give way"),
}

FOLLOWS = FollowingShortfall(FollowingCode.FOLLOWS, (), 0.0, "", "", Response.NONE)


class Following:
    """The judge of one robot. Feed it with `imu`, `supply` and `joints` as far as there are any, and once a frame with
    `step`. `shortfall` is the last one, FOLLOWS where there is none. `lean`, `mean_lean`, `sunk` and `off_turn` are
    shares of their limits."""

    def __init__(self, robot: Robot) -> None:
        self._robot = robot
        self.commanded = CommandedMotion(robot)
        self.felt = FeltMotion(robot)
        self._load = ServoLoad(robot)
        self._lag = JointLag(robot)
        self._limits = lean_limits(robot)
        sag = FULL_TORQUE_ERROR * (robot.legs[0].upper_length + robot.legs[0].lower_length)
        clearance = max(gait.foot_clearance for gait in robot.gaits)
        gives_way = self._limits[4]
        self._lasting = {kind: share * gives_way for kind, share in LASTING.items()}
        self._sinks = {4: 2 * sag, 3: sag + clearance}
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
        """The servos have no power, or are only just getting it: nothing is judged."""
        self._begin()
        self._lag.forget()
        self._load.forget()

    def step(self, angles: Sequence[float], now: float) -> FollowingShortfall:
        """Judges one frame of twelve commanded angles (rad)."""
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
        """The worst of what is found, with a response that grows as it lasts."""
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
            if lasting > HOLD_AFTER:
                grown = Response.LOWER if lasting > HOLD_AFTER + LOWER_AFTER else Response.HOLD
        self.shortfall = replace(worst, response=max(worst.response, grown, self.shortfall.response))

    def _kind(self, now: float) -> int:
        """The least number of feet on the ground of late."""
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
        figure = f"{degrees(lean):.0f}°"
        words = f"the body leans {figure} towards {LEGS[leg]}, sound servos allow {degrees(limit):.0f}°"
        if self._load.strained:
            words += f"; by the robot file {in_words(self._load.strained)} near the torque limit"
        return FollowingShortfall(FollowingCode.TILTING, (LEGS[leg],), lean / limit, figure, words, Response.DROP)

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
        figure = f"{1000 * self._low_by:.0f} mm"
        words = f"the body has sunk by {figure}, sound servos give way by {1000 * limit:.0f} mm"
        return FollowingShortfall(FollowingCode.SINKING, (), self._low_by / limit, figure, words, Response.LOWER)

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
        figure = f"{degrees(abs(self._off_turn)):.0f}°"
        why = "a leg is caught" if caught else "the feet slip, or a leg is caught"
        words = f"the body turned by {figure} without a command: {why}"
        return FollowingShortfall(code, (), self.off_turn, figure, words)

    # By the supply, the joints and the model

    def _by_load(self, angles: Sequence[float], now: float, dt: float) -> FollowingShortfall | None:
        load = self._load
        load.step(angles, self.commanded, self._kind(now), now, dt)
        self._low_for = self._low_for + dt if self._voltage < self._low else 0.0
        if self._low_for > OVER_TIME:
            words = f"the servos' supply gives {self._voltage:.2f} V under load, {self._low:.2f} V is the least"
            share = self._low / max(self._voltage, 0.1)
            figure = f"{self._voltage:.2f} V"
            return FollowingShortfall(FollowingCode.SUPPLY_WEAK, (), share, figure, words, Response.SLOW, grows=False)
        if load.needed_for > OVER_TIME:
            joints = load.overloaded
            code, figure = FollowingCode.TORQUE_LIMIT, f"{100 * load.needed:.0f} %"
            words = f"{_at(code, joints)}: the pose needs {figure} of the stall torque by the robot file"
            return FollowingShortfall(code, joints, load.needed, figure, words)
        if load.drawn_for > OVER_TIME:
            words = (
                f"the servos draw {load.current:.1f} A, {load.drawn:.1f} times the current that the motion explains: a "
                "leg is caught, a joint is stuck, or the load is more than the robot file says"
            )
            return FollowingShortfall(
                FollowingCode.OVERLOADED, (), load.drawn / load.limit, f"{load.drawn:.1f} times", words
            )
        # Somebody who lifts a standing robot, or leans on it, is no failure of the robot.
        if load.off_for > OVER_TIME and (load.walking or load.off_usual > 1.0):
            figure = f"{100 * load.off_usual:.0f} % of the usual"
            if load.off_usual > 1.0:
                words = f"the servos draw {figure} current: a leg is caught, a joint is stuck, or the load has grown"
                return FollowingShortfall(
                    FollowingCode.OVERLOADED, (), load.off_usual, figure, words, grows=load.walking
                )
            words = f"the servos draw {figure} current: a servo is weak or limp, or the feet slip"
            return FollowingShortfall(FollowingCode.WEAK_OR_LIMP, (), 1.0 / max(load.off_usual, 0.1), figure, words)
        return None

    def _by_lag(self, angles: Sequence[float], now: float) -> FollowingShortfall | None:
        away = self._lag.step(angles, now, self._load.torques)
        if not away:
            return None
        _, lag, kind = away[0]
        code = FollowingCode(kind)
        joints = tuple(JOINT_NAMES[i] for i in sorted(i for i, _, other in away if other == kind))
        figure = f"{degrees(lag):.0f}°"
        words = f"{_at(code, joints)}, {figure} from the commanded angle"
        return FollowingShortfall(code, joints, lag / self._lag.limit, figure, words)


def lean_limits(robot: Robot) -> dict[int, float]:
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


def _at(code: FollowingCode, joints: Sequence[str]) -> str:
    """Which joints do not follow, and how."""
    one, many = _JOINT_WORDS[code]
    return f"{in_words(joints)} {one if len(joints) == 1 else many}"


def in_words(joints: Sequence[str]) -> str:
    """Joints as a person calls them: "rear knees" for both of them."""
    rest = list(joints)
    said = []
    for end in ("front", "rear"):
        for kind in ("abduction", "hip", "knee"):
            pair = [f"{end}_left_{kind}", f"{end}_right_{kind}"]
            if all(name in rest for name in pair):
                said.append(f"{end} {kind}s")
                rest = [name for name in rest if name not in pair]
    return ", ".join([*said, *rest])
