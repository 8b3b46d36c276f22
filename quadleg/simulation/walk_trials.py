"""Seeded trials of the walk in physics: how far the estimate drifts, how well the walk is kept, whether it falls."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from functools import cache, partial
from math import degrees, hypot, isfinite, isnan, nan, remainder, tau
from statistics import median

import numpy as np
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from quadleg.errors import CannotWalk
from quadleg.gait.walk_codes import JUDGED_SHARE
from quadleg.gait.walking_limits import RAMP_STRIDES, WalkingLimits
from quadleg.geometry.planar import Planar, to_frame
from quadleg.geometry.rotations import Quaternion, rotation_matrix
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector
from quadleg.robot.model import MEASURED, MODELLED, RobotModel
from quadleg.safety.catalogue import Reason
from quadleg.simulation.ground import Ground
from quadleg.simulation.rollout import Rollout
from quadleg.simulation.spread import PERFECT, WorldSpread
from quadleg.simulation.walk_velocities import FORWARD, VELOCITIES, pace, speed_share
from quadleg.simulation.walk_verdict import GaitVerdict, WalkVerdict, walk_verdict

CREEP, TROT = "creep", "trot"
SPEEDS = {CREEP: 0.06, TROT: 0.12}  # m/s forward
STANDING = 5.0  # s before it walks, in which the estimator finds the gyro's bias
PERCENT, TILT, TURN, WALKS, FACTOR = "%", "deg rms", "deg/min", "walks", "x"
MEANINGS = {
    "drift_measured_creep": "creep, joint angles measured: estimated place off, of the distance",
    "drift_measured_trot": "trot, joint angles measured: estimated place off, of the distance",
    "drift_modelled": "joint angles modelled: estimated place off, of the distance",
    "speed_error_creep": "creep, joint angles measured: speed off the one asked for",
    "speed_error_trot": "trot, joint angles measured: speed off the one asked for",
    "speed_error_modelled_creep": "creep, joint angles modelled: speed off the one asked for",
    "speed_error_modelled_trot": "trot, joint angles modelled: speed off the one asked for",
    "tilt_error": "estimated tilt off the true one",
    "yaw_drift": "estimated heading off the true one",
    "falls": "walks that fell or were stopped, of all",
    "realtime_factor": "faster than real time, without estimator",
    "realtime_factor_with_estimator": "faster than real time, with estimator",
    "sideways_creep": "creep: sideways off its line, of the distance",
    "sideways_trot": "trot: sideways off its line, of the distance",
}


@dataclass(frozen=True)
class Trial:
    """One walk: gait, the joint angles that the estimator has (None: no estimator), the seed, and the name of its
    velocity: FORWARD or one of VELOCITIES (walk_velocities.py).
    """

    gait: str
    angles: str | None
    seed: int
    velocity: str = FORWARD

    def asked(self, limits: WalkingLimits) -> Planar:
        """Return the velocity asked for (m/s, m/s, rad/s)."""
        if self.velocity == FORWARD:
            return limits.scaled((SPEEDS[self.gait], 0.0, 0.0))
        return VELOCITIES[self.velocity].of(limits)


@dataclass(frozen=True)
class Outcome:
    """What came of a trial: shares of the distance in percent, `tilt_error` in deg rms, `yaw_drift` in deg/min.

    `speed_error` is that of the body's mean velocity along the one asked for, over whole strides after it has come to
    speed, as walk_verdict.py takes it; `asked` is that of the feet over the ground in m/s. `realtime_factor` is the
    time in the world for each second of a processor. Errors are absolute, and NaN without an estimator; so is `drift`
    of a turn in place, and `sideways` of any other velocity than FORWARD.
    """

    trial: Trial
    drift: float
    sideways: float
    speed_error: float
    tilt_error: float
    yaw_drift: float
    fell: bool
    realtime_factor: float
    stopped_by: str = ""
    asked: float = nan


@dataclass(frozen=True)
class TrialFigure:
    """One figure over all runs, with the 95th percentile; `worst` is the greatest error, or the least real-time factor
    (its percentile then is the 5th).
    """

    name: str
    unit: str
    median: float
    percentile_95: float
    worst: float


def trials(runs: int, gaits: Sequence[str] = tuple(SPEEDS), velocities: Sequence[str] = (FORWARD,)) -> list[Trial]:
    """Those of so many seeded runs, each in both gaits and all velocities, with measured and modelled joint angles."""
    kinds = [(gait, angles, name) for angles in (MEASURED, MODELLED, None) for gait in gaits for name in velocities]
    return [Trial(gait, angles, seed, name) for seed in range(1, runs + 1) for gait, angles, name in kinds]


def verdicts(robot: RobotModel, ground: Ground, runs: int, spread: WorldSpread = PERFECT) -> list[GaitVerdict]:
    """What so many seeded runs, each in its own world of a spread, say of each gait of the robot (walk_verdict.py)."""
    names = [gait.name for gait in robot.gaits]
    for name in names:
        _limits(robot, name)  # once, before the processes part
    with ProcessPoolExecutor() as pool:
        walks = [
            pool.submit(_verdict, robot, ground, name, seed, spread) for name in names for seed in range(1, runs + 1)
        ]
        found = [walk.result() for walk in walks]
    return [GaitVerdict(tuple(found[runs * i : runs * (i + 1)])) for i in range(len(names))]


def _verdict(robot: RobotModel, ground: Ground, gait: str, seed: int, spread: WorldSpread) -> WalkVerdict:
    return walk_verdict(robot, _limits(robot, gait), ground, seed, difference=spread.draw(seed))


def run_all(
    robot: RobotModel,
    ground: Ground,
    distance: float,
    todo: Sequence[Trial],
    done: Callable[[Outcome], object],
    spread: WorldSpread = PERFECT,
) -> list[Outcome]:
    """Runs trials over all processors; tells each outcome as it comes. Raises CannotWalk."""
    for gait in {trial.gait for trial in todo}:
        _limits(robot, gait)  # once, before the processes part
    with ProcessPoolExecutor() as pool:
        running = [pool.submit(run, robot, ground, distance, trial, spread) for trial in todo]
        try:
            for outcome in as_completed(running):
                done(outcome.result())
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    return [outcome.result() for outcome in running]


def run(robot: RobotModel, ground: Ground, distance: float, trial: Trial, spread: WorldSpread = PERFECT) -> Outcome:
    """One trial, in its seed's world of a spread: the robot rises, stands for some seconds, and walks so far (m).

    Raises CannotWalk for a robot that does not even stand, unless it was thrown over.
    """
    limits = _limits(robot, trial.gait)
    if limits.cannot_walk:
        raise CannotWalk(str(Reason.of_fact(limits.cannot_walk)))
    for axis, ahead in zip(("forward", "to the left", "turning left"), limits.forward):
        if not ahead and (axis == "forward" or trial.velocity != FORWARD):
            raise CannotWalk(f"gaits.{trial.gait}: the walking limit {axis} is zero; `quadleg check` says why")
    asked = trial.asked(limits)
    speed = pace(robot, asked)
    rollout = Rollout(robot, limits, ground, trial.seed, trial.angles, difference=spread.draw(trial.seed))
    if not _stands(rollout):
        return Outcome(trial, nan, nan, nan, nan, nan, True, nan, rollout.watchdog.why)
    true_poses: list[tuple[Vector, Quaternion]] = []
    found_poses: list[tuple[Vector, Quaternion]] = []
    walked: list[Planar] = []  # m/s, m/s, rad/s
    begun, left = time.thread_time(), round(distance / speed / rollout.period)
    while left and not rollout.fell:
        left -= 1
        rollout.tick(asked)
        true_poses.append(rollout.world.pose)
        walked.append((*rollout.world.velocity_in_base[:2], float(rollout.world.turning[2])))
        if rollout.estimate:
            found_poses.append((rollout.estimate.position, rollout.estimate.quaternion))
    lasted = len(true_poses) * rollout.period
    factor = lasted / (time.thread_time() - begun)
    true = _Way(true_poses)
    way, aside = true.end
    drift = yaw_drift = tilt_error = nan
    if found_poses:
        found = _Way(found_poses)
        path = lasted * hypot(*np.mean(walked, axis=0)[:2])
        if asked[0] or asked[1]:
            drift = hypot(found.end[0] - way, found.end[1] - aside) / path
        yaw_drift = abs(degrees(remainder(found.turn - true.turn, tau))) / (lasted / 60)
        tilt_error = degrees(float(np.sqrt(((np.array(found.ups) - true.ups) ** 2).mean(axis=0)).max()))
    share = speed_share(robot, _at_speed(walked, round(limits.gait.stride_period / rollout.period)), asked)
    return Outcome(
        trial=trial,
        drift=100 * drift,
        sideways=100 * abs(aside) / hypot(way, aside) if trial.velocity == FORWARD else nan,
        speed_error=100 * abs(share - 1),
        tilt_error=tilt_error,
        yaw_drift=yaw_drift,
        fell=rollout.fell,
        realtime_factor=factor,
        stopped_by=rollout.watchdog.why if rollout.fell else "",
        asked=speed,
    )


def figures(outcomes: Sequence[Outcome]) -> list[TrialFigure]:
    """What all trials together come to. A figure that no trial has is NaN."""

    over = partial(_over, outcomes)
    falls = float(sum(outcome.fell for outcome in outcomes))
    bare = [outcome.realtime_factor for outcome in outcomes if outcome.trial.angles is None]
    whole = [outcome.realtime_factor for outcome in outcomes if outcome.trial.angles is not None]
    return [
        over("drift_measured_creep", PERCENT, "drift", CREEP),
        over("drift_measured_trot", PERCENT, "drift", TROT),
        over("drift_modelled", PERCENT, "drift", angles=(MODELLED,)),
        over("speed_error_creep", PERCENT, "speed_error", CREEP),
        over("speed_error_trot", PERCENT, "speed_error", TROT),
        over("speed_error_modelled_creep", PERCENT, "speed_error", CREEP, (MODELLED,)),
        over("speed_error_modelled_trot", PERCENT, "speed_error", TROT, (MODELLED,)),
        over("tilt_error", TILT, "tilt_error", angles=(MEASURED, MODELLED)),
        over("yaw_drift", TURN, "yaw_drift", angles=(MEASURED, MODELLED)),
        TrialFigure("falls", WALKS, falls, falls, falls),
        _figure("realtime_factor", FACTOR, bare, min),
        _figure("realtime_factor_with_estimator", FACTOR, whole, min),
    ]


def as_json(found: Sequence[TrialFigure], judged: Sequence[GaitVerdict] = ()) -> str:
    """One JSON array of objects {name, unit, median, percentile_95, worst, meaning}, null where no trial tells, then
    one object {name, verdict, reasons, ...} for each gait.
    """
    objects = [{**asdict(figure), "meaning": MEANINGS[figure.name]} for figure in found]
    for figure in objects:
        figure.update({key: None for key in ("median", "percentile_95", "worst") if isnan(figure[key])})
    verdict_objects = [{"name": f"verdict_{verdict.worst.gait}", **verdict.as_dict()} for verdict in judged]
    return json.dumps([*objects, *verdict_objects], indent=2)


def print_verdicts(judged: Sequence[GaitVerdict]) -> None:
    """What they are about, and a sentence for each gait."""
    runs = max((len(verdict.runs) for verdict in judged), default=0)
    Console().print(
        f"Verdicts: the worst of {runs} short walks a gait, at {100 * JUDGED_SHARE:.0f} % of its limit forward, "
        "without an estimate to keep the course.",
        highlight=False,
    )
    for verdict in judged:
        Console().print(verdict.sentence, style="bold" if verdict.worst.walks else "bold red", highlight=False)


def print_table(found: Sequence[TrialFigure], outcomes: Sequence[Outcome]) -> None:
    """The figures for a person, with what keeps the walk from its line, and which runs fell."""
    table = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for heading in ("figure", "median", "95 %", "worst", "unit"):
        table.add_column(heading, justify="left" if heading in ("figure", "unit") else "right")
    known = (MEASURED, MODELLED)
    aside = [_over(outcomes, f"sideways_{gait}", PERCENT, "sideways", gait, known) for gait in SPEEDS]
    for figure in (*found, *aside):
        if not isnan(figure.median):
            table.add_row(
                MEANINGS[figure.name],
                f"{figure.median:.3g}",
                f"{figure.percentile_95:.3g}",
                f"{figure.worst:.3g}",
                figure.unit,
            )
    console = Console()
    for outcome in outcomes:
        if outcome.fell:
            trial = outcome.trial
            walk = f"{trial.gait}, {trial.velocity}, {trial.angles or 'no'} joint angles, seed {trial.seed}"
            console.print(f"fell or was stopped: {walk}: {outcome.stopped_by}", highlight=False)
    paces: dict[str, list[float]] = {}
    for outcome in outcomes:
        if not isnan(outcome.asked):
            paces.setdefault(outcome.trial.gait, []).append(outcome.asked)
    asked = " and ".join(f"{_range(speeds)} m/s in {gait}" for gait, speeds in paces.items())
    console.print(
        f"Figures: {len(outcomes)} long walks, asked for {asked or 'nothing, since none set off'}; with joint angles, "
        "an estimate keeps the course.",
        highlight=False,
    )
    console.print(table)


def _over(
    outcomes: Sequence[Outcome],
    name: str,
    unit: str,
    key: str,
    gait: str | None = None,
    angles: Sequence[str] = (MEASURED,),
) -> TrialFigure:
    """The figure of one error over the trials in a gait (None: any) with such joint angles."""
    values = [
        getattr(outcome, key)
        for outcome in outcomes
        if gait in (None, outcome.trial.gait) and outcome.trial.angles in angles
    ]
    return _figure(name, unit, values, max)


def _figure(name: str, unit: str, values: Sequence[float], worst: Callable[..., float]) -> TrialFigure:
    known = [value for value in values if isfinite(value)]
    if not known:
        return TrialFigure(name, unit, nan, nan, nan)
    percentile = float(np.percentile(known, 95 if worst is max else 5))
    return TrialFigure(name, unit, median(known), percentile, worst(known))


def _range(speeds: Sequence[float]) -> str:
    least, most = f"{min(speeds):.2f}", f"{max(speeds):.2f}"
    return least if least == most else f"{least} to {most}"


def _stands(rollout: Rollout) -> bool:
    """Whether the robot is on its feet after it has risen and stood; it may have been thrown over."""
    try:
        rollout.stand()
    except CannotWalk:
        if not rollout.thrown_over:
            raise
    for _ in range(round(STANDING / rollout.period)):
        rollout.tick()
    return not rollout.fell


class _Way:
    """A way of the body, seen from where and how it began: places (m), headings (rad), verticals in base_link."""

    def __init__(self, poses: Sequence[tuple[Vector, Quaternion]]) -> None:
        (x, y, _), _ = poses[0]
        begun, ended = (Pose(*pose).yaw for pose in (poses[0], poses[-1]))
        self._places = [to_frame((x, y, begun), *position[:2]) for position, _ in poses]
        self.turn = ended - begun
        self.ups = [rotation_matrix(quaternion)[2] for _, quaternion in poses]

    @property
    def end(self) -> tuple[float, float]:
        return self._places[-1]


def _at_speed(walked: Sequence[Planar], stride: int) -> Planar:
    """The mean of velocities over whole strides of so many ticks, after it has come to speed; NaN if it never has."""
    steady = walked[round(RAMP_STRIDES + 1) * stride :]
    ticks = len(steady) // stride * stride
    if not ticks:
        return nan, nan, nan
    x, y, yaw = np.mean(steady[:ticks], axis=0).tolist()
    return x, y, yaw


@cache
def _limits(robot: RobotModel, gait: str) -> WalkingLimits:
    return WalkingLimits(robot, robot.gait(gait))
