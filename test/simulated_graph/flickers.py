"""What is wrong for a moment only, again and again: each time shorter than what stops a robot, all together longer."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

from quadleg.runtime.node_table import SERVO_OUTPUT
from quadleg.safety.deadlines import (
    LIMIT_TIME,
    LOW_TIME,
    MISSING_FRAMES,
    OUTPUT_SILENT_TIME,
    OVER_TIME,
    SHORTFALL_HOLD,
    SHORTFALL_LOWER,
    SILENCE_HOLD,
)
from simulated_graph.happening_kinds import Kind, Scene
from simulated_graph.target_faults import garble

GAP = (0.7, 2.0)  # s between two
CALM = (2.5, 4.0)  # s between two after which what the first has shown is forgotten
SHARE = (0.2, 0.5)  # of the time after which it would stop the robot: readings of it may be a fifth of a second apart


def _supply(scene: Scene, volts: float, amperes: float, seconds: float) -> None:
    for board in scene.stack.boards:
        if board.power:
            scene.feel(board.power, lambda: (volts, amperes), seconds)


def _low(scene: Scene, seconds: float) -> None:
    _supply(scene, 0.98 * scene.stack.robot.supply.low_voltage, 1.0, seconds)


def _over(scene: Scene, seconds: float) -> None:
    supply = scene.stack.robot.supply
    _supply(scene, supply.voltage, 1.2 * supply.rated_current, seconds)


def _heavy(scene: Scene, seconds: float) -> None:
    _supply(scene, scene.stack.robot.supply.voltage, HEAVY, seconds)


def _beyond(scene: Scene, seconds: float) -> None:
    garble(scene, "beyond", 0, seconds)


def _frames(scene: Scene, seconds: float) -> None:
    garble(scene, "seldom", MISSING_FRAMES - 1, seconds)


def _refusal(scene: Scene, _: float) -> None:
    scene.stack.bus_faults.refused = 1


def _freeze(node: str) -> Callable[[Scene, float], None]:
    return lambda scene, seconds: scene.process(node).middleware.freeze(seconds)


HEAVY = 12.0  # A, within the supply's rating, and several times what the servos draw where nothing is stuck
# By name: what would stop the robot after so many s, and how it is done.
FLICKERS: dict[str, tuple[float, Callable[[Scene, float], None]]] = {
    "low supply": (LOW_TIME, _low),
    "over current": (
        0.4 * OVER_TIME,
        _over,
    ),  # more of it is too much, one time with the other, for what the pose draws
    "heavy": (SHORTFALL_HOLD + SHORTFALL_LOWER, _heavy),
    "beyond a limit": (LIMIT_TIME, _beyond),
    "frames missing": (6.0, _frames),
    "a write refused": (0.0, _refusal),
    "servo_output frozen": (OUTPUT_SILENT_TIME, _freeze(SERVO_OUTPUT)),
    "joint_watchdog frozen": (SILENCE_HOLD, _freeze("joint_watchdog")),
}


def _flicker(scene: Scene, what: str, count: int, seconds: float, gap: float) -> None:
    _, act = FLICKERS[what]

    def once() -> None:
        if not scene.over:
            act(scene, seconds)

    for k in range(count):
        scene.stack.time.after(k * (seconds + gap), once)


def _draw(chance: random.Random) -> tuple[Any, ...]:
    what = chance.choice(list(FLICKERS))
    seconds = FLICKERS[what][0] * chance.uniform(*SHARE)
    gap = CALM if what == "heavy" else GAP
    return what, chance.randrange(2, 7), round(seconds, 3), round(chance.uniform(*gap), 2)


FLICKER_KINDS = {"flicker": Kind(2.5, _draw, _flicker, upsets=0.0)}
