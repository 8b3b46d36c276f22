"""Commands that measure: timing and rollout."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from importlib.util import find_spec
from math import isfinite, radians
from typing import TYPE_CHECKING

from quadleg.cli.arguments import Command, count, distance, number, say, takes_robot, takes_spread, warn
from quadleg.errors import SimMissing
from quadleg.robot.model import RobotModel
from quadleg.robot_file.load import find_robot, load_robot
from quadleg.simulation.fault_kinds import FaultKind
from quadleg.simulation.spread_kinds import Spread

if TYPE_CHECKING:
    from quadleg.simulation.ground import Ground
    from quadleg.simulation.spread import WorldSpread


def _timing(options: argparse.Namespace) -> int:
    from quadleg.benchmarks import timing

    if find_spec("rclpy") is None:
        warn("rclpy does not import, so the graph is not timed")
    timings = timing.measure()
    if options.json:
        say(timing.as_json(timings))
    else:
        timing.print_table(timings)
    return 0


def _rollout(options: argparse.Namespace) -> int:
    from rich.console import Console
    from rich.progress import Progress

    try:
        from quadleg.simulation import walk_trials
        from quadleg.simulation.ground import Ground
        from quadleg.simulation.spread import world_spread
        from quadleg.simulation.walk_velocities import FORWARD, VELOCITIES
    except ImportError:
        raise SimMissing from None
    robot = load_robot(find_robot(options.robot))
    spread = world_spread(options.spread, options.only)
    ground = Ground(
        friction=options.friction,
        slope=radians(options.slope),
        roughness=options.roughness / 1000,
        push=options.push,
    )
    if options.fault:
        return _inject(robot, ground, options.fault, options.runs, spread)
    judged = walk_trials.verdicts(robot, ground, options.runs, spread)
    tried = [
        verdict.worst.gait for verdict in judged if verdict.can_be_tried and verdict.worst.gait in walk_trials.SPEEDS
    ]
    velocities = tuple(VELOCITIES) if options.all_velocities else (FORWARD,)
    todo = walk_trials.trials(options.runs, tried, velocities)
    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("walking", total=len(todo))
        outcomes = walk_trials.run_all(robot, ground, options.distance, todo, lambda _: progress.advance(task), spread)
    found = walk_trials.figures(outcomes)
    if options.json:
        say(walk_trials.as_json(found, judged))
    else:
        say(spread.sentence)
        walk_trials.print_verdicts(judged)
        _say_what_would_do(robot, [verdict.worst.gait for verdict in judged if not verdict.worst.walks])
        if outcomes:
            walk_trials.print_table(found, outcomes)
    return 0 if all(verdict.worst.walks for verdict in judged) else 1


def _inject(robot: RobotModel, ground: Ground, name: str, runs: int, spread: WorldSpread) -> int:
    """Say what comes of a fault while the robot stands and walks; 1 where one mattered and was not reported."""
    from quadleg.simulation.fault_trials import STAND, fault_trial, in_words

    kind, missed = FaultKind(name), False
    for doing in (STAND, *(gait.name for gait in robot.gaits)):
        for seed in range(1, runs + 1):
            found = fault_trial(robot, doing, kind, seed, ground, spread.draw(seed))
            missed = missed or (isfinite(found.failed) and not isfinite(found.reported))
            say(in_words(doing, found))
    return int(missed)


def _say_what_would_do(robot: RobotModel, gaits: Sequence[str]) -> None:
    """The cure that `quadleg check` has for each gait that the robot does not walk in."""
    from quadleg.commissioning.feasibility.check import check

    if not gaits:
        return
    for forecast in check(robot).forecasts:
        if forecast.use.gait.name in gaits and forecast.limiting_factors:
            say(f"{forecast.use.gait.name}: what would do, by `quadleg check`: {forecast.limiting_factors[0].cure}")


def _rollout_command(command: Command) -> None:
    rollout = command(
        "rollout",
        _rollout,
        "walk in physics, faster than real time, and measure",
        "Says of each gait whether the robot walks, walks badly, does not walk or does not stand, and why. Each run "
        "walks forward in creep and trot, with measured and with modelled joint angles and without an estimator, by "
        "the same modules as the nodes; the table has the median, the 95th percentile and the worst of all runs. The "
        "exit code is 1 where the robot does not walk in one of its gaits. Needs the extra sim.",
    )
    takes_robot(rollout)
    rollout.add_argument("--runs", type=count, default=4, metavar="N", help="how many seeds (default: %(default)s)")
    rollout.add_argument(
        "--distance", type=distance, default=5.0, metavar="M", help="way of each walk in m (default: %(default)g)"
    )
    rollout.add_argument(
        "--all-velocities",
        action="store_true",
        help="walk each run at ten velocities a gait (slow, fast, back, sideways, turning, mixed), not only forward",
    )
    for name, default, unit, what in (
        ("friction", 0.8, "MU", "friction between feet and ground"),
        ("slope", 0.0, "DEG", "slope of the ground, uphill ahead"),
        ("roughness", 0.0, "MM", "height of the ground's bumps"),
        ("push", 0.0, "NS", "pushes from all sides, one about every 5 s, in N·s"),
    ):
        rollout.add_argument(
            f"--{name}", type=number, default=default, metavar=unit, help=f"{what} (default: %(default)g)"
        )
    takes_spread(rollout, Spread.NONE)
    rollout.add_argument(
        "--only",
        default="",
        metavar="ROWS",
        help="rows of docs/spread.md in which alone the robots differ, as play,stiffness=0.6,centre_of_mass=0/15/0",
    )
    kinds = [kind.value for kind in FaultKind]
    what = f"let something fail and say what came of it: {', '.join(kinds)}"
    rollout.add_argument("--fault", choices=kinds, metavar="NAME", help=what)
    rollout.add_argument("--json", action="store_true", help="print one JSON array instead of a table")


def add(command: Command) -> None:
    speed = command("timing", _timing, "measure the speed of the parts on this computer")
    speed.add_argument("--json", action="store_true", help="print one JSON array instead of a table")
    _rollout_command(command)
