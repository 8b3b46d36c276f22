"""The campaign of failures in physics: eight faults, standing, creeping and trotting, judged by the truth.

cd test && ../.venv/bin/python -m faults.physics --seeds 100            # the table
cd test && ../.venv/bin/python -m faults.physics --sound-hours 10       # false alarms in sound walking
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
from collections.abc import Callable, Iterator
from functools import partial
from itertools import count
from math import degrees, inf, isfinite
from statistics import median
from typing import Any

import numpy as np
from robots import digger, inspector

from quadleg.gait.limits import WalkingLimits
from quadleg.kinematics.body import Pose
from quadleg.kinematics.planar import STILL, Planar
from quadleg.robot.model import MEASURED, MODELLED, Robot
from quadleg.safety.following import Response
from quadleg.safety.watchdog import State
from quadleg.simulation.fault_kinds import FaultKind
from quadleg.simulation.fault_trials import FaultOutcome, outcome, play
from quadleg.simulation.ground import Ground
from quadleg.simulation.rollout import Rollout

ROBOTS = {"inspector": inspector, "digger": digger}
STAND, CREEP, TROT = "stand", "creep", "trot"
DOINGS = (STAND, CREEP, TROT)
SHARES = {STAND: 0.0, CREEP: 0.8, TROT: 0.6}  # of what the gait can do
BEFORE = (14.0, 16.0)  # s of sound walking before the fault
SETTINGS = {
    "flat": Ground(),
    "slope": Ground(slope=0.0873),
    "bumps": Ground(roughness=0.008),
    "pushes": Ground(push=0.3),
    "all": Ground(slope=0.0873, roughness=0.008, push=0.3),
}


def in_fork(work: Callable[[], Any]) -> Any:
    """What `work` returns in a copy of this process, which leaves this one as it is."""
    context = multiprocessing.get_context("fork")
    here, there = context.Pipe(duplex=False)
    child = context.Process(target=lambda: there.send(work()))
    child.start()
    there.close()
    try:
        return here.recv()
    except EOFError:
        raise RuntimeError("the copy ended without a result") from None
    finally:
        child.join()


def twist(limits: WalkingLimits, doing: str, random: np.random.Generator) -> Planar:
    """A velocity to walk with: mostly ahead, else back, to a side, turning, or a curve."""
    if doing == STAND:
        return STILL
    share = SHARES[doing]
    ways = [(1.0, 0.0, 0.0), (1.0, 0.0, 0.0), (-1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), (1.0, 0.0, 1.0)]
    x, y, yaw = ways[random.integers(len(ways))]
    sign = float(random.choice((-1.0, 1.0)))
    x, y, yaw = limits.scaled((x, sign * y, 2.0 * sign * yaw)) if share else STILL
    return share * x, share * y, share * yaw


def fault_trials(
    robot: Robot, seeds: range, angles: str | None, kinds: tuple[FaultKind, ...]
) -> Iterator[tuple[str, int, FaultOutcome]]:
    """Every fault in every doing, for each seed."""
    limits = {name: WalkingLimits(robot, robot.gait(name)) for name in (CREEP, TROT)}
    for seed in seeds:
        for doing in DOINGS:
            random = np.random.default_rng([seed, DOINGS.index(doing)])
            rollout = Rollout(robot, limits[TROT if doing == TROT else CREEP], seed=seed, angles=angles)
            rollout.stand()
            asked = twist(limits[TROT if doing == TROT else CREEP], doing, random)
            for _ in range(round(random.uniform(*BEFORE) / rollout.period)):
                rollout.tick(asked)
            assert not rollout.fell, f"seed {seed}, {doing}: {rollout.watchdog.why}"
            _, sound = in_fork(partial(play, rollout, robot, asked, None, 0))
            for kind in kinds:
                own = 100 * seed + list(FaultKind).index(kind)
                _, unnoticed = in_fork(partial(play, rollout, robot, asked, kind, own, judged=False))
                fault, judged = in_fork(partial(play, rollout, robot, asked, kind, own))
                yield doing, seed, outcome(fault, sound, unnoticed, judged)


def sound_walking(robot: Robot, hours: float, first_seed: int, angles: str | None) -> Iterator[dict[str, Any]]:
    """Sound standing and walking, two minutes a seed, over all grounds in turn, until the hours are over."""
    limits = {name: WalkingLimits(robot, robot.gait(name)) for name in (CREEP, TROT)}
    walks = [(setting, doing) for setting in SETTINGS for doing in (CREEP, TROT) if (setting, doing) != ("all", TROT)]
    walked = 0.0
    for seed in count(first_seed):
        setting, doing = walks[seed % len(walks)]
        found = sound_walk(robot, limits[doing], SETTINGS[setting], doing, seed, angles)
        walked += found["seconds"]
        yield {"seed": seed, "ground": setting, "gait": doing, **found, "hours": round(walked / 3600, 3)}
        if walked >= 3600 * hours:
            return


def sound_walk(
    robot: Robot, limits: WalkingLimits, ground: Ground, doing: str, seed: int, angles: str | None
) -> dict[str, Any]:
    """One sound walk with pauses and poses: for how long, what was said that the body does not follow, and how near."""
    random = np.random.default_rng([seed, 7])
    rollout = Rollout(robot, limits, ground, seed, angles)
    rollout.stand()
    begun, said = rollout.world.time, ""
    least_usual = 1.0
    nearest = dict.fromkeys(("lean", "mean_lean", "sunk", "off_turn", "off_usual", "drawn_share"), 0.0)
    for _ in range(6):
        asked = twist(limits, doing, random)
        height = robot.standing.height * float(random.uniform(0.9, 1.0))
        rollout.target = Pose.from_rpy(*random.uniform(-0.01, 0.01, 2), height, *random.uniform(-0.08, 0.08, 3))
        for pause, seconds in ((asked, 15.0), (STILL, 5.0)):
            for _ in range(round(seconds / rollout.period)):
                rollout.tick(pause)
                following = rollout.watchdog.following
                nearest = {key: max(value, getattr(following, key)) for key, value in nearest.items()}
                least_usual = min(least_usual, following.off_usual)
                if following.shortfall.response is not Response.NONE and not said:
                    said = f"{rollout.world.time - begun:.2f} s: {following.shortfall.words}"
        if rollout.watchdog.state is not State.ACTIVE:
            break
    return {
        "seconds": round(rollout.world.time - begun, 2),
        "said": said,
        **{key: round(value, 2) for key, value in nearest.items()},
        "least_usual": round(least_usual, 2),
        "state": rollout.watchdog.state.value,
        "why": rollout.watchdog.why,
    }


def table(found: list[tuple[str, int, FaultOutcome]]) -> str:
    """Fault by doing, as Markdown."""
    lines = [
        "| fault | doing | runs | no effect | falls: reported after (median, worst) | missed | off its way: reported | "
        "not reported | tilt, worst | over 25° |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for kind in FaultKind:
        for doing in DOINGS:
            own = [one for what, _, one in found if what == doing and one.fault.kind is kind]
            if not own:
                continue
            falls = [one for one in own if one.fall < inf]
            ways = [one for one in own if one.fall == inf and one.lost_way < inf]
            late = [max(one.reported - one.fall, 0.0) for one in falls if one.reported < inf]
            after = [max(one.reported - one.lost_way, 0.0) for one in ways if one.reported < inf]
            times = f"{len(late)}: {median(late):.2f}, {max(late):.2f} s" if late else "-"
            way_times = f"{len(after)}: {median(after):.2f}, {max(after):.2f} s" if after else "-"
            steep = max(one.tilt for one in own)
            over = sum(degrees(one.tilt) > 25 for one in own)
            lines.append(
                f"| {kind.value} | {doing} | {len(own)} | {len(own) - len(falls) - len(ways)} | {times} | "
                f"{len(falls) - len(late)} | {way_times} | {len(ways) - len(after)} | {degrees(steep):.0f}° | {over} |"
            )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--robot", choices=ROBOTS, default="inspector")
    parser.add_argument("--angles", choices=(MEASURED, MODELLED, "none"), default=MODELLED)
    parser.add_argument("--kind", choices=[kind.value for kind in FaultKind], action="append")
    parser.add_argument("--sound-hours", type=float, default=0.0)
    parser.add_argument("--lines", action="store_true", help="each run in a line of JSON")
    options = parser.parse_args()
    robot = ROBOTS[options.robot]()
    angles = None if options.angles == "none" else options.angles
    if options.sound_hours:
        for run in sound_walking(robot, options.sound_hours, options.first, angles):
            print(json.dumps(run), flush=True)
        return
    kinds = tuple(FaultKind(kind) for kind in options.kind) if options.kind else tuple(FaultKind)
    found = []
    for doing, seed, one in fault_trials(robot, range(options.first, options.first + options.seeds), angles, kinds):
        found.append((doing, seed, one))
        if options.lines:
            figures = {
                key: round(getattr(one, key), 2) if isfinite(getattr(one, key)) else None
                for key in ("fall", "lost_way", "reported")
            }
            print(
                json.dumps(
                    {
                        "fault": one.fault.kind.value,
                        "where": one.fault.where,
                        "size": round(one.fault.size, 2),
                        "doing": doing,
                        "seed": seed,
                        **figures,
                        "tilt": round(degrees(one.tilt), 1),
                        "code": one.shortfall.code.value,
                        "legs": one.shortfall.where,
                        "state": one.state,
                        "why": one.why,
                    }
                ),
                flush=True,
            )
    print(table(found), flush=True)


if __name__ == "__main__":
    main()
