"""What becomes of a robot when something fails: by the truth of three worlds that are alike until then.

One is sound. In one the fault goes unnoticed, so that the truth says whether it matters and from when on. In one the
watchdog judges and acts as on the robot. A fault matters where the unnoticed one makes the body leave its sound twin by
more than FAILURE; less is no failure, whatever the watchdog says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import acos, degrees, dist, inf, radians, remainder, tau

from quadleg.gait.walking_limits import WalkingLimits
from quadleg.geometry.planar import Planar
from quadleg.geometry.rotations import rotation_matrix
from quadleg.geometry.transforms import Pose
from quadleg.robot.model import MODELLED, RobotModel
from quadleg.safety.following import FOLLOWS, Following, FollowingShortfall, Response
from quadleg.simulation.fault_kinds import FaultKind
from quadleg.simulation.faults import InjectedFault, inject
from quadleg.simulation.ground import Ground
from quadleg.simulation.rollout import Rollout
from quadleg.simulation.world_difference import NO_DIFFERENCE, WorldDifference

BEFORE = 4.0  # s of sound walking before the fault
WATCHED = 5.0  # s after the fault
SPEED = 0.8  # of what the gait can do straight ahead
STAND = "stand"
# What a failure is (our own choice): the body leans, is lower, or is off the way or heading of its sound twin.
LEANS = radians(15)
LOWER_SHARE = 0.85  # of the twin's height
OFF_SHARE, OFF_LEAST = 0.5, 0.03  # of the way since the fault, and m
OFF_HEADING = radians(15)


@dataclass(frozen=True)
class BodyTrace:
    """One world after the fault, by frame: `times` in s since the fault, true `poses`, tilt in rad, and what was said.

    `reported` is when the watchdog first said that the body does not follow (s; infinite: never), with its shortfall.
    """

    times: tuple[float, ...]
    poses: tuple[Pose, ...]
    tilts: tuple[float, ...]
    reported: float
    shortfall: FollowingShortfall
    state: str
    why: str


@dataclass(frozen=True)
class FaultOutcome:
    """What came of one fault: when the unnoticed one made the body `fall` (lean or sink) or lose its `way`, when it was
    `reported` (all in s since the fault, infinite: never), and the largest tilt (rad) with the watchdog on."""

    fault: InjectedFault
    fall: float
    lost_way: float
    reported: float
    tilt: float
    shortfall: FollowingShortfall
    state: str
    why: str

    @property
    def failed(self) -> float:
        """When the body first failed, s."""
        return min(self.fall, self.lost_way)


class _Unjudged(Following):
    """Says nothing, whatever happens."""

    def step(self, angles: Sequence[float], now: float) -> FollowingShortfall:
        return FOLLOWS


def play(
    rollout: Rollout, robot: RobotModel, asked: Planar, kind: FaultKind | None, seed: int, judged: bool = True
) -> tuple[InjectedFault | None, BodyTrace]:
    """Let a robot go on for WATCHED seconds with a fault (None: without any).

    Not `judged`: nothing watches the body or the supply, so that what becomes of it is the fault's doing alone.
    """
    if not judged:
        rollout.watchdog.following = _Unjudged(robot)
        rollout.supply_sensor = False
    begun = rollout.world.time
    fault = inject(rollout.world, robot, kind, seed) if kind else None
    times, poses, tilts = [], [], []
    reported, shortfall = inf, FOLLOWS
    while rollout.world.time - begun < WATCHED:
        rollout.tick(asked)
        times.append(rollout.world.time - begun)
        poses.append(Pose(*rollout.world.pose))
        tilts.append(rollout.world.tilt)
        said = rollout.watchdog.following.shortfall
        if reported == inf and said.response is not Response.NONE:
            reported = times[-1]
        if said.response > shortfall.response:
            shortfall = said
        if reported == inf and rollout.fell and judged:
            reported = times[-1]
        if not judged and rollout.world.tilt > LEANS:
            break  # it has failed, and what follows does not matter
        if not rollout.watchdog.powered and rollout.world.belly_down:
            break
    watchdog = rollout.watchdog
    trace = BodyTrace(tuple(times), tuple(poses), tuple(tilts), reported, shortfall, watchdog.state.value, watchdog.why)
    return fault, trace


def outcome(fault: InjectedFault, sound: BodyTrace, unnoticed: BodyTrace, judged: BodyTrace) -> FaultOutcome:
    """What three traces of the same robot come to."""
    fall = lost = inf
    start = sound.poses[0].position[:2]
    for time, ours, twin in zip(unnoticed.times, unnoticed.poses, sound.poses):
        if (
            acos(max(-1.0, min(1.0, rotation_matrix(ours.quaternion)[2][2]))) > LEANS
            or ours.position[2] < LOWER_SHARE * twin.position[2]
        ):
            fall = min(fall, time)
        off = dist(ours.position[:2], twin.position[:2])
        way = dist(twin.position[:2], start)
        if off > max(OFF_SHARE * way, OFF_LEAST) or abs(remainder(ours.yaw - twin.yaw, tau)) > OFF_HEADING:
            lost = min(lost, time)
    return FaultOutcome(
        fault, fall, lost, judged.reported, max(judged.tilts), judged.shortfall, judged.state, judged.why
    )


def fault_trial(
    robot: RobotModel,
    gait: str,
    kind: FaultKind,
    seed: int,
    ground: Ground | None = None,
    difference: WorldDifference = NO_DIFFERENCE,
) -> FaultOutcome:
    """One fault while the robot stands (STAND) or walks ahead in a gait, in three worlds one after the other.

    Raises CannotWalk for a robot that does not stand up.
    """
    limits = WalkingLimits(robot, robot.gait(gait) if gait != STAND else robot.gaits[0])
    forward, _, _ = limits.scaled((1.0, 0.0, 0.0))
    asked = (0.0 if gait == STAND else SPEED * forward, 0.0, 0.0)
    traces = []
    fault = None
    for own, judged in ((None, True), (kind, False), (kind, True)):
        rollout = Rollout(robot, limits, ground, seed, MODELLED, difference=difference)
        rollout.stand()
        for _ in range(round(BEFORE / rollout.period)):
            rollout.tick(asked)
        fault, trace = play(rollout, robot, asked, own, seed, judged)
        traces.append(trace)
    assert fault
    return outcome(fault, *traces)


def in_words(gait: str, found: FaultOutcome) -> str:
    """One fault's outcome as a sentence."""
    what = found.fault.kind.value.replace("_", " ")
    said = f"{gait}, {what}{''.join(f' {where}' for where in found.fault.where)}: "
    if found.failed == inf:
        said += "the body goes on as a sound one would"
    else:
        how = "falls or sinks" if found.fall <= found.lost_way else "loses its way"
        said += f"unnoticed, the body {how} after {found.failed:.1f} s"
    if found.reported == inf:
        return f"{said}; not reported"
    lean = f"it leans by {degrees(found.tilt):.0f}° at most"
    return f"{said}; reported after {found.reported:.1f} s ({found.shortfall.code.value}): {found.why}; {lean}"
