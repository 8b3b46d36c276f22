"""What a page asks for: JSON objects, each checked before anything is done with it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Any

from quadleg.errors import MessageError

STOP, STAND, SIT, RESET = "stop", "stand", "sit", "reset"
POSE, LEVEL, WALK, HALT, GAIT = "pose", "level", "walk", "halt", "gait"
KINDS = (STOP, STAND, SIT, RESET, POSE, LEVEL, WALK, HALT, GAIT)
SHARES = ("forward", "left", "turn_left")  # of the gait's limits, from -1 to 1
MOST_CHARACTERS = 300
SLACK = 1e-6  # m and rad: a page's numbers are written in decimals

Ranges = Mapping[str, tuple[float, float]]


@dataclass(frozen=True)
class PageCommand:
    """One wish: its kind, and what goes with it.

    `axis` and `value` (m or rad) with POSE, `shares` with WALK, `gait` with GAIT, `legs_placed` with STAND.
    """

    kind: str
    axis: str = ""
    value: float = 0.0
    shares: tuple[float, float, float] = (0.0, 0.0, 0.0)
    gait: str = ""
    legs_placed: bool = False


def parse_command(text: str | bytes, ranges: Ranges) -> PageCommand:
    """Reads one message of a page; `ranges` are the least and the most of each axis of the body, in m and rad.

    Raises MessageError with what would be right.
    """
    if len(text) > MOST_CHARACTERS:
        raise MessageError(f"a message of {len(text)} characters; there are at most {MOST_CHARACTERS}")
    try:
        said = json.loads(text)
    except (ValueError, RecursionError):
        raise MessageError(f'\'{_short(text)}\' is not JSON; an object is wanted, as {{"kind": "stop"}}') from None
    kind = said.get("kind") if isinstance(said, dict) else None
    if not isinstance(kind, str) or kind not in KINDS:
        raise MessageError(f"'{_short(text)}' has no known kind; it must be one of {', '.join(KINDS)}")
    if kind == POSE:
        return _pose(said, ranges)
    if kind == WALK:
        forward, left, turn_left = (_number(said, name, -1.0, 1.0) for name in SHARES)
        return PageCommand(WALK, shares=(forward, left, turn_left))
    if kind == GAIT:
        gait = said.get("gait")
        if not isinstance(gait, str) or not gait:
            raise MessageError(f"gait is {gait!r}; it must be the name of a gait")
        return PageCommand(GAIT, gait=gait)
    if kind == STAND:
        placed = said.get("legs_placed", False)
        if not isinstance(placed, bool):
            raise MessageError(f"legs_placed is {placed!r}; it must be true or false")
        return PageCommand(STAND, legs_placed=placed)
    return PageCommand(kind)


def _pose(said: dict[str, Any], ranges: Ranges) -> PageCommand:
    axis = said.get("axis")
    if not isinstance(axis, str) or axis not in ranges:
        raise MessageError(f"axis is {axis!r}; it must be one of {', '.join(ranges)}")
    return PageCommand(POSE, axis=axis, value=_number(said, "value", *ranges[axis], about=axis))


def _number(said: dict[str, Any], key: str, low: float, high: float, about: str = "") -> float:
    value = said.get(key)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not isfinite(value):
        raise MessageError(f"{about or key} is {value!r}; it must be a number from {low:g} to {high:g}")
    if not low - SLACK <= value <= high + SLACK:
        raise MessageError(f"{about or key} is {value:g}; it must be from {low:g} to {high:g}")
    return min(high, max(low, float(value)))


def _short(text: str | bytes) -> str:
    shown = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
    return shown if len(shown) <= 60 else f"{shown[:57]}..."
