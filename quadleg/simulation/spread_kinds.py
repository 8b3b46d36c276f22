"""The spreads that worlds can be drawn from, for programs that list them without running any."""

from __future__ import annotations

from enum import Enum


class Spread(str, Enum):
    """Which of the ranges of world_difference.py a world is drawn from."""

    NONE = "none"
    CALIBRATED = "calibrated"
    AS_BUILT = "as-built"
