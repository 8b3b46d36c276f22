"""Sentences for a supply of the servos that is weak, low, lost, or near or over its rated current.

A voltage that sags gives two codes, by a measured `supply`:

- SUPPLY_WEAK (following.py) after STRAIN_TIME below the limit, for the cause that the body does not follow: the robot
  goes slower.
- SUPPLY_LOW (supply_watch.py, stop_judge.py) after LOW_TIME below the limit, which is longer: the robot is lowered.

SUPPLY_WEAK is also told on the page (failure_notices.py, from these words); commissioning/feasibility/walk_forecast.py
forecasts a low supply on paper in words of its own.
"""

from __future__ import annotations

from enum import Enum

from quadleg.safety.deadlines import LOW_TIME
from quadleg.safety.explanation import Explanation, Sentence, Weight
from quadleg.safety.following_sentences import WENT_SLOWER
from quadleg.safety.reason_codes import FollowingCode
from quadleg.safety.reason_codes import ReasonCode as Code
from quadleg.safety.state_sentences import HELD, LOWERED, RESET

_MORE_VOLTAGE = "charge the battery; or thicker and shorter wires, and plugs that sit; or a stronger supply"
_DRAW_LESS = "carry less, walk slower, or a stronger supply"
_LOST = Explanation(
    "the servos lost their power: a switch, fuse, plug or wire",
    "the pulses were switched off, so that nothing jumps when the power comes back",
    RESET,
    Weight.FAULT,
)

_OWN: dict[Enum, Sentence] = {
    # The voltage
    FollowingCode.SUPPLY_WEAK: Sentence(
        "the servos' supply gives {figure} under load, {limit_v} V is the least",
        Explanation("the servos' voltage broke down under load", WENT_SLOWER, _MORE_VOLTAGE, Weight.FAULT),
    ),
    Code.SUPPLY_LOW: Sentence(
        "servo supply low: {voltage_v} V, the limit is {limit_v} V",
        Explanation(
            f"the servos' voltage was too low for {LOW_TIME:g} s: they would soon not carry the robot any more",
            LOWERED,
            _MORE_VOLTAGE,
            Weight.FAULT,
        ),
    ),
    Code.SUPPLY_LOST: Sentence("servo supply lost: {voltage_v} V of {rated_v} V", _LOST),
    Code.SUPPLY_ABSENT: Sentence("servo supply lost: it says that it is not present", _LOST),
    # The current
    Code.SLOWED_FOR_CURRENT: Sentence(
        "slowed to half of the servos' speed: {cause}",
        Explanation(
            "the current was near the supply's rating",
            "it went on at half the servos' speed, to draw less",
            f"look at the current below: {_DRAW_LESS}",
            Weight.NOTICE,
        ),
    ),
    Code.OVER_CURRENT: Sentence(
        "supply gives {current_a} A, it is rated for {rated_a} A",
        Explanation(
            "the servos drew more than the supply is rated for, and slowing down to half speed was not enough",
            f"{HELD}; if the current stays too high, it lowers itself",
            f"look for a leg that pushes against something or against another; {_DRAW_LESS}",
            Weight.TROUBLE,
        ),
    ),
}
SUPPLY_SENTENCES = {code.value: sentence for code, sentence in _OWN.items()}
