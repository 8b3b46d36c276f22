"""What brings the robot into each of its states, and what happens there: every pair of a cause and an answer in turn.

Faults of software are mostly shown by one or two conditions that come together: D. R. Kuhn, D. R. Wallace, A. M. Gallo,
"Software fault interactions and implications for software testing", IEEE Trans. Software Eng. 30 (2004). So all pairs
are played, where a mixture of many kinds would meet few of them.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable
from typing import Any

from quadleg.safety.deadlines import (
    HOLD_TIME,
    LIMIT_TIME,
    LOW_TIME,
    OUTPUT_SILENT_TIME,
    OVER_LOWER,
    OVER_TIME,
    SILENCE_HOLD,
    SILENCE_LOWER,
)
from simulated_graph.flickers import CALM
from simulated_graph.happening_kinds import Happening
from simulated_graph.strangers import FIRST_PULSES, MISTAKES, SOME_JOINTS
from simulated_graph.target_faults import BURST, EVERY, USELESS

FIRST_AT = (4.0, 9.0)  # s
LAST_AT = 17.0  # s
STANDS = 0.8  # the share of causes that wait for a robot that stands
ANSWER_AFTER = (0.05, 0.6, 3.0)  # s from a cause to the answer, drawn between the first two or the last two
NEXT_AFTER = (2.0, 6.0)  # s to the next cause
STRAINS = (1.1, 1.6)  # s of a current that is too high: it is said, and stops nothing
RATED_VOLTS, LOW_VOLTS, LOST_VOLTS = 6.0, 4.9, 0.1  # of the demo robot's supply
USUAL_AMPERES, NEAR_AMPERES, OVER_AMPERES = 1.0, 19.0, 25.0

Draw = Callable[[random.Random], tuple[Any, ...]]


def _lasting(shortest: float, longest: float, *before: Any) -> Draw:
    """Figures that end with a time (s)."""
    return lambda chance: (*before, round(chance.uniform(shortest, longest), 3))


# What brings it into a state: the kind of happening, and its figures.
CAUSES: tuple[tuple[str, Draw], ...] = (
    # hold
    ("freeze", _lasting(0.3, 2 * HOLD_TIME, "front_left_ik")),
    ("bad_targets", lambda chance: (chance.randrange(BURST, BURST + len(USELESS)), 0.0)),
    ("garble_targets", _lasting(0.5, HOLD_TIME, "not_finite", 0)),
    ("garble_targets", _lasting(LIMIT_TIME + 0.3, LIMIT_TIME + 3.0, "beyond", 0)),
    ("garble_targets", lambda chance: ("seldom", chance.randrange(*EVERY), round(chance.uniform(1.0, 5.0), 3))),
    ("freeze", _lasting(OUTPUT_SILENT_TIME, 2.0, "servo_output")),
    ("feel_supply", _lasting(OVER_TIME, OVER_TIME + OVER_LOWER + 1.0, RATED_VOLTS, OVER_AMPERES)),
    ("feel_supply", _lasting(0.5, 4.0, RATED_VOLTS, NEAR_AMPERES)),
    # lowering
    ("enable", lambda _: (False,)),
    ("feel_supply", _lasting(LOW_TIME, LOW_TIME + 1.5, LOW_VOLTS, USUAL_AMPERES)),
    ("heavy", _lasting(4.0, 7.0)),
    ("flicker", lambda chance: ("heavy", 2, round(chance.uniform(*STRAINS), 3), round(chance.uniform(*CALM), 2))),
    ("feel_motion", _lasting(1.0, 4.0, "leans")),
    # off or fault
    ("feel_motion", _lasting(0.3, 2.0, "tips")),
    ("feel_supply", _lasting(0.3, 2.0, LOST_VOLTS, USUAL_AMPERES)),
    ("stop", lambda _: ()),
    ("lose_board_power", lambda _: ()),
    ("sensor_dies", _lasting(0.1, 1.0, "imu", "tips")),
    ("sensor_dies", _lasting(0.1, 1.0, "supply", LOST_VOLTS)),
    ("sensor_dies", _lasting(0.1, 1.0, "supply", LOW_VOLTS)),
    # commands that must be refused
    ("command_wrongly", lambda chance: (SOME_JOINTS, chance.choice((1, 5)))),
    ("command_wrongly", lambda chance: (chance.choice(MISTAKES), chance.choice((1, 5)))),
    # servo_output holds, lowers, or waits for its board
    ("freeze", _lasting(SILENCE_HOLD, SILENCE_LOWER, "joint_watchdog")),
    ("freeze", _lasting(SILENCE_LOWER, SILENCE_LOWER + 4.0, "joint_watchdog")),
    ("kill", lambda _: ("joint_watchdog",)),
    ("kill", lambda _: ("servo_output",)),
    ("break_bus", _lasting(0.3, SILENCE_LOWER + 1.0)),
    ("stick_bus", _lasting(0.3, 2.0)),
    ("refuse_writes", lambda chance: (chance.randrange(1, 6),)),
)
# What follows, each a row of happenings: what people ask for, what becomes of the two that know of a stop, and first
# pulses that must be refused.
ANSWERS: tuple[tuple[tuple[str, tuple[Any, ...]], ...], ...] = (
    (("enable", (True,)),),
    (("enable", (False,)),),
    (("stop", ()),),
    (("reset", ()), ("enable", (True,))),
    (("stop", ()), ("reset", ()), ("enable", (True,))),
    (("enable", (True,)), ("enable", (False,))),
    (("kill", ("joint_watchdog",)),),
    (("kill", ("servo_output",)),),
    *((("command_wrongly", (mistake, 5)),) for mistake in FIRST_PULSES),
)
STEP = 0.4  # s between the happenings of a row
PAIRS = [*itertools.product(range(len(CAUSES)), range(len(ANSWERS) + 1))]
random.Random("pairs").shuffle(PAIRS)  # neighbours are to have nothing in common


def pair_run(chance: random.Random, number: int) -> list[Happening]:
    """The pair of this number, and others that are drawn, most of them on a robot that stands."""
    happenings, when, pair = [], chance.uniform(*FIRST_AT), PAIRS[number % len(PAIRS)]
    while when < LAST_AT:
        happenings.append(_happening(when, pair, chance))
        when += chance.uniform(*NEXT_AFTER)
        pair = chance.choice(PAIRS)
    return happenings


def _happening(when: float, pair: tuple[int, int], chance: random.Random) -> Happening:
    cause, answer = pair
    kind, draw = CAUSES[cause]
    after = round(chance.uniform(*(ANSWER_AFTER[:2] if chance.random() < 0.5 else ANSWER_AFTER[1:])), 3)
    if answer < len(ANSWERS):
        then = tuple(Happening(after + i * STEP, *request) for i, request in enumerate(ANSWERS[answer]))
    else:
        kind_2, draw_2 = chance.choice(CAUSES)
        then = (Happening(after, kind_2, draw_2(chance)),)
    return Happening(round(when, 4), kind, draw(chance), then, chance.random() < STANDS)
