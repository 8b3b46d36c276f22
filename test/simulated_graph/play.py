"""Plays seeded runs of the whole node graph in simulated time, replays one, and shrinks one that fails.

In the folder test: python -m simulated_graph.play --seeds 200 [--first N] [--jobs N], or --seed N for one run with all
that happened in it and the fewest happenings that still fail.
"""

from __future__ import annotations

import argparse
import functools
import hashlib
import os
import random
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, replace
from math import inf
from pathlib import Path
from tempfile import TemporaryDirectory

from sample_robots import sensor_robot_file

from quadleg.middleware.simulated_bus import NetworkConditions
from quadleg.robot.model import RobotModel
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot
from quadleg.runtime.node_table import PAD, RECORDER, VIEWER
from quadleg.safety.deadlines import HOLD_TIME
from quadleg.teleop.stack_link import Service
from simulated_graph.browser_pages import Browsers
from simulated_graph.deadline_judge import DeadlineJudge
from simulated_graph.disk_faults import RecordingDisk
from simulated_graph.gamepad_hand import GamepadHand
from simulated_graph.hand_happenings import PAGES
from simulated_graph.happening_draws import drawn, plan
from simulated_graph.happening_kinds import Happening, Scene
from simulated_graph.message_faults import MessageFaults
from simulated_graph.observed_board import Write
from simulated_graph.page_judge import PageJudge
from simulated_graph.people import Person
from simulated_graph.reason_judge import ReasonJudge
from simulated_graph.stack import SimulatedStack, StackOptions
from simulated_graph.strangers import Stranger
from simulated_graph.target_faults import TargetFaults
from simulated_graph.unsafe_actions import DISCOVERY, Judge, Violation

# A computer that is short of time: every message takes longer, and one in fifty comes after a frame is due.
STARVED = NetworkConditions(delay=(5e-4, 5e-3), late=0.02, late_delay=(0.02, 0.6))
BESIDE = {RECORDER: 0.12, PAD: 0.2, VIEWER: 0.12}  # the share of runs that have these processes
LENGTH = 20.0  # s of happenings
LOOK_PERIOD = 0.05  # s
SETTLE = 25.0  # s for all to end by itself, once nothing happens any more
COMES_BACK = 45.0  # s from power asked for to standing, with a reset and a few attempts
ENDS = 30.0  # s from Ctrl-C to the end


@dataclass(frozen=True)
class Run:
    """What one run showed. `trace` is a hash of every message and every write, with its time."""

    seed: int
    violations: tuple[Violation, ...]
    trace: str
    seconds: float
    events: tuple[str, ...]


@functools.cache
def robot(sensors: bool) -> RobotModel:
    """The demo robot, with `sensors` from a file of its own."""
    if sensors:
        path = sensor_robot_file(Path(tempfile.mkdtemp(prefix="quadleg_simulated_")))
    else:
        path = find_robot(DEFAULT_ROBOT)
    return load_robot(path)


def options_of(seed: int) -> StackOptions:
    """Draw what runs by a seed."""
    chance, others = random.Random(f"options {seed}"), random.Random(f"beside {seed}")
    beside = tuple(process for process, share in BESIDE.items() if others.random() < share)
    return StackOptions(
        robot(sensors=chance.random() < 0.7),
        rate=chance.choice((25.0, 25.0, 50.0)),
        separate=chance.random() < 0.3,
        beside=beside,
        without=("joystick",) if chance.random() < 0.3 else ("joystick", "state_estimator"),
        idle_time=chance.choice((0.0, 0.0, 6.0)),
        conditions=NetworkConditions() if chance.random() < 0.7 else STARVED,
    )


def play(seed: int, happenings: Sequence[Happening] | None = None) -> Run:
    """Play one run: by its seed alone, or with other happenings than those that the seed draws."""
    trace, events = hashlib.sha256(), []
    with TemporaryDirectory(dir="/dev/shm" if os.path.isdir("/dev/shm") else None) as folder:
        recordings = {"file": f"{folder}/all.mcap", "folder": f"{folder}/kept"}
        options = replace(options_of(seed), parameters={RECORDER: recordings})
        stack = SimulatedStack(options, seed, Path(folder) / "board")
        browsers = Browsers(stack, PAGES if VIEWER in options.beside else 0)
        with browsers.in_place(), stack.running(), ExitStack() as at_the_end:
            person = Person(stack)
            judge = Judge(stack, person.state)
            deadlines = DeadlineJudge(stack, judge, person)
            ReasonJudge(stack, judge)
            looks = [judge.look, deadlines.look, PageJudge(stack, judge, browsers).look]
            hand, disk = GamepadHand(stack), RecordingDisk(stack, judge)
            targets, messages = TargetFaults(stack), MessageFaults(stack)
            scene = Scene(stack, person, judge, deadlines, Stranger(stack), browsers, hand, disk, targets, messages)
            stack.bus.observers.append(lambda p, m: trace.update(f"{stack.now:.9f} {p.node_name} {p.topic}".encode()))
            judged = stack.written

            def written(write: Write) -> None:
                trace.update(f"{write.time:.9f} {write.after}".encode())
                judged(write)

            stack.written = written
            at_the_end.callback(scene.disk.free)
            plan(scene, drawn(seed, options.beside) if happenings is None else happenings)
            _look(stack, looks)
            stack.run(LENGTH)
            _judge_end(scene)
            judge.judge_logs()
            said = [(when, node, words.replace(folder, "FOLDER")) for when, _, node, words in stack.all_logs()]
            events = [f"{when - 1000:8.3f} s  {node}: {words}" for when, node, words in said]
            length = stack.now - 1000.0
    return Run(seed, tuple(judge.violations), trace.hexdigest()[:16], length, tuple(events))


