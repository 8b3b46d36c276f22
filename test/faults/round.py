"""One round: a robot stands up, its body moves, a fault is provoked at a random moment, the registers are judged.

A process of its own, in the folder test: python -m faults.round FAULT SEED. Prints one line of JSON.
"""

from __future__ import annotations

import json
import random
import sys
import threading
import time
from contextlib import suppress
from dataclasses import asdict, dataclass
from itertools import pairwise
from math import cos, inf, sin, tau
from pathlib import Path
from tempfile import TemporaryDirectory

from conftest import RosProbe, Stack

from faults.table import FAULTS, FaultContext, Outcome
from faults.watch import STILL, BoardMonitor
from quadleg.client import Robot
from quadleg.errors import QuadlegError
from quadleg.geometry.transforms import Pose

COME_DOWN = 0.003  # m over rest where the power may end
STANDS_WITHIN = 30.0  # s
GOING_ON = 3.0  # s that a hold may still last after the wait for one


@dataclass(frozen=True)
class Result:
    """What one round showed. `safe_after`: s from the fault to what had to come of it."""

    fault: str
    seed: int
    ended: str
    safe_after: float
    worst_share: float
    fell_mm: float
    troubles: tuple[str, ...]


def play(name: str, seed: int) -> Result:
    """Plays one round with real processes."""
    fault, chance = FAULTS[name], random.Random(f"{name} {seed}")
    namespace = f"round_{name.replace('-', '_').replace('.', '_')}_{seed}"
    with TemporaryDirectory() as folder:
        arguments = ["--namespace", namespace, "--seed", str(seed), *(["--separate"] if fault.separate else [])]
        stack = Stack(Path(folder), "greenhouse_inspector", "--rate", "50", *arguments)
        probe = None
        try:
            stack.wait_for_line("ready after")
            with Robot(namespace) as robot:
                _stand(robot)
                probe = RosProbe()
                scene = FaultContext(stack, robot, probe, chance, namespace)
                return _judged(name, seed, scene)
        finally:
            if probe:
                probe.close()
            stack.end_hard()


def _stand(robot: Robot) -> None:
    """Stands up, again where a busy computer made it hold on the way: no fault has been provoked yet."""
    deadline = time.monotonic() + STANDS_WITHIN
    while True:
        try:
            robot.stand()
            return
        except QuadlegError:
            if time.monotonic() > deadline:
                raise


def _judged(name: str, seed: int, scene: FaultContext) -> Result:
    fault = FAULTS[name]
    moving = threading.Event()
    mover = threading.Thread(target=move, args=(scene.robot, moving), daemon=True)
    mover.start()
    watch = BoardMonitor(scene.stack)
    time.sleep(scene.random.uniform(0.5, 2.5))
    begun = time.monotonic()
    provoker = threading.Thread(target=_provoke, args=(fault.provoke, scene), daemon=True)
    provoker.start()
    ended, safe_after = _come_of_it(watch, begun, fault.ends, fault.within)
    provoker.join(30)
    for afterwards in scene.afterwards:
        afterwards()
    moving.set()
    mover.join()
    watch.end()
    share = watch.worst_step
    fell = 0.0 if fault.ends is Outcome.CUT else watch.falls()
    troubles = []
    if ended != fault.ends.value and not (fault.ends is Outcome.SAFE and ended):
        troubles.append(f"ended '{ended}', '{fault.ends.value}' would be right")
    if safe_after > fault.within:
        troubles.append(f"not within {fault.within:g} s")
    if share > 1.0:
        troubles.append(f"a joint stepped {share:.2f} times as far as its servo turns in a frame")
    if fell > COME_DOWN:
        troubles.append(f"power cut {1000 * fell:.0f} mm over rest")
    now = scene.robot.last
    if watch.now.powered not in (0, 12):
        troubles.append(f"{watch.now.powered} joints are left with power")
    if watch.now.powered and now.state in ("off", "fault") and now.servo_state in ("following", "off", "stopped"):
        troubles.append(f"powered in {now.state}")
    defects = [line for line in scene.stack.output if "defect" in line or "Traceback" in line]
    if defects:
        troubles.append(f"a traceback: {''.join(scene.stack.output)[-1500:]}")
    return Result(name, seed, ended, safe_after, share, 1000 * fell, tuple(troubles))


def move(robot: Robot, ended: threading.Event) -> None:
    """Leads the body round a circle until the end is said."""
    begun = time.monotonic()
    while not ended.wait(0.05):
        angle = tau * (time.monotonic() - begun) / 3.0
        with suppress(QuadlegError):
            robot.send(Pose.from_rpy(0.02 * cos(angle), 0.02 * sin(angle), 0.15, 0.0, 0.0, 0.0))


def _provoke(provoke, scene: FaultContext) -> None:
    with suppress(QuadlegError, AssertionError):
        provoke(scene)


def _come_of_it(watch: BoardMonitor, begun: float, ends: Outcome, within: float) -> tuple[str, float]:
    """What came of it by the registers, and after how long: the first of what was wanted, or the end of the time.

    What goes on must have had time to stop: it counts once the body has moved for a while near the end of a
    wait that is longer than any watch over silence.
    """
    patience = {Outcome.GOES_ON: 5.0, Outcome.SAFE: 8.0}.get(ends, 0.0)
    while time.monotonic() < begun + max(within, patience + GOING_ON):
        limp = watch.limp_after(begun)
        if limp < inf:
            # A fall is found by `falls`; here it only counts that the power is off.
            return (Outcome.CUT if ends is Outcome.CUT else Outcome.LOWERED).value, limp
        now = time.monotonic()
        if patience and now - begun > patience and watch.held_since() is None:
            return Outcome.GOES_ON.value, _last_hold_end(watch, begun)
        time.sleep(0.01)
    held = watch.held_since()
    return ("", inf) if held is None else (Outcome.HELD.value, max(held - begun, 0.0))


def _last_hold_end(watch: BoardMonitor, begun: float) -> float:
    """Seconds from `begun` to when the body moved on after its last hold; 0 where there was none."""
    ends = [
        after.time - begun
        for before, after in pairwise(watch.frames)
        if after.time > begun and after.time - before.time > STILL
    ]
    return ends[-1] if ends else 0.0


if __name__ == "__main__":
    print(json.dumps(asdict(play(sys.argv[1], int(sys.argv[2])))))
