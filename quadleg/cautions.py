"""Every caution, once: the clauses that cautions share, and what people are told where they meet a hazard.

The README has them in its own words, since it says more of each.
"""

from __future__ import annotations

# Clauses

_ON_A_STAND = "the robot on a stand with its feet free"
_FINGERS_CLEAR = "fingers clear of knees and hips"
_SWITCH_NEAR = "the switch in the servo supply within reach"
_RATED = "rated for the stall current"
_SWITCH_STOPS = "the real emergency stop"

REAL_STOP = f"The switch in the servo supply is {_SWITCH_STOPS}."

# Before something moves

BEFORE_MOVING = f"Before anything moves: {_ON_A_STAND}, {_FINGERS_CLEAR}, {_SWITCH_NEAR}."
BEFORE_TRIMMING = f"Before anything moves: {_FINGERS_CLEAR}, {_SWITCH_NEAR}."
BEFORE_WALKING = (
    f"Before it walks: level ground around it and no edge near, fingers, children and animals away, {_SWITCH_NEAR}. "
    f"Never catch a robot that falls."
)
FIRST_POWER_UP = f"First power-up: {_ON_A_STAND}, {_FINGERS_CLEAR} (they pinch), {_SWITCH_NEAR}."

# Questions, each answered before the servos get power

LEGS_PLACED = (
    f"Are the legs in the resting pose, the robot on a stand or on its belly, {_FINGERS_CLEAR}, {_SWITCH_NEAR}?"
)
LEGS_PLACED_SHORT = "Legs in the resting pose, fingers clear, supply switch within reach?"
FINGERS_QUESTION = "Fingers clear?"
READY_QUESTION = "Fingers clear, switch within reach?"

# What has to be so at the bench, to be confirmed one and all

_AT_THE_BENCH = (
    f"{_FINGERS_CLEAR.capitalize()} while anything moves: they pinch.",
    f"{_SWITCH_NEAR.capitalize()}: it is {_SWITCH_STOPS}.",
    "Pulses go off before that switch is closed again: servos would jump.",
    f"Fuse and wire {_RATED}; no servo on a computer's pin.",
    "Lithium batteries as their maker says; mains wiring by licensed people.",
)
CALIBRATING = (f"{_ON_A_STAND.capitalize()}.", *_AT_THE_BENCH)
TILTING = (
    "The switch in the servo supply open: nothing here needs servo power, and limp legs let themselves be moved.",
    "Hands on the body, not on the legs: limp legs fold and pinch.",
    "Not near a table's edge; never catch a robot that falls.",
)
TAPE_WALKING = (
    "Level ground of the kind it will live on, 2 m free around the robot and no edge near.",
    f"{_FINGERS_CLEAR.capitalize()}, children and animals away while it walks.",
    f"{_SWITCH_NEAR.capitalize()}: it is {_SWITCH_STOPS}.",
    "Measure where it stands, and do not lift a robot that stands with power; never catch a robot that falls.",
)
TRIMMING = ("The robot on level ground that is free around it.", *_AT_THE_BENCH)

# Where the robot is described and its supply bought

BUILDING = (
    f"Fuse and wire must be {_RATED}: what the figures above leave out, they have to bear.",
    "Never power servos from a pin of a microcontroller or computer.",
    f"{REAL_STOP} Press stop before you close it again.",
    FIRST_POWER_UP,
    "Lithium batteries: charger, storage and fire precautions of their maker.",
    "Mains wiring and supply conversions are for people licensed to do them, by local code.",
)

# Where pulses did not go off

OPEN_THE_SWITCH = "open the switch in the servo supply NOW"
IF_POWERED = f"If a servo is powered, {OPEN_THE_SWITCH}"
MAY_BE_POWERED = f"The servos may be powered: {OPEN_THE_SWITCH}"
STILL_HELD = f"THE BOARD DID NOT TAKE THE LAST STOP, a servo may hold its last pulse for ever: {OPEN_THE_SWITCH}."
