"""Supply, fuse and wire that suit a robot: one computation, from which each line of advice is taken."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

from quadleg.commissioning.feasibility import copper_wire
from quadleg.commissioning.feasibility.verdict import Need, Quantity
from quadleg.robot.model import JOINT_NAMES, LEGS, Supply

MOST_DROP = 0.05  # of the supply's voltage, lost in the wire (common practice, no source)
SPARE = 1.5  # a supply's rating over the largest current in use (common practice, no source)
_SIZES = (1, 2, 3, 5, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100, 120, 150, 200)  # A: common practice, no source
FUSES = (1, 2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30, 35, 40)  # A, blade fuses; unverified: the table of ISO 8820-3

# One fuse for all servos, else one for each leg, else one for each servo.
_CIRCUITS = {1: "", len(LEGS): "each leg", len(JOINT_NAMES): "each servo"}


@dataclass(frozen=True)
class SupplyPlan:
    """Currents in A. `rating` does for the use, `stall_rating` also for all servos stalled at once.

    `fuse` in A bears that too, and `wire_area` in m² carries what the fuse lets through; they are for each of so many
    `circuits` (None: no blade fuse and no wire of the table is large enough even for a single servo).
    """

    supply: Supply
    in_use: float
    rating: int
    stall_rating: int
    circuits: int
    fuse: float | None
    wire_area: float | None

    @classmethod
    def of(cls, supply: Supply, in_use: float, stalled: float) -> SupplyPlan:
        """For the largest current in use, and that of all servos stalled."""
        stall_rating = _rounded(stalled)
        rating = min(_rounded(SPARE * in_use), stall_rating)
        for circuits in _CIRCUITS:
            fuse = next((size for size in FUSES if size >= stalled / circuits), None)
            area = None if fuse is None else copper_wire.size_for(fuse, _least_area(supply, in_use / circuits))
            if area is not None:
                break
        return cls(supply, in_use, rating, stall_rating, circuits, fuse, area)

    @property
    def sentence(self) -> str:
        return f"Supply to buy: {self.figures}."

    @property
    def figures(self) -> str:
        """The supply that would do, and what for."""
        more = (
            ""
            if self.stall_rating <= self.rating
            else f"; {self.stall_rating} A if it shall bear all servos stalled too"
        )
        return (
            f"{self.supply.voltage:g} V, {self.rating} A ({self.in_use:.1f} A at most in use, and half as much again)"
            f"{more}"
        )

    @property
    def protection(self) -> str:
        """Fuse and wire to fit, for a cure."""
        if self.fuse is None or self.wire_area is None:
            return "servos that stall at less: a single one takes more than a blade fuse bears"
        if self.circuits == 1:
            return f"fit one of {self.fuse:g} A, and wire of {self.wire_area * 1e6:g} mm² or more that carries it"
        return (
            f"give {_CIRCUITS[self.circuits]} a fuse of {self.fuse:g} A and wire of {self.wire_area * 1e6:g} mm² or "
            "more of its own: all servos stalled are more than one blade fuse takes"
        )

    @property
    def protection_needs(self) -> tuple[Need, ...]:
        """The numbers of `protection`."""
        if self.fuse is None or self.wire_area is None:
            return ()
        at = _CIRCUITS[self.circuits]
        area = self.supply.wire_area
        return (
            Need(Quantity.FUSE_A, self.fuse, self.supply.fuse, at),
            Need(Quantity.WIRE_MM2, self.wire_area * 1e6, None if area is None else area * 1e6, at),
        )

    @property
    def rating_need(self) -> Need:
        return Need(Quantity.SUPPLY_A, self.rating, self.supply.rated_current)

    @property
    def stall_rating_need(self) -> Need:
        return Need(Quantity.SUPPLY_A, self.stall_rating, self.supply.rated_current, "all servos stalled")


def _least_area(supply: Supply, current: float) -> float:
    """The cross-section in m² with which a wire of the file's length loses no more than MOST_DROP."""
    if supply.wire_length is None:
        return 0.0
    return copper_wire.area_for(MOST_DROP * supply.voltage, supply.wire_length, current)


def _rounded(current: float) -> int:
    """Up to a size of supply that there is."""
    return next((size for size in _SIZES if size >= current - 1e-9), ceil(current))
