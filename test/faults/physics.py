"""The campaign of failures in physics: eight faults, standing, creeping and trotting, judged by the truth.

cd test && ../.venv/bin/python -m faults.physics --seeds 100            # the table
cd test && ../.venv/bin/python -m faults.physics --sound-hours 10       # false alarms in sound walking

Several processes share the work by their seeds, and one merges their lines:

../.venv/bin/python -m faults.physics --first 1 --seeds 50 --lines > a.jsonl
../.venv/bin/python -m faults.physics --first 51 --seeds 50 --lines > b.jsonl
../.venv/bin/python -m faults.physics --of a.jsonl b.jsonl
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
from collections.abc import Callable, Iterator
from functools import partial
from itertools import count
from math import degrees, isfinite
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
from sample_robots import digger, inspector

from quadleg.gait.walking_limits import WalkingLimits
from quadleg.geometry.planar import ZERO_TWIST, Planar
from quadleg.geometry.transforms import Pose
from quadleg.robot.model import MEASURED, MODELLED, RobotModel
from quadleg.safety.following import Response
from quadleg.safety.state_machine import State
from quadleg.simulation.fault_kinds import FaultKind
from quadleg.simulation.fault_trials import FaultOutcome, outcome, play
from quadleg.simulation.ground import Ground
from quadleg.simulation.rollout import Rollout
from quadleg.simulation.spread import PERFECT, WorldSpread, world_spread

ROBOTS = {"inspector": inspector, "digger": digger}
STAND, CREEP, TROT = "stand", "creep", "trot"
DOINGS = (STAND, CREEP, TROT)
SHARES = {STAND: 0.0, CREEP: 0.8, TROT: 0.6}  # of what the gait can do
NEAREST = ("lean", "mean_lean", "sunk", "off_turn", "off_usual", "drawn_share")  # shares of their limits
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
        return ZERO_TWIST
    share = SHARES[doing]
    ways = [(1.0, 0.0, 0.0), (1.0, 0.0, 0.0), (-1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), (1.0, 0.0, 1.0)]
    x, y, yaw = ways[random.integers(len(ways))]
    sign = float(random.choice((-1.0, 1.0)))
    x, y, yaw = limits.scaled((x, sign * y, 2.0 * sign * yaw)) if share else ZERO_TWIST
    return share * x, share * y, share * yaw


def fault_trials(
    robot: RobotModel,
    seeds: range,
    angles: str | None,
    supplied: bool,
    kinds: tuple[FaultKind, ...],
    spread: WorldSpread = PERFECT,
) -> Iterator[tuple[str, int, FaultOutcome]]:
    """Every fault in every doing, for each seed in its own world of a spread."""
    limits = {name: WalkingLimits(robot, robot.gait(name)) for name in (CREEP, TROT)}
    for seed in seeds:
        for doing in DOINGS:
            random = np.random.default_rng([seed, DOINGS.index(doing)])
            gait, difference = limits[TROT if doing == TROT else CREEP], spread.draw(seed)
            rollout = Rollout(robot, gait, None, seed, angles, supplied, difference)
            rollout.stand()
            asked = twist(gait, doing, random)
            for _ in range(round(random.uniform(*BEFORE) / rollout.period)):
                rollout.tick(asked)
            assert not rollout.fell, f"seed {seed}, {doing}: {rollout.watchdog.why}"
            _, sound = in_fork(partial(play, rollout, robot, asked, None, 0))
            for kind in kinds:
                own = 100 * seed + list(FaultKind).index(kind)
                _, unnoticed = in_fork(partial(play, rollout, robot, asked, kind, own, judged=False))
                fault, judged = in_fork(partial(play, rollout, robot, asked, kind, own))
                yield doing, seed, outcome(fault, sound, unnoticed, judged)


def sound_walking(
    robot: RobotModel,
    hours: float,
    first_seed: int,
    angles: str | None,
    supplied: bool,
    spread: WorldSpread = PERFECT,
) -> Iterator[dict[str, Any]]:
    """Sound standing and walking, two minutes a seed, over all grounds in turn, until the hours are over."""
    limits = {name: WalkingLimits(robot, robot.gait(name)) for name in (CREEP, TROT)}
    walks = [(setting, doing) for setting in SETTINGS for doing in (CREEP, TROT) if (setting, doing) != ("all", TROT)]
    walked = 0.0
    for seed in count(first_seed):
        setting, doing = walks[seed % len(walks)]
        found = sound_walk(robot, limits[doing], SETTINGS[setting], doing, seed, angles, supplied, spread)
        walked += found["seconds"]
        yield {"seed": seed, "ground": setting, "gait": doing, **found, "hours": round(walked / 3600, 3)}
        if walked >= 3600 * hours:
            return


def sound_walk(
    robot: RobotModel,
    limits: WalkingLimits,
    ground: Ground,
    doing: str,
    seed: int,
    angles: str | None,
    supplied: bool,
    spread: WorldSpread = PERFECT,
) -> dict[str, Any]:
    """One sound walk with pauses and poses: for how long, what was said that the body does not follow, and how near."""
    random = np.random.default_rng([seed, 7])
    rollout = Rollout(robot, limits, ground, seed, angles, supplied, spread.draw(seed))
    rollout.stand()
    begun, said = rollout.world.time, ""
    least_usual = 1.0
    nearest = dict.fromkeys(NEAREST, 0.0)
    for _ in range(6):
        asked = twist(limits, doing, random)
        height = robot.standing.height * float(random.uniform(0.9, 1.0))
        rollout.target = Pose.from_rpy(*random.uniform(-0.01, 0.01, 2), height, *random.uniform(-0.08, 0.08, 3))
        for pause, seconds in ((asked, 15.0), (ZERO_TWIST, 5.0)):
            for _ in range(round(seconds / rollout.period)):
                rollout.tick(pause)
                following = rollout.watchdog.following
                nearest = {key: max(value, getattr(following, key)) for key, value in nearest.items()}
                least_usual = min(least_usual, following.off_usual)
                if following.shortfall.response is not Response.NONE and not said:
                    said = f"{rollout.world.time - begun:.2f} s: {following.shortfall.reason}"
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


def line(doing: str, seed: int, one: FaultOutcome) -> dict[str, Any]:
    """One outcome for JSON: times in s since the fault (null: never), tilt in degrees."""
    times = {
        key: round(value, 3) if isfinite(value) else None
        for key, value in (("fall", one.fall), ("lost_way", one.lost_way), ("reported", one.reported))
    }
    return {
        "fault": one.fault.kind.value,
        "where": one.fault.where,
        "size": round(one.fault.size, 2),
        "doing": doing,
        "seed": seed,
        **times,
        "tilt": round(degrees(one.tilt), 1),
        "code": one.shortfall.code.value,
        "legs": one.shortfall.where,
        "state": one.state,
        "why": one.why,
    }


def within(lines: list[dict[str, Any]], failed: str) -> str:
    """How many of these failures were reported; median and worst time after the `failed` body, and after the fault."""
    told = [one for one in lines if one["reported"] is not None]
    if not told:
        return f"{len(told)} of {len(lines)}" if lines else "-"
    after = [max(one["reported"] - one[failed], 0.0) for one in told]
    since = [one["reported"] for one in told]
    times = "; ".join(f"{median(each):.2f}, {max(each):.2f} s" for each in (after, since))
    return f"{len(told)} of {len(lines)} ({times})"


def table(lines: list[dict[str, Any]]) -> str:
    """Fault by doing, as Markdown, and what it comes to."""
    rows = [
        "Times: median, worst, after the unmonitored twin has failed; the same after the fault was injected.",
        "",
        "| failure | doing | runs | no effect: reported (after the fault) | fell or sank: reported "
        "| off its way: reported | largest lean | over 25° |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for kind in FaultKind:
        for doing in DOINGS:
            own = [one for one in lines if one["doing"] == doing and one["fault"] == kind.value]
            if not own:
                continue
            falls, ways, none = _sorted(own)
            needless = [one["reported"] for one in none if one["reported"] is not None]
            said = f"{len(needless)} of {len(none)}" if none else "-"
            said += f" ({median(needless):.2f}, {max(needless):.2f} s)" if needless else ""
            steep, over = max(one["tilt"] for one in own), sum(one["tilt"] > 25 for one in own)
            rows.append(
                f"| {kind.value.replace('_', ' ')} | {doing} | {len(own)} | {said} | "
                f"{within(falls, 'fall')} | {within(ways, 'lost_way')} | {steep:.0f}° | {over} |"
            )
    rows.append("")
    for doings in ((STAND, CREEP), (TROT,)):
        own = [one for one in lines if one["doing"] in doings]
        falls, ways, none = _sorted(own)
        soon = sum(one["reported"] is not None and one["reported"] - one["fall"] <= 1.0 for one in falls)
        rows.append(
            f"{' and '.join(doings)}: fell or sank {within(falls, 'fall')}, {soon} within 1 s of it; off its way "
            f"{within(ways, 'lost_way')}; no effect {len(none)}, of which "
            f"{sum(one['reported'] is not None for one in none)} reported; largest lean "
            f"{max((one['tilt'] for one in own), default=0.0):.0f}°"
        )
    return "\n".join(rows)


def _sorted(lines: list[dict[str, Any]]) -> tuple[list[dict[str, Any]], ...]:
    """Those that fell or sank by the truth, were only off their way, and neither."""
    falls = [one for one in lines if one["fall"] is not None]
    ways = [one for one in lines if one["fall"] is None and one["lost_way"] is not None]
    return falls, ways, [one for one in lines if one["fall"] is None and one["lost_way"] is None]


def sound_summary(lines: list[dict[str, Any]]) -> str:
    """Hours, false alarms, and how near to their limits (1) the monitor's shares came."""
    hours = sum(one["seconds"] for one in lines) / 3600
    said = [one for one in lines if one["said"]]
    nearest = {key: max(one[key] for one in lines) for key in NEAREST}
    least = min(one["least_usual"] for one in lines)
    text = f"{len(lines)} walks, {hours:.2f} h, {len(said)} with a false alarm; nearest: {nearest}, least_usual {least}"
    return "\n".join([text, *(f"seed {one['seed']}, {one['ground']}, {one['gait']}: {one['said']}" for one in said)])


