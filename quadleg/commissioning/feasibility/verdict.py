"""What `quadleg check` says of one thing: a verdict, its reason, what to change, and the figures needed."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

GOOD, TIGHT, FAILS = "good", "tight", "will not work"


class Quantity(str, Enum):
    """What a robot needs; the unit is in the name."""

    STALL_TORQUE_KG_CM = "stall_torque_kg_cm"
    MASS_G = "mass_g"
    SUPPLY_A = "supply_a"
    SUPPLY_OHM = "supply_ohm"
    FUSE_A = "fuse_a"
    WIRE_MM2 = "wire_mm2"
    FOOT_CLEARANCE_MM = "foot_clearance_mm"
    STRIDE_PERIOD_S = "stride_period_s"
    STANDING_HEIGHT_MM = "standing_height_mm"
    FEET_OUT_ACROSS_MM = "feet_out_across_mm"


@dataclass(frozen=True)
class Need:
    """A figure that is needed and the present one (None: missing); `at` says where, empty for the whole robot.

    At most so much of mass, seconds for 60° and ohm; at least so much of torque, current and wire; of a gait and a
    stance, this value.
    """

    quantity: Quantity
    value: float
    have: float | None
    at: str = ""


@dataclass(frozen=True)
class Verdict:
    """`word` is GOOD, TIGHT or FAILS; `about` names what was judged, `cure` says what to change (empty: nothing).

    `needs` are the numbers in the cure.
    """

    about: str
    word: str
    why: str
    cure: str = ""
    needs: tuple[Need, ...] = ()

    @property
    def sentence(self) -> str:
        """All of it, for one line."""
        return f"{self.about}: {self.why}{f'; {self.cure}' if self.cure else ''}"


def judged(about: str, good: bool, why: str, cure: str) -> Verdict:
    """Of what is GOOD or TIGHT, which the cure ends."""
    return Verdict(about, GOOD, why) if good else Verdict(about, TIGHT, why, cure)


def graded(value: float, good: float, tight: float) -> str:
    """The word for a figure of which more is better: GOOD from `good` on, TIGHT from `tight` on."""
    return GOOD if value >= good else TIGHT if value >= tight else FAILS
