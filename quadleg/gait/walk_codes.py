"""How a robot walks in a gait: the codes that physics and `quadleg check` both use, and the speed they judge."""

from __future__ import annotations

from enum import Enum

JUDGED_SHARE = 0.7  # of the fastest forward: the speed at which a gait is judged (our own choice)
# Of the speed asked for, what still is a walk, and what still is a poor one; and as much above it (our own choices).
SPEED_KEPT = (0.75, 0.4)


class WalkCode(str, Enum):
    """From best to worst."""

    WALKS = "walks"
    WALKS_BADLY = "walks_badly"
    DOES_NOT_WALK = "does_not_walk"
    DOES_NOT_STAND = "does_not_stand"

    @property
    def severity(self) -> int:
        """0 for the best."""
        return list(WalkCode).index(self)

    @property
    def walks(self) -> bool:
        """Well or badly."""
        return self in (WalkCode.WALKS, WalkCode.WALKS_BADLY)