def read(paths: list[Path]) -> list[dict[str, Any]]:
    """The JSON lines of several processes; what else they printed is left out."""
    texts = (text for path in paths for text in path.read_text(encoding="utf-8").splitlines())
    return [json.loads(text) for text in texts if text.startswith("{")]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    parser.add_argument("--robot", choices=ROBOTS, default="inspector")
    parser.add_argument("--angles", choices=(MEASURED, MODELLED, "none"), default=MODELLED)
    parser.add_argument("--no-supply-sensor", action="store_true", help="the monitor hears neither voltage nor current")
    parser.add_argument("--kind", choices=[kind.value for kind in FaultKind], action="append")
    parser.add_argument("--sound-hours", type=float, default=0.0)
    parser.add_argument("--spread", type=world_spread, default=PERFECT, help="none, calibrated or as-built")
    parser.add_argument("--lines", action="store_true", help="each run in a line of JSON")
    parser.add_argument("--of", type=Path, nargs="+", help="only summarise what such lines hold")
    options = parser.parse_args()
    if options.of:
        lines = read(options.of)
        trials, walks = [one for one in lines if "fault" in one], [one for one in lines if "fault" not in one]
        print("\n\n".join(say(own) for say, own in ((table, trials), (sound_summary, walks)) if own))
        return
    robot, supplied = ROBOTS[options.robot](), not options.no_supply_sensor
    angles = None if options.angles == "none" else options.angles
    found = []
    if options.sound_hours:
        for run in sound_walking(robot, options.sound_hours, options.first, angles, supplied, options.spread):
            found.append(run)
            print(json.dumps(run), flush=True)
        print(sound_summary(found), flush=True)
        return
    kinds = tuple(FaultKind(kind) for kind in options.kind) if options.kind else tuple(FaultKind)
    seeds = range(options.first, options.first + options.seeds)
    for doing, seed, one in fault_trials(robot, seeds, angles, supplied, kinds, options.spread):
        found.append(line(doing, seed, one))
        if options.lines:
            print(json.dumps(found[-1]), flush=True)
    print(table(found), flush=True)


if __name__ == "__main__":
    main()
