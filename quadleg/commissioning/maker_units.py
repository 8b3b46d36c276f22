"""Numbers with the units that data sheets, rulers and scales have, turned into those of the robot file."""

from __future__ import annotations

import re
from math import pi

from quadleg.dynamics.gravity import STANDARD_GRAVITY

KG_CM = STANDARD_GRAVITY / 100  # N·m
OUNCE_INCH = 0.028349523125 * STANDARD_GRAVITY * 0.0254  # N·m: the international ounce and inch, exact by definition

# By the unit of the robot file, what one of each other unit makes of it.
_FACTORS: dict[str, dict[str, float]] = {
    "mm": {"mm": 1, "cm": 10, "m": 1000},
    "g": {"g": 1, "kg": 1000},
    "V": {"v": 1, "mv": 0.001},
    "A": {"a": 1, "ma": 0.001},
    "kg-cm": {
        "kgcm": 1,
        "kgfcm": 1,
        "nm": 1 / KG_CM,
        "ncm": 0.01 / KG_CM,
        "mnm": 0.001 / KG_CM,
        "ozin": OUNCE_INCH / KG_CM,
        "ozfin": OUNCE_INCH / KG_CM,
    },
    "s/60deg": {"s": 1, "sec": 1, "s/60": 1, "s/60deg": 1, "sec/60deg": 1, "sec/60": 1, "ms": 0.001},
    "number": {},
}
# Units of speed, of which more is less time: the robot file's figure is this over theirs.
_RECIPROCALS: dict[str, dict[str, float]] = {
    "s/60deg": {"deg/s": 60, "rpm": 10, "r/min": 10, "1/min": 10, "rad/s": pi / 3}
}
_DIGITS = {"s/60deg": 4}
_USUAL_DIGITS = 2
_NUMBER = re.compile(r"([+-]?\d+(?:[.,]\d+)?)\s*(\D?.*)")
_NOT_LETTERS = str.maketrans({"°": "deg", "·": "", "⋅": "", "*": "", "-": "", ".": "", " ": ""})


def number_from(answer: str, unit: str) -> float | None:
    """The number of an answer in `unit`, with decimal point or comma, with a unit of that sort or none.

    Rounded to a hundredth, seconds for 60° to a tenth of a millisecond. None where it is nothing of that kind.
    """
    found = _NUMBER.fullmatch(answer.strip())
    if not found:
        return None
    value, written = float(found[1].replace(",", ".")), found[2].lower().translate(_NOT_LETTERS)
    if written in _RECIPROCALS.get(unit, {}):
        value = _RECIPROCALS[unit][written] / value if value else 0.0
    elif written:
        if written not in _FACTORS[unit]:
            return None
        value *= _FACTORS[unit][written]
    return round(value, _DIGITS.get(unit, _USUAL_DIGITS))
