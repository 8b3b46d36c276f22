"""Whether a robot stands and walks in physics, as a verdict with the figures that it rests on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from math import ceil, degrees, isfinite, nan, radians
from typing import Any

import numpy as np

from quadleg.dynamics.servo_motors import ServoMotors
from quadleg.errors import CannotWalk
from quadleg.gait.walk_codes import JUDGED_SHARE, SPEED_KEPT, WalkCode
from quadleg.gait.walking_limits import RAMP_STRIDES, WalkingLimits
from quadleg.geometry.arrays import Array
from quadleg.geometry.planar import Planar
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.safety.catalogue import Reason
from quadleg.safety.figure_words import code_in_words
from quadleg.safety.state_machine import State
from quadleg.simulation.ground import Ground
from quadleg.simulation.rollout import Rollout
from quadleg.simulation.world_difference import NO_DIFFERENCE, WorldDifference

SETTLING = 1.0  # s that it stands before its height is taken
MEASURED_TIME = 3.0  # s at least, in whole strides, after it has come to speed

# What still is a walk, and what still is a poor one: our own choices. A walk of the demo robot keeps 91 % of the speed,
# 98 % of the height and 3° (`quadleg rollout`); a robot that sinks to its belly keeps half of the height.
HEIGHT_KEPT = (0.9, 0.75)  # of the standing height, on average
TILT_KEPT = (radians(15), radians(30))  # the largest
STANDS_FROM = 0.85  # of the standing height
AT_LIMIT = 0.98  # of the motor's largest torque: the servo gives all that it has
NAMED_FROM = 0.1  # of the time at its torque limit, from which a joint is named


class Shortfall(str, Enum):
    """What a walk lacks."""

    NO_SPEED = "no_speed"  # the walking limits are zero
    DOES_NOT_RISE = "does_not_rise"
    SINKS = "sinks"
    FELL = "fell"
    STOPPED = "stopped"
    SLOW = "slow"
    FAST = "fast"
    LOW = "low"
    TILTS = "tilts"
    TORQUE_LIMIT = "torque_limit"


@dataclass(frozen=True)
class WalkReason:
    """A shortfall in words; `value` is its figure (a share, or degrees of tilt), None where it has none."""

    code: Shortfall
    sentence: str
    value: float | None = None


@dataclass(frozen=True)
class WalkFigures:
    """A walk in physics: `asked` in m/s forward, the rest as shares of the speed asked for and the standing height,
    the largest `tilt` in rad, and the share of the time that each joint (12) is at its torque limit.
    """

    asked: float
    speed: float = nan
    standing_height: float = nan
    height: float = nan
    tilt: float = nan
    at_limit: tuple[float, ...] = (nan,) * len(JOINT_NAMES)


@dataclass(frozen=True)
class WalkVerdict:
    """One gait's: the code, why, and the figures."""

    gait: str
    code: WalkCode
    reasons: tuple[WalkReason, ...]
    figures: WalkFigures

    @property
    def walks(self) -> bool:
        """Well or badly."""
        return self.code.walks

    @property
    def sentence(self) -> str:
        """The verdict in words, with its reasons or, where there are none, the figures."""
        figures = self.figures
        why = "; ".join(reason.sentence for reason in self.reasons) or (
            f"{100 * figures.speed:.0f} % of {figures.asked:.2f} m/s, body tilts {degrees(figures.tilt):.0f}° at most"
        )
        return f"{self.gait}: {code_in_words(self.code.value)}: {why}"

    def as_dict(self) -> dict[str, Any]:
        seen = self.figures
        figures = {
            "asked_m_s": seen.asked,
            "speed_share": seen.speed,
            "standing_height_share": seen.standing_height,
            "walking_height_share": seen.height,
            "largest_tilt_deg": degrees(seen.tilt),
            "largest_share_of_time_at_torque_limit": max(seen.at_limit),
        }
        return {
            "gait": self.gait,
            "verdict": self.code.value,
            "reasons": [{"code": r.code.value, "value": r.value, "sentence": r.sentence} for r in self.reasons],
            "figures": {key: round(value, 4) if isfinite(value) else None for key, value in figures.items()},
        }


