"""Which happenings make a run, drawn by a seed: the same list does the same each time.

Of four seeds one draws a mixture, as faults come together; one takes the kinds in turn and plays one of them alone,
several times, with a person who has the robot stand up again in between, as what a first time leaves behind shows in
the second; and two take the pairs of a cause and an answer in turn.
"""

from __future__ import annotations

import random
from collections.abc import Collection, Sequence

from quadleg.teleop.stack_link import Service
from simulated_graph.causes_and_answers import pair_run
from simulated_graph.happening_kinds import Happening, Scene
from simulated_graph.happenings import KINDS

STAND_AT = 3.5  # s, when a person first asks for power
STANDS_AT = 8.5  # s, when it stands by that
LAST_AT = 19.0  # s
AGAIN = (0.8, 5.0)  # s from one time to the next
STANDS_WITHIN = 7.0  # s from when it is asked to
ASKED_EVERY = 0.5  # s
STAND_AGAIN = (1.0, 7.0)  # s from a time until somebody has it stand again
COMMANDED = ("walk", "pose")  # what a robot may do meanwhile
# These are what a person asks for, and part of every run.
ASKED = ("enable", "reset", "walk", "pose", "choose_gait")
OWN_KINDS = [name for name, kind in KINDS.items() if not kind.needs and name not in ASKED]


def drawn(seed: int, beside: Collection[str] = ()) -> list[Happening]:
    """Draw what happens: a person has the robot stand up, and then a few things happen at any moment, and a few more at
    each process `beside` the robot's own."""
    chance = random.Random(f"happenings {seed}")
    happenings = [Happening(STAND_AT, "enable", (True,))]
    turn, number = seed % 4, seed // 4
    if turn == 0:
        happenings += _one_kind(chance, number)
    elif turn == 1:
        happenings += _mixture(chance, "")
    else:
        happenings += pair_run(chance, 2 * number + turn - 2)
    for needed in beside:
        happenings += _mixture(chance, needed)
    return sorted(happenings, key=lambda happening: happening.time)


def _mixture(chance: random.Random, needed: str) -> list[Happening]:
    """Any kinds that need a process, none for the empty name."""
    happenings = []
    kinds = [name for name, kind in KINDS.items() if kind.needs == needed]
    for kind in chance.choices(kinds, [KINDS[kind].share for kind in kinds], k=chance.randrange(1, 9)):
        # Half of all while it rises and shortly after, where the states change; a hand finds most to do later.
        early = chance.random() < (0.3 if needed else 0.5)
        first, last = (STANDS_AT if needed and not early else STAND_AT), (11.0 if early else LAST_AT)
        happenings.append(_at(chance.uniform(first, last), kind, chance))
    return happenings


def _one_kind(chance: random.Random, number: int) -> list[Happening]:
    """One kind, by its number, again and again on a robot that is made to stand again."""
    kind = OWN_KINDS[number % len(OWN_KINDS)]
    early = chance.random() < 0.3
    when = chance.uniform(STAND_AT, STANDS_AT) if early else chance.uniform(STANDS_AT, 11.0)
    happenings = []
    if chance.random() < 0.5:
        happenings.append(_at(STANDS_AT, chance.choice(COMMANDED), chance))
    while when < LAST_AT:
        happenings.append(_at(when, kind, chance))
        if chance.random() < 0.3:  # a second time upon the first
            happenings.append(_at(when + chance.uniform(*AGAIN), kind, chance))
        when += chance.uniform(*STAND_AGAIN)
        happenings += [Happening(round(when, 4), "reset"), Happening(round(when + 0.5, 4), "enable", (True,))]
        when += 0.5 + chance.uniform(0.0, STANDS_AT - STAND_AT + 1.0)
    return [happening for happening in happenings if happening.time < LAST_AT]


def _at(when: float, kind: str, chance: random.Random) -> Happening:
    return Happening(round(when, 4), kind, KINDS[kind].draw(chance))


def plan(scene: Scene, happenings: Sequence[Happening]) -> None:
    """Have all happen at their times."""
    for happening in happenings:
        _begin_after(happening.time, happening, scene)


def _begin_after(seconds: float, happening: Happening, scene: Scene) -> None:
    scene.stack.time.after(seconds, lambda: _begin(happening, scene, scene.stack.now + STANDS_WITHIN))


def _begin(happening: Happening, scene: Scene, until: float) -> None:
    """Have it happen, where it waits for a robot that stands until that time (s) at the latest."""
    person = scene.person
    state = person.state("joint_watchdog")
    if scene.over or not happening.stands or state == "active" or scene.stack.now > until:
        _happen(happening, scene)
        return
    if state != "rising":
        if state == "fault":
            person.ask(Service.RESET)
        person.ask(Service.ENABLE, True)
    scene.stack.time.after(ASKED_EVERY, lambda: _begin(happening, scene, until))


def _happen(happening: Happening, scene: Scene) -> None:
    if scene.over:
        return
    kind = KINDS[happening.kind]
    if seconds := kind.upset_time(happening.figures):
        scene.deadlines.upset(seconds)
    kind.act(scene, *happening.figures)
    for following in happening.then:
        _begin_after(following.time, following, scene)
