"""The watchdog: the state machine between the joint targets and the servos.

The stops follow the categories of IEC 60204-1: 0 = pulses off at once, 1 = lower the body, then off,
2 = hold with power. All times are those of a steady clock, in s.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum
from math import degrees, inf, nan

from quadleg.errors import BadTarget
from quadleg.kinematics.body import stance_angles
from quadleg.robot.model import JOINT_NAMES, Robot
from quadleg.safety import rest
from quadleg.safety.commands import ALL, NONE, Command
from quadleg.safety.following import FOLLOWS, Following, FollowingShortfall, Response
from quadleg.safety.frames import FrameAssembly, leg_of_targets
from quadleg.safety.heat_watch import HeatLevel, HeatWatch
from quadleg.safety.idle_watch import IdleCode, IdleWatch
from quadleg.safety.limits import Limits
from quadleg.safety.output import HOLD_AFTER
from quadleg.safety.supply_watch import KNOWN_TIME, LOW_TIME, OVER_TIME, SupplyWatch

MISSING_FRAMES = 3  # frames without a good one, and good ones that end the hold again
BAD_TARGETS = 3
HOLD_TIME = 2.0
LIMIT_TIME = 3.0
POWER_INTERVAL = 0.2  # between the first pulses of two servos
OUTPUT_SILENT = 0.5
# How long servo_output may be so before the watchdog takes itself for ignored. One that was started again after a kill
# holds, and may be heard up to 3 s before it hears.
OUTPUT_IGNORES = {"holding": 4.0, "lowering": 1.0}
SLOWER = 0.5  # of the servos' speed: where the supply comes near its rating, and where the body does not follow
TIP_TIME = 0.1
NOTICE_TIME = 1.0
QUIET_TIME = 2 * HOLD_AFTER  # after the start: a servo_output that a dead watchdog left powered holds by then
ANOTHER = "another joint_watchdog under the same names has the servos powered; end one of the two"
NO_FRAME = f"no good frame for {MISSING_FRAMES} periods; are gait, base_motion and leg_ik running?"


class State(str, Enum):
    """What the watchdog is doing; all but `off` and `fault` have power on the servos."""

    OFF = "off"
    RISING = "rising"
    ACTIVE = "active"
    HOLD = "hold"
    LOWERING = "lowering"
    FAULT = "fault"


# IEC 60204-1, by the state that a stop begins with; going on is none. Pulses off at once is category 0.
STOP_CATEGORIES = {State.HOLD: 2, State.LOWERING: 1, State.RISING: None, State.ACTIVE: None}


class Cause(Enum):
    """Why the watchdog holds, where that decides how the hold ends."""

    MISSING = "no good frame, or nobody to follow it"
    BAD = "bad targets"
    LIMIT = "a leg at its limit"
    SILENT = "servo_output is silent"
    CURRENT = "current over the rating"
    FOLLOWING = "the body does not follow"


class Watchdog:
    """One robot's watchdog at one control period (s).

    Feed it with `targets` (or `frame`), `output_says`, `output_heard`, `supply`, `tilt`, `enable`, `reset` and `tick`,
    which has to be called once a period. `targets` and `tick` give the command to send, or None when there is none.
    What is known of the supply is in `supply_watch`, of the body's tilt in `tilted` (rad), else NaN. `heat` has the
    servos' modelled temperatures. With an `idle_time` (s) a robot that stands for so long without being asked for
    anything lowers itself; 0: never.
    """

    def __init__(self, robot: Robot, period: float, now: float, idle_time: float = 0.0) -> None:
        self._robot = robot
        self._period = period
        self._begun = now
        self._limits = Limits(robot, period)
        self._assembly = FrameAssembly(period)
        self._rest = stance_angles(robot, robot.resting)
        self._angles = self._rest
        self._powered = list(NONE)
        self._path: rest.SlowedPath | None = None
        self.state = State.OFF
        self._why = "not enabled yet"
        self._since = now
        self._cause: Cause | None = None
        self._ending = False
        self._notices: dict[str, tuple[str, float, float]] = {}
        self._output: str | None = None
        self._output_since = now
        self._output_heard = now
        self._other_heard = -inf
        self._last_good = -inf
        self._last_sent = -inf
        self._good_in_hold = 0
        self._bad_in_a_row = 0
        self._last_refusal = ""
        self._stopped_since: float | None = None
        self.following = Following(robot)  # feed it with `imu` and `joints`, where there are any
        self.stopped_by: FollowingShortfall = FOLLOWS  # what held or lowered the robot, until it is enabled again
        self.stop_category: int | None = None  # of IEC 60204-1, of the last stop
        self._dropping = False
        self.heat = HeatWatch(robot, now)
        self.idle = IdleWatch(idle_time)
        self.supply_watch = SupplyWatch(robot, now)
        self._tilt_heard = now
        self._tipped_since = inf  # infinite: it is not so
        self.tilted = nan
        self.sent = 0
        self.slowed = 0
        self.refused = 0
        self.holds = 0

    @property
    def why(self) -> str:
        """The reason for the state, in words."""
        failing = self._notices.get("following")
        notices = [text for kind, (text, _, _) in self._notices.items() if kind != "following"]
        if not self.powered and self._output in ("holding", "lowering"):
            notices.append(f"servo_output is {self._output} by itself, the servos are powered")
        if failing and self.state is State.ACTIVE:
            return "; ".join([f"{failing[0]}; it goes slower", *notices])  # the failure first: it does not follow
        return "; ".join([self._why, *notices])

    @property
    def dropped(self) -> int:
        """Frames that were not complete in time."""
        return self._assembly.dropped

    @property
    def late(self) -> int:
        """Joint targets that came after their frame was dropped."""
        return self._assembly.late

    @property
    def powered(self) -> bool:
        """Whether any servo has power by this watchdog's will."""
        return self.state not in (State.OFF, State.FAULT)

    @property
    def output(self) -> str | None:
        """servo_output's state as last heard."""
        return self._output

    @property
    def finished(self) -> bool:
        """Whether an ending watchdog has taken the power off."""
        return self._ending and not self.powered

    def age(self, now: float) -> float:
        """Seconds since the last good frame; infinite before the first."""
        return now - self._last_good

    # What comes in

    def targets(
        self, stamp: int, names: Sequence[str], points: Sequence[Sequence[float]], now: float
    ) -> Command | None:
        """Takes one leg's joint target; the command to send when it completes a frame that is followed."""
        try:
            leg, angles = leg_of_targets(names, points)
        except BadTarget as error:
            self._refuse(str(error), now)
            return None
        frame = self._assembly.add(stamp, leg, angles, now)
        return None if frame is None else self.frame(frame, now)

    def frame(self, frame: tuple[float, ...], now: float) -> Command | None:
        """Takes a whole frame, twelve finite angles (rad), as four joint targets make it; the command to send."""
        if self._stale(now):
            self._good_in_hold = 0
        self._last_good = now
        self._bad_in_a_row = 0
        self.idle.targets(frame, now)
        if self.state is State.HOLD and self._cause in (Cause.MISSING, Cause.SILENT):
            self._good_in_hold += 1
            if self._good_in_hold >= MISSING_FRAMES and not self._output_trouble():
                self._follow(now)
        if self.state is not State.ACTIVE:
            return None
        return self._follow_frame(frame, now)

    def enable(self, on: bool, now: float) -> tuple[bool, str]:
        """Power on (rise, or go on after a hold) or off (lower first): whether it is done, and in words."""
        if not on:
            return self._lower("asked to sit", now)
        self.idle.begin(now)
        if self.state in (State.RISING, State.ACTIVE):
            return True, f"already {self.state.value}"
        refusal = self._refusal()
        if refusal:
            return False, f"not enabled: {refusal}"
        if self.state is State.LOWERING:
            return self._rise("enabled while it was lowering", now)
        if self.state is State.HOLD:
            return self._go_on(now)
        return self._start(now)

    def reset(self, now: float) -> tuple[bool, str]:
        """Leaves `fault` for `off`."""
        if self.state is not State.FAULT:
            return True, f"nothing to reset: {self.state.value}"
        self._enter(State.OFF, "reset after a fault; enable when the legs are in the resting pose", now)
        return True, "reset; put the legs into the resting pose, then `quadleg stand` goes on"

    def output_says(self, state: str, why: str, now: float) -> None:
        """Takes servo_output's own state. Its `stopped` is a fault, its `off` ends the power here too."""
        self._output_heard = now
        if state != self._output:
            self._output, self._output_since = state, now
        if state == "stopped":
            self._switch_off(State.FAULT, why, now)
        elif state == "off" and self.powered:
            self._switch_off(State.OFF, f"servo_output switched off: {why}", now)

    def other_commands(self, now: float) -> None:
        """Notes that another watchdog powers joints under the same names while this one has no power on."""
        if not self.powered:
            self._other_heard = now

    def output_heard(self, now: float) -> None:
        """Notes that servo_output lives; its joint states say so."""
        self._output_heard = now

    def supply(self, voltage: float, current: float, present: bool, now: float) -> None:
        """Takes what is measured at the servos' supply: V, and A that are drawn; what is not finite is unknown.

        A supply lost under power is a fault: the pulses must not wait for its switch to close again.
        """
        watch = self.supply_watch
        watch.take(voltage, current, present, now)
        self.following.supply(watch.voltage, watch.current, now)
        if watch.lost and self.powered:
            self._switch_off(State.FAULT, watch.lost, now)

    def tilt(self, angle: float, now: float) -> None:
        """Takes the angle between the body's z axis and the vertical, in rad; NaN is unknown."""
        self.tilted, self._tilt_heard = angle, now
        tipped = self._tipped()
        self._tipped_since = min(self._tipped_since, now) if tipped else inf
        if tipped and now - self._tipped_since >= TIP_TIME:
            self.off_now(tipped, now)

    def end(self, now: float) -> None:
        """Begins the orderly end: lower, then off; nothing enables it again."""
        self._ending = True
        self._lower("quadleg is ending", now)

    def off_now(self, why: str, now: float) -> None:
        """Stop of category 0; a fault stays one."""
        if self.powered:
            self._switch_off(State.OFF, why, now)

    # What goes out

    def tick(self, now: float) -> Command | None:
        """One control period: judges what is missing, moves along the watchdog's own paths."""
        missing = self._assembly.expire(now)
        if missing and self.state is State.ACTIVE:
            self._note("dropped", f"frame without {', '.join(missing)} not sent", now)
        self._forget_notices(now)
        self._forget_readings(now)
        self._judge_supply(now)
        self._judge_following(now)
        self.heat.take(self._angles, self._powered, now)
        self._judge_heat(now)
        if self.powered and now - self._output_heard > OUTPUT_SILENT:
            self._output = None  # a new one may come back, and its joint states may be heard before its word
        ignored = now - self._output_since > OUTPUT_IGNORES.get(self._output or "", inf)
        if self.powered and ignored:
            self._switch_off(State.OFF, f"servo_output does not follow, it is {self._output}", now)
        if self.state in (State.ACTIVE, State.HOLD):
            self._judge_idle(now)
        if self.state in (State.RISING, State.LOWERING):
            self._advance(now)
        elif self.state is State.ACTIVE:
            self._judge(now)
            if self.state is State.ACTIVE and now - self._last_sent < 1.5 * self._period:
                return None
        elif self.state is State.HOLD:
            self._advance(now)
            if self._cause in (Cause.MISSING, Cause.BAD) and now - self._since > HOLD_TIME:
                self._lower(f"held for {HOLD_TIME:g} s: {self._why}", now)
        if self._must_be_silent(now):
            return None
        return self._command(now)

    def _must_be_silent(self, now: float) -> bool:
        # A command without joints would cut the power in the middle of what servo_output does to
        # put the robot down, and at first nobody knows whether it is doing that.
        # A supply that is lost and a body that is tipped want the power cut whatever else is going on.
        if self.powered or self.supply_watch.lost or (self._tipped() and now - self._tipped_since >= TIP_TIME):
            return False
        # The same goes for another watchdog that has the servos powered.
        begun = max(self._begun, self._other_heard)
        return now - begun < QUIET_TIME or self._output in (None, "holding", "lowering")

    def _command(self, now: float) -> Command:
        self._last_sent = now
        return Command(self._angles, tuple(self._powered))

    def _follow_frame(self, frame: tuple[float, ...], now: float) -> Command:
        limited = self._limits.apply(self._angles, frame)
        self._angles = limited.angles
        self.sent += 1
        if limited.share < 1.0:
            self.slowed += 1
            if not self.supply_watch.over:
                self._note("slowed", "slowed to the speed of the servos", now)
        if not limited.stops:
            self._stopped_since = None
            return self._command(now)
        self._note("limit", limited.stops[0], now)
        if self._stopped_since is None:
            self._stopped_since = now
        elif now - self._stopped_since > LIMIT_TIME:
            self._hold(Cause.LIMIT, f"at a limit for {LIMIT_TIME:g} s: {limited.stops[0]}", now)
        return self._command(now)

    # Judgements

    def _stale(self, now: float) -> bool:
        return now - self._last_good > MISSING_FRAMES * self._period

    def _output_trouble(self) -> str | None:
        if self._output is None:
            return Cause.SILENT.value
        return None if self._output == "following" else f"servo_output is {self._output}"

    def _judge(self, now: float) -> None:
        if self._output is None:
            self._hold(Cause.SILENT, Cause.SILENT.value, now)
        elif self._bad_in_a_row >= BAD_TARGETS:
            self._hold(Cause.BAD, self._last_refusal, now)
        elif self._stale(now):
            self._hold(Cause.MISSING, NO_FRAME, now)

    def _judge_supply(self, now: float) -> None:
        watch = self.supply_watch
        near, over = watch.near, watch.over
        self._limits.speed = SLOWER if near else 1.0
        if not self.powered:
            return
        if watch.low_for(now) > LOW_TIME:
            self._lower(watch.low, now)
        if over:
            self._judge_over(over, now)
        if near and self.state is not State.HOLD:
            self._note("current", f"slowed to half of the servos' speed: {near}", now)

    def _judge_heat(self, now: float) -> None:
        level = self.heat.level
        if not self.powered or level is HeatLevel.COOL:
            return
        if level is HeatLevel.TOO_HOT:
            self._lower(self.heat.words, now)
        else:
            self._note("heat", self.heat.words, now)

    def _judge_idle(self, now: float) -> None:
        if self.idle.left(now) <= 0:
            self.idle.lower()
            self._lower(f"stood for {self.idle.seconds:g} s without a command", now)
        elif self.idle.code(now) is IdleCode.LOWERS_SOON:
            self._note("idle", f"lowers itself after {self.idle.seconds:g} s without a command", now)

    def _judge_over(self, over: str, now: float) -> None:
        lasting = self.supply_watch.over_for(now)
        if lasting > OVER_TIME + HOLD_TIME or (lasting > OVER_TIME and self.state is State.RISING):
            self._lower(over, now)
        elif lasting > OVER_TIME and self.state is not State.LOWERING and self._cause is not Cause.CURRENT:
            self._hold(Cause.CURRENT, over, now)

    def _judge_following(self, now: float) -> None:
        if tuple(self._powered) != ALL:
            self.following.rest()
            return
        shortfall = self.following.step(self._angles, now)
        response, words = shortfall.response, shortfall.words
        if response is Response.NONE:
            return
        if response >= Response.HOLD:
            self.stopped_by = shortfall
        if not self._dropping:
            self._limits.speed = min(self._limits.speed, SLOWER)
        if response is Response.DROP and not self._dropping:
            self._drop(words, now)
        elif response >= Response.LOWER:
            if self.state is not State.LOWERING:
                self._lower(words, now)
        elif response is Response.HOLD and self.state is State.ACTIVE:
            self._hold(Cause.FOLLOWING, words, now)
        elif self.state is not State.LOWERING:
            self._note("following", words, now)

    def _tipped(self) -> str | None:
        limit = self._robot.tip_angle
        if not self.tilted > limit:
            return None
        return f"body tipped by {degrees(self.tilted):.0f}°, the limit is {degrees(limit):.0f}°"

    def _forget_readings(self, now: float) -> None:
        if self.supply_watch.is_old(now):
            self.supply(nan, nan, True, now)
        if now - self._tilt_heard > KNOWN_TIME:
            self.tilt(nan, now)

    def _refuse(self, reason: str, now: float) -> None:
        self.refused += 1
        self._bad_in_a_row += 1
        self._last_refusal = reason
        self._note("refused", reason, now)

    # Changes of state

    def _enter(self, state: State, why: str, now: float) -> None:
        self.state, self._why, self._since = state, why, now
        self.stop_category = STOP_CATEGORIES.get(state, self.stop_category)
        self._path = self._cause = None
        self._stopped_since = None
        self._notices.clear()
        if state not in (State.ACTIVE, State.HOLD):
            self.idle.end()

    @property
    def shortfall(self) -> FollowingShortfall:
        """How the body does not follow now, else what stopped it for that until it is enabled again."""
        now = self.following.shortfall
        return now if now.response is not Response.NONE else self.stopped_by

    def _follow(self, now: float) -> None:
        self._enter(State.ACTIVE, "following the joint targets", now)
        self.idle.begin(now)
        self._bad_in_a_row = 0

    def _refusal(self) -> str | None:
        if self._ending:
            return "quadleg is ending"
        if self.state is State.FAULT:
            return f"in fault ({self._why}); `quadleg reset` first"
        supply = self.supply_watch
        return supply.lost or supply.low or supply.over or self._tipped() or self.heat.refusal()

    def _start(self, now: float) -> tuple[bool, str]:
        if self._output is None:
            return False, "not enabled: servo_output has not been heard; start it with `quadleg run`"
        if self._output != "following":
            return False, f"not enabled: servo_output is {self._output}; wait until it is following"
        if now - self._other_heard < QUIET_TIME:
            return False, f"not enabled: {ANOTHER}"
        if self._must_be_silent(now):
            return False, "not enabled: the watchdog has only just started; try again in a second"
        return self._rise("enabled", now)

    def _go_on(self, now: float) -> tuple[bool, str]:
        self._judge_anew()
        missing = NO_FRAME if self._stale(now) else self._output_trouble()
        if missing:
            self._hold(Cause.MISSING, missing, now)
            return True, f"holds for {HOLD_TIME:g} s more: {missing}"
        self._follow(now)
        return True, "goes on"

    def _hold(self, cause: Cause, why: str, now: float) -> None:
        self._enter(State.HOLD, why, now)
        self.holds += 1
        self._cause, self._good_in_hold = cause, 0
        self._path = self._slowed(rest.settling(self._robot, self._angles, self._period))

    def _judge_anew(self) -> None:
        self.following.rest()
        self.stopped_by = FOLLOWS
        self._dropping = False

    def _rise(self, why: str, now: float) -> tuple[bool, str]:
        self._judge_anew()
        self._enter(State.RISING, why, now)
        self._path = self._slowed(self._power_up_then_rise())
        return True, f"rising to {1000 * self._robot.standing.height:.0f} mm"

    def _lower(self, why: str, now: float) -> tuple[bool, str]:
        if not self.powered:
            return True, f"already {self.state.value}"
        if self.state is not State.LOWERING:
            self._enter(State.LOWERING, why, now)
            self._path = self._slowed(rest.lowering(self._robot, self._angles, self._period))
        return True, "lowering the body, then off"

    def _drop(self, why: str, now: float) -> None:
        """Stop of category 1 at the servos' own speed: the body is about to fall."""
        self._enter(State.LOWERING, why, now)
        self._dropping = True
        self._limits.speed = 1.0
        self._path = self._slowed(rest.dropping(self._robot, self._period))

    def _switch_off(self, state: State, why: str, now: float, category: int = 0) -> None:
        self._enter(state, why, now)
        self.stop_category = category
        self._dropping = False
        self._powered = list(NONE)
        self._angles = self._rest

    def _power_up_then_rise(self) -> rest.Path:
        for i, name in enumerate(JOINT_NAMES):
            if self._powered[i]:
                continue
            self._powered[i] = True
            self._why = f"first pulses: {name}, {i + 1} of {len(JOINT_NAMES)}"
            for _ in range(max(1, round(POWER_INTERVAL / self._period))):
                yield self._angles
        self._why = "rising to the standing height"
        yield from rest.rising(self._robot, self._angles, self._period)

    def _slowed(self, path: rest.Path) -> rest.SlowedPath:
        return rest.SlowedPath(self._limits, path)

    def _advance(self, now: float) -> None:
        if self._path is None:
            return
        angles = self._path.step(self._angles)
        if angles is not None:
            self._angles = angles
            return
        self._path = None
        if self.state is State.RISING:
            self._follow(now)
        elif self.state is State.LOWERING:
            self._switch_off(State.OFF, f"at rest ({self._why})", now, category=1)

    # Notices: what goes on within a state, said as long as it lasts; the words change once a NOTICE_TIME

    def _note(self, kind: str, text: str, now: float) -> None:
        said, since, _ = self._notices.get(kind, (text, now, now))
        if now - since > NOTICE_TIME:
            said, since = text, now
        self._notices[kind] = (said, since, now)

    def _forget_notices(self, now: float) -> None:
        for kind, (_, _, last) in list(self._notices.items()):
            if now - last > NOTICE_TIME:
                del self._notices[kind]