def walk_verdict(
    robot: RobotModel,
    limits: WalkingLimits,
    ground: Ground | None = None,
    seed: int = 1,
    asked: float | None = None,
    difference: WorldDifference = NO_DIFFERENCE,
) -> WalkVerdict:
    """Let a robot rise, stand and walk forward (m/s; None: a usual share of its fastest) for a few strides, and judge.

    Walks without an estimator. Raises nothing for a robot that cannot: that is its verdict.
    """
    rollout = Rollout(robot, limits, ground, seed, angles=None, difference=difference)
    gait = limits.gait
    speed = JUDGED_SHARE * limits.forward[0] if asked is None else asked
    figures = WalkFigures(speed)
    try:
        rollout.stand()
    except CannotWalk:
        reason = WalkReason(Shortfall.DOES_NOT_RISE, rollout.watchdog.why)
        return WalkVerdict(gait.name, WalkCode.DOES_NOT_STAND, (reason,), figures)
    standing = _Observed(robot, rollout)
    standing.observe(SETTLING, (0.0, 0.0, 0.0))
    figures = WalkFigures(speed, standing_height=standing.last_height, at_limit=standing.at_limit)
    if rollout.fell or standing.last_height < STANDS_FROM:
        return _sunk(gait.name, figures, rollout)
    if limits.cannot_walk or speed <= 0.0:
        words = str(Reason.of_fact(limits.cannot_walk)) if limits.cannot_walk else "its walking limit forward is zero"
        return WalkVerdict(gait.name, WalkCode.DOES_NOT_WALK, (WalkReason(Shortfall.NO_SPEED, words),), figures)
    twist = (speed, 0.0, 0.0)
    setting_off = _Observed(robot, rollout)
    setting_off.observe((RAMP_STRIDES + 1) * gait.stride_period, twist)
    walking = _Observed(robot, rollout)
    walking.observe(ceil(MEASURED_TIME / gait.stride_period) * gait.stride_period, twist)
    seen = walking if walking.count else setting_off
    return judged(
        gait.name,
        WalkFigures(
            asked=speed,
            speed=seen.forward / speed,
            standing_height=standing.last_height,
            height=seen.height,
            tilt=max(setting_off.tilt, walking.tilt),
            at_limit=seen.at_limit,
        ),
        None if not rollout.fell else rollout,
    )


def judged(gait: str, figures: WalkFigures, fallen: Rollout | None = None) -> WalkVerdict:
    """The verdict on the figures of a walk; `fallen` is the rollout where the walk ended before its time."""
    if fallen is not None:
        return WalkVerdict(gait, WalkCode.DOES_NOT_WALK, (_ended(fallen), *_at_limit(figures.at_limit)), figures)
    reasons = []
    worst = WalkCode.WALKS
    for code, value, (well, badly), sentence in (
        (
            Shortfall.SLOW if figures.speed < 1.0 else Shortfall.FAST,
            1.0 - abs(1.0 - figures.speed),
            SPEED_KEPT,
            f"goes {100 * figures.speed:.0f} % of the {figures.asked:.2f} m/s asked for",
        ),
        (Shortfall.LOW, figures.height, HEIGHT_KEPT, f"sinks to {100 * figures.height:.0f} % of its height"),
        (
            Shortfall.TILTS,
            -figures.tilt,
            tuple(-limit for limit in TILT_KEPT),
            f"tilts by {degrees(figures.tilt):.0f}°",
        ),
    ):
        if value >= well:
            continue
        figure = {Shortfall.TILTS: degrees(figures.tilt), Shortfall.FAST: figures.speed}.get(code, value)
        reasons.append(WalkReason(code, sentence, figure))
        graded = WalkCode.WALKS_BADLY if value >= badly else WalkCode.DOES_NOT_WALK
        worst = max(worst, graded, key=lambda one: one.severity)
    if reasons:
        reasons += _at_limit(figures.at_limit)
    return WalkVerdict(gait, worst, tuple(reasons), figures)