def _look(stack: SimulatedStack, looks: Sequence[Callable[[], None]]) -> None:
    for look in looks:
        look()
    stack.time.after(LOOK_PERIOD, lambda: _look(stack, looks))


def _judge_end(scene: Scene) -> None:
    """Nothing happens any more: all must come to rest by itself, stand when asked to, and end."""
    stack, person, judge = scene.stack, scene.person, scene.judge
    scene.over = True
    stack.bus_faults.clear()
    scene.disk.free()
    stack.bus.conditions = NetworkConditions()
    rests = _run_until(stack, lambda: _rests(stack, person), SETTLE)
    if not rests and stack.options.idle_time and not stack.levels_itself:
        judge.violate("idle_not_lowered", f"power on {SETTLE:g} s after the last command")
    if stack.interrupted:
        _run_until(stack, lambda: not stack.supervisor.running, ENDS)
    if stack.parent_killed or not stack.supervisor.running:
        _run_until(stack, lambda: not _powered(stack), SETTLE)
        if _powered(stack):
            judge.violate("power_left_on", "power on after the end of the stack")
        scene.deadlines.upset(DISCOVERY + HOLD_TIME)
        stack.restart_parent()
        stack.run(DISCOVERY)
    _stand_again(scene)
    scene.disk.judge_end()
    scene.deadlines.upset(inf)
    stack.interrupt()
    if not _run_until(stack, lambda: not stack.supervisor.running, ENDS):
        judge.violate("lowering_without_end", f"no end {ENDS:g} s after Ctrl-C")
    if _powered(stack):
        judge.violate("power_left_on", "power on after the end")


def _rests(stack: SimulatedStack, person: Person) -> bool:
    """Whether the robot is where it stays: down without power, or standing where it may stand for ever."""
    if not _powered(stack):
        return True
    return person.state("joint_watchdog") == "active" and not stack.options.idle_time


def _stand_again(scene: Scene) -> None:
    """No state is a dead end: with a reset and a few attempts the robot stands."""
    stack, person, judge = scene.stack, scene.person, scene.judge
    until = stack.now + COMES_BACK

    def active() -> bool:
        return person.state("joint_watchdog") == "active" and _powered(stack)

    while not active():
        if stack.now > until:
            judge.violate("no_power_when_asked", f"{person.state('joint_watchdog')}: {person.answers[-1:]}")
            return
        if person.state("joint_watchdog") == "fault":
            person.ask(Service.RESET)
            stack.run(0.5)
        person.ask(Service.ENABLE, True)
        _run_until(stack, active, 8.0)


def _run_until(stack: SimulatedStack, done: Callable[[], bool], seconds: float) -> bool:
    """Let time pass until something is true for a while; whether it came to that within so many seconds."""
    until, lasting = stack.now + seconds, 0
    while stack.now < until and lasting < 3:
        stack.run(0.25)
        lasting = lasting + 1 if done() else 0
    return lasting > 0


def _powered(stack: SimulatedStack) -> bool:
    return any(angle is not None for angle in stack.eye.held())


def shrunk(seed: int, codes: set[str]) -> list[Happening]:
    """The fewest happenings with which a run still shows one of these violations, by leaving out one after another."""
    kept = drawn(seed, options_of(seed).beside)
    smaller = True
    while smaller:
        smaller = False
        for i in range(len(kept)):
            fewer = kept[:i] + kept[i + 1 :]
            if codes & {violation.code for violation in play(seed, fewer).violations}:
                kept, smaller = fewer, True
                break
    return kept


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=200, help="how many runs")
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes side by side")
    parser.add_argument("--seed", type=int, help="play this one, with its events, and shrink it if it fails")
    options = parser.parse_args()
    if options.seed is not None:
        return _show(options.seed)
    begun, simulated, failed = time.monotonic(), 0.0, 0
    with ProcessPoolExecutor(options.jobs) as pool:
        for run in pool.map(play, range(options.first, options.first + options.seeds)):
            simulated += run.seconds
            if run.violations:
                failed += 1
                print(f"seed {run.seed}:", *map(str, run.violations), sep="\n    ", flush=True)
    taken = time.monotonic() - begun
    print(f"{options.seeds} runs, {failed} with violations")
    print(f"{simulated:.0f} simulated seconds in {taken:.0f} s, {simulated / taken:.1f} a second")
    return 1 if failed else 0


def _show(seed: int) -> int:
    run = play(seed)
    print(f"seed {seed}: {replace(options_of(seed), robot=None)}, trace {run.trace}")
    print("happenings:", *drawn(seed, options_of(seed).beside), sep="\n  ")
    if not run.violations:
        print("no violation")
        return 0
    first = run.violations[0]
    print(
        "events before the violation:",
        *(e for e in run.events if float(e.split()[0]) <= first.time - 999.9),
        sep="\n  ",
    )
    print("violations:", *run.violations, sep="\n  ")
    print("enough for it:", *shrunk(seed, {first.code}), sep="\n  ")
    return 1


if __name__ == "__main__":
    sys.exit(main())
