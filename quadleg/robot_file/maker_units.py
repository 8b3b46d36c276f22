"""Numbers with the units that data sheets, rulers and scales have, turned into those of the robot file."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from math import pi, radians
from typing import Any

from quadleg.dynamics.gravity import KG_CM, STANDARD_GRAVITY

INCH, OUNCE = 25.4, 28.349523125  # mm and g: the international inch and avoirdupois ounce, exact by definition
OUNCE_INCH = OUNCE * INCH * 1e-6 * STANDARD_GRAVITY  # N·m

# By the unit of the robot file, what one of each other unit makes of it.
_FACTORS: dict[str, dict[str, float]] = {
    "mm": {"mm": 1, "cm": 10, "m": 1000, "in": INCH, "inch": INCH, '"': INCH},
    "g": {"g": 1, "kg": 1000, "oz": OUNCE, "lb": 16 * OUNCE, "lbs": 16 * OUNCE},
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
    "deg": {"deg": 1, "rad": 180 / pi},
    "us": {"us": 1, "µs": 1, "ms": 1000, "s": 1e6},
    "number": {},
}
UNITS = frozenset(_FACTORS)  # of the robot file, in which `number_from` reads
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


_LARGEST = 1e9  # no figure of a robot is larger, in any unit
# By the unit of the robot file, the units that are written there by mistake.
_MISTAKEN = {"mm": ("m",), "g": ("kg",), "V": ("mv",), "A": ("ma",), "s/60deg": ("ms",), "us": ("ms", "s")}


def in_larger_and_smaller_units(value: float, unit: str) -> list[float]:
    """What a number comes to in `unit` if it was written in one of a thousand times more or less, such as metres."""
    if abs(value) > _LARGEST:
        return []
    digits = _DIGITS.get(unit, _USUAL_DIGITS)
    return [round(value * _FACTORS[unit][other], digits) for other in _MISTAKEN.get(unit, ())]


# By the end of a key of the robot file: the unit of what stands there, None where no other is usual, and what makes
# SI of it. An end that is also the end of another comes after it.
_ENDS: dict[str, tuple[str | None, Callable[[float], float]]] = {
    "_kg_cm": ("kg-cm", lambda torque: torque * STANDARD_GRAVITY / 100),
    "_deg_s": (None, radians),
    "_k_w": (None, float),
    "_mm2": (None, lambda area: area * 1e-6),
    "_mohm": (None, lambda resistance: resistance / 1000),
    "_mhz": (None, lambda frequency: frequency * 1e6),
    "_khz": (None, lambda frequency: frequency * 1e3),
    "_hz": (None, float),
    "_ah": (None, lambda charge: charge * 3600.0),
    "_mm": ("mm", lambda length: length / 1000),
    "_m": (None, float),
    "_g": ("g", lambda mass: mass / 1000),
    "_v": ("V", float),
    "_a": ("A", float),
    "_deg": ("deg", radians),
    "_us": ("us", lambda time: time / 1e6),
    "_s": (None, float),
}
_SPEED_KEY, _SPEED_STEMS = "seconds_per_60_deg", ("no_load_speed_", "speed_", "")
_SPEEDS = {"degs": "deg/s", "degpers": "deg/s", "rads": "rad/s", "radpers": "rad/s", "rpm": "rpm", "ms": "ms"}


def unit_of(key: str) -> str | None:
    """The unit at the end of a key of the robot file, if people write it in others too; else None."""
    if key == _SPEED_KEY:
        return "s/60deg"
    end = _end_of(key)
    return _ENDS[end][0] if end else None


def in_si(key: str, value: Any) -> Any:
    """What stands at a key of the robot file, in SI by the unit in the key's name; a list as a tuple."""
    if isinstance(value, list):
        return tuple(in_si(key, item) for item in value)
    end = _end_of(key)
    return _ENDS[end][1](value) if end else value


def without_unit(key: str) -> str:
    """A key of the robot file without the unit at its end."""
    return key.removesuffix(_end_of(key))


def _end_of(key: str) -> str:
    return next((end for end in _ENDS if key.endswith(end)), "")


def same_in_another_unit(key: str, value: object, known: Iterable[str]) -> tuple[str, float] | None:
    """The key of `known` that says the same as a key with another unit at its end, and its value.

    As `stall_torque_kg_cm`, 9.99 for `stall_torque_nm`, 0.98. None where there is none, or the value is no number.
    """
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    for name in known:
        if name == _SPEED_KEY:
            stems = [stem for stem in _SPEED_STEMS if key.startswith(stem)]
            units = [_SPEEDS.get(key.removeprefix(stem).replace("_", ""), "") for stem in stems]
        else:
            stem = without_unit(name) + "_"
            units = [key.removeprefix(stem).replace("_", "")] if unit_of(name) and key.startswith(stem) else []
        for unit in filter(None, units):
            if (found := number_from(f"{value} {unit}", unit_of(name) or "number")) is not None:
                return name, found
    return None