@dataclass(frozen=True)
class GaitVerdict:
    """One gait over several seeds; the worst run counts."""

    runs: tuple[WalkVerdict, ...]

    @property
    def worst(self) -> WalkVerdict:
        return max(self.runs, key=lambda run: run.code.severity)

    @property
    def can_be_tried(self) -> bool:
        """Whether it stands in each run, and its limits let it go somewhere."""
        codes = {reason.code for run in self.runs for reason in run.reasons}
        stands = self.worst.code is not WalkCode.DOES_NOT_STAND
        return stands and Shortfall.NO_SPEED not in codes

    @property
    def sentence(self) -> str:
        worst = self.worst
        same = sum(run.code is worst.code for run in self.runs)
        return worst.sentence if same == len(self.runs) else f"{worst.sentence} ({same} of {len(self.runs)} runs)"

    def as_dict(self) -> dict[str, Any]:
        """For JSON: the worst run, and how many runs had each verdict."""
        counts = Counter(run.code.value for run in self.runs)
        return {**self.worst.as_dict(), "runs": {code.value: counts[code.value] for code in WalkCode}}


class _Observed:
    """What the body does over some time."""

    def __init__(self, robot: RobotModel, rollout: Rollout) -> None:
        self._rollout = rollout
        self._height = robot.standing.height
        self._supply = robot.supply.voltage
        self._motors = ServoMotors.of(robot)
        self._limited: Array = np.zeros(len(JOINT_NAMES))
        self._sums = np.zeros(2)
        self.last_height = self.tilt = 0.0
        self.count = 0

    def observe(self, seconds: float, twist: Planar) -> None:
        """Ticks the rollout, at most until the robot has fallen or its watchdog takes over."""
        rollout, world = self._rollout, self._rollout.world
        for _ in range(round(seconds / rollout.period)):
            if rollout.fell:
                return
            rollout.tick(twist)
            strength = world.voltage / self._supply
            motor = np.abs(world.torques + self._motors.damping * world.rates)
            self._limited += motor > AT_LIMIT * strength * self._motors.strongest
            self.last_height = world.pose[0][2] / self._height
            self._sums += world.velocity_in_base[0], self.last_height
            self.tilt = max(self.tilt, world.tilt)
            self.count += 1

    @property
    def forward(self) -> float:
        """m/s on average."""
        return float(self._sums[0] / max(self.count, 1))

    @property
    def height(self) -> float:
        return float(self._sums[1] / max(self.count, 1))

    @property
    def at_limit(self) -> tuple[float, ...]:
        return tuple((self._limited / max(self.count, 1)).tolist())


def _sunk(gait: str, figures: WalkFigures, rollout: Rollout) -> WalkVerdict:
    share = figures.standing_height
    first = (
        _ended(rollout)
        if rollout.fell
        else WalkReason(Shortfall.SINKS, f"stands at {100 * share:.0f} % of its height", share)
    )
    return WalkVerdict(gait, WalkCode.DOES_NOT_STAND, (first, *_at_limit(figures.at_limit)), figures)


def _ended(rollout: Rollout) -> WalkReason:
    world = rollout.world
    if world.fallen:
        return WalkReason(Shortfall.FELL, f"falls: tilted by {degrees(world.tilt):.0f}°", degrees(world.tilt))
    if rollout.watchdog.state is not State.ACTIVE:
        return WalkReason(Shortfall.STOPPED, f"stopped by its watchdog: {rollout.watchdog.why}")
    return WalkReason(Shortfall.FELL, "falls")


def _at_limit(shares: Sequence[float]) -> list[WalkReason]:
    """The joints that are at their torque limit about as long as the longest, as the cause."""
    longest = max(shares)
    if not longest >= NAMED_FROM:
        return []
    names = [name for name, share in zip(JOINT_NAMES, shares) if share >= 0.8 * longest]
    limits = "torque limit" if len(names) == 1 else "torque limits"
    sentence = f"{' and '.join(names)} at the {limits} {100 * longest:.0f} % of the time"
    return [WalkReason(Shortfall.TORQUE_LIMIT, sentence, longest)]
