"""What happens at the processes beside the robot's own: pages and a gamepad press anything, a disk is full."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

from quadleg.runtime.node_table import PAD, RECORDER, VIEWER
from quadleg.teleop.control_mapping import BODY, CONTROLS, HOLD, PRESS, WALK
from quadleg.teleop.gamepad_teleop import STAND_HELD
from quadleg.viewer.page_commands import GAIT, LEVEL, POSE, RESET, SHARES, SIT, STAND
from simulated_graph.browser_pages import BrowserPage
from simulated_graph.happening_kinds import Kind, Scene, only_seconds

PAGES = 2
JOY_HEARD = 0.15  # s from a press to teleop: `joy` may lose a message, and comes sixteen times a second
GAITS = ("creep", "trot", "gallop")
PRESSED = 0.3  # s that a thumb stays on a button
# What a page never says by itself, but a program may.
ODD_TEXTS = (
    "",
    "null",
    "[]",
    "{",
    '{"kind": "fly"}',
    '{"kind": "walk"}',
    '{"kind": "pose", "axis": "x", "value": 1e999}',
)

# Pages


def _stand(page: BrowserPage, placed: bool) -> None:
    page.ask(STAND, legs_placed=placed)


def _walk(page: BrowserPage, shares: dict[str, float], seconds: float, end: str) -> None:
    page.hold_pad(shares, seconds if end == "lets go" else 1e9)
    ends: dict[str, Callable[[], None]] = {"vanishes": lambda: page.vanish(3.0), "hangs": page.freeze}
    if end in ends:
        page.after(seconds, ends[end])


def _shares(chance: random.Random) -> dict[str, float]:
    return {share: round(chance.uniform(-1, 1), 2) for share in SHARES}


def _draw_pose(chance: random.Random) -> tuple[Any, ...]:
    axis = chance.choice(("height", "x", "y", "roll", "pitch", "yaw"))
    return axis, round(chance.uniform(0.08, 0.16) if axis == "height" else chance.uniform(-0.05, 0.05), 4)


PAGE_ACTS: dict[str, tuple[float, Callable[..., None], Callable[[random.Random], tuple[Any, ...]]]] = {
    "stand": (3.0, _stand, lambda r: (r.random() < 0.8,)),
    "sit": (1.0, lambda page: page.ask(SIT), lambda _: ()),
    "stop": (0.7, BrowserPage.stop, lambda _: ()),
    "reset": (1.0, lambda page: page.ask(RESET), lambda _: ()),
    "walk": (
        5.0,
        _walk,
        lambda r: (_shares(r), round(r.uniform(0.2, 5.0), 2), r.choice(("lets go", "vanishes", "hangs"))),
    ),
    "pose": (2.0, lambda page, axis, value: page.ask(POSE, axis=axis, value=value), _draw_pose),
    "level": (0.5, lambda page: page.ask(LEVEL), lambda _: ()),
    "gait": (1.0, lambda page, gait: page.ask(GAIT, gait=gait), lambda r: (r.choice(GAITS),)),
    "odd text": (0.5, BrowserPage.send, lambda r: (r.choice(ODD_TEXTS),)),
    "vanish": (0.5, BrowserPage.vanish, only_seconds),
}


def _draw_page(chance: random.Random) -> tuple[Any, ...]:
    (name,) = chance.choices(list(PAGE_ACTS), [share for share, _, _ in PAGE_ACTS.values()])
    return chance.randrange(PAGES), name, *PAGE_ACTS[name][2](chance)


def _act_page(scene: Scene, number: int, name: str, *figures: Any) -> None:
    PAGE_ACTS[name][1](scene.browsers.pages[number], *figures)


# A gamepad


def _draw_gamepad(chance: random.Random) -> tuple[Any, ...]:
    control = chance.choice([control for control in CONTROLS if control.kind in (HOLD, PRESS)])
    if control.kind == PRESS and control.name != "stand":
        return control.name, {}, PRESSED
    if control.name == "stand":
        return "stand", {"walk.hold": 1.0}, STAND_HELD + 0.5
    sticks = WALK if control.name == "walk.hold" else [name for name in BODY if name[:3] == control.name[:3]]
    return control.name, {name: round(chance.uniform(-1, 1), 2) for name in sticks}, round(chance.uniform(0.2, 5.0), 2)


def _act_gamepad(scene: Scene, control: str, others: dict[str, float], seconds: float) -> None:
    gamepad, judge, stack = scene.gamepad, scene.judge, scene.stack
    if control == "stop" and not gamepad.lost and "stop" not in gamepad.moved:

        def heard() -> None:
            if judge.sound(stack.process_of("teleop")):
                judge.stop_asked()

        stack.time.after(JOY_HEARD, heard)
    gamepad.move({control: 1.0, **others}, seconds)


def _lose_gamepad(scene: Scene, seconds: float) -> None:
    scene.gamepad.lose(seconds)


# A disk


def _fill_disk(scene: Scene, seconds: float) -> None:
    scene.disk.fill(seconds)


HAND_KINDS = {
    "page": Kind(12.0, _draw_page, _act_page, VIEWER, 0.0),
    "gamepad": Kind(8.0, _draw_gamepad, _act_gamepad, PAD, 0.0),
    "lose_gamepad": Kind(1.0, only_seconds, _lose_gamepad, PAD, 0.0),
    "fill_disk": Kind(4.0, only_seconds, _fill_disk, RECORDER, 0.0),
    **{
        f"{what}_{node}": Kind(0.7, draw, act, process, 0.0)
        for node, process in (("recorder", RECORDER), ("teleop", PAD), ("viewer", VIEWER))
        for what, draw, act in (
            ("kill", lambda _: (), lambda scene, node=node: scene.process(node).kill()),
            (
                "freeze",
                only_seconds,
                lambda scene, seconds, node=node: scene.process(node).middleware.freeze(seconds),
            ),
        )
    },
}
