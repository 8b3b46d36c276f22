"""What the servos draw, against the supply, the fuse, the wire and the battery."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from quadleg.commissioning.feasibility import copper_wire
from quadleg.commissioning.feasibility.standing_torque import Torque
from quadleg.commissioning.feasibility.stride_effort import GaitUse
from quadleg.commissioning.feasibility.supply_plan import MOST_DROP, SPARE, SupplyPlan
from quadleg.commissioning.feasibility.verdict import FAILS, GOOD, TIGHT, Need, Quantity, Verdict, judged
from quadleg.dynamics.servo_motors import SUPPLY_RESISTANCE, ServoMotors
from quadleg.geometry.arrays import Array
from quadleg.robot.model import RobotModel, Supply

# Common practice, no source.
BATTERY_SHARE = 0.8  # of its charge that one takes from a battery
_SHORT = 600.0  # s: a battery that lasts less is small


@dataclass(frozen=True)
class Draw:
    """What the servos draw at one thing they do, in A: on average and at most; `seconds` on a battery, if any."""

    doing: str
    mean: float
    peak: float
    seconds: float | None


@dataclass(frozen=True)
class Current:
    """`standing` on four feet, each gait at its fastest, and `stalled`, all servos at once; `over` (n,) is the current
    in A of standing on four feet at the heights of Torque.
    """

    supply: Supply
    standing: Draw
    gaits: tuple[Draw, ...]
    stalled: float
    over: Array

    @classmethod
    def of(cls, robot: RobotModel, torque: Torque, gaits: Sequence[GaitUse]) -> Current:
        """By the torques, standing and over strides. Standing still, friction neither helps nor hinders."""
        motors = ServoMotors.of(robot)
        held = float(motors.currents(motors.torques(torque.standing[4])).sum())
        return cls(
            supply=robot.supply,
            standing=_draw(robot, "standing", held, held),
            gaits=tuple(_draw(robot, use.gait.name, use.mean, use.peak) for use in gaits if not use.obstacle),
            stalled=round(float(motors.stall_current.sum()), 9),  # a sum of 5 A is met by a supply of 5 A
            over=motors.currents(motors.torques(torque.over[4])).sum(axis=1),
        )

    @property
    def in_use(self) -> float:
        """The largest current in A of all that the robot does by plan."""
        return max(draw.peak for draw in (self.standing, *self.gaits))

    @cached_property
    def plan(self) -> SupplyPlan:
        """The supply, fuse and wire to recommend: all advice is taken from it."""
        return SupplyPlan.of(self.supply, self.in_use, self.stalled)

    def verdicts(self) -> list[Verdict]:
        """Of the supply at each thing the robot does, then of its voltage, fuse, wire and battery."""
        rows = [self._of_draw(draw) for draw in (self.standing, *self.gaits)]
        rows += [self._of_stall(), self._of_voltage(), self._of_fuse()]
        if self.supply.wire_area is not None:
            rows.append(self._of_wire(self.supply.wire_area))
        if self.supply.battery is not None:
            rows.append(self._of_battery())
        return rows

    def _of_draw(self, draw: Draw) -> Verdict:
        rated, plan = self.supply.rated_current, self.plan
        about = f"current, {draw.doing}"
        figures = f"{draw.mean:.1f} A" if draw is self.standing else f"{draw.mean:.1f} A, {draw.peak:.1f} A at most"
        why = f"{figures}, of {rated:g} A"
        cure = f"a supply of {plan.rating} A"
        if draw.mean > rated:
            return Verdict(about, FAILS, why, cure, (plan.rating_need,))
        if draw.peak > rated:
            return Verdict(about, TIGHT, f"{why}: its voltage sinks", f"walk slower, or {cure}", (plan.rating_need,))
        if min(SPARE * draw.peak, self.stalled) > rated:
            return Verdict(about, TIGHT, why, f"{cure} has some to spare", (plan.rating_need,))
        return Verdict(about, GOOD, why)

    def _of_stall(self) -> Verdict:
        rated, about = self.supply.rated_current, "current, all stalled"
        if rated >= self.stalled:
            return Verdict(about, GOOD, f"{self.stalled:.0f} A, of {rated:g} A")
        use = f"in use ({self.in_use:.1f} A at most)"
        passes = f"passes {use} and not" if self.in_use <= rated else f"passes neither {use} nor"
        why = (
            f"a supply of {rated:g} A {passes} with all servos stalled ({self.stalled:.0f} A): its voltage would sink, "
            "or it would switch off"
        )
        cure = f"keep the legs free, or a supply of {self.plan.stall_rating} A"
        return Verdict(about, TIGHT, why, cure, (self.plan.stall_rating_need,))

    def _of_voltage(self) -> Verdict:
        """Of the voltage that is left at the servos: below the supply's limit the watchdog lays the robot down."""
        supply, about = self.supply, "voltage in use"
        mean = max(draw.mean for draw in (self.standing, *self.gaits))
        left, least = (supply.voltage - SUPPLY_RESISTANCE * current for current in (mean, self.in_use))
        why = (
            f"{left:.1f} V at the servos, {least:.1f} V at least, of {supply.voltage:g} V, with the usual "
            f"{SUPPLY_RESISTANCE:g} ohm of supply, switch, fuse, wires and plugs"
        )
        if least >= supply.low_voltage:
            return Verdict(about, GOOD, why)
        ohm = (supply.voltage - supply.low_voltage) / self.in_use
        cure = (
            f"{ohm:.3f} ohm from the supply to the servos at most: short thick wires and soldered joints, or a feed "
            "of its own for each leg"
        )
        needs = (Need(Quantity.SUPPLY_OHM, round(ohm, 4), SUPPLY_RESISTANCE),)
        word = FAILS if left < supply.low_voltage else TIGHT
        limit = "the robot lies down" if word == FAILS else "for a moment; longer, and the robot lies down"
        return Verdict(about, word, f"{why}; below {supply.low_voltage:.1f} V {limit}", cure, needs)

    def _of_fuse(self) -> Verdict:
        fuse, area, plan = self.supply.fuse, self.supply.wire_area, self.plan
        fit, needs = plan.protection, plan.protection_needs
        if fuse is None:
            cure = f"{fit}; write supply.fuse_a and wire_mm2"
            return Verdict("fuse", TIGHT, "the robot file names none", cure, needs)
        if fuse <= self.in_use:
            return Verdict("fuse", FAILS, f"{fuse:g} A blows in use, at {self.in_use:.1f} A", fit, needs)
        if area is None:
            why = f"{fuse:g} A is more than the use; the wire behind it is not in the robot file"
            carries = copper_wire.size_for(fuse)
            if carries is None:
                return Verdict("fuse", FAILS, f"{fuse:g} A is more than any wire of the table carries", fit, needs)
            need = Need(Quantity.WIRE_MM2, carries * 1e6, None)
            cure = f"write supply.wire_mm2; it must be at least {carries * 1e6:g} mm²"
            return Verdict("fuse", TIGHT, why, cure, (need,))
        carried = copper_wire.capacity(area)
        if fuse > carried:
            why = (
                f"{fuse:g} A is more than the wire of {area * 1e6:g} mm² carries ({carried:g} A): the wire burns first"
            )
            return Verdict("fuse", FAILS, why, fit, needs)
        stalls = "" if fuse >= self.stalled else f"; it blows where all servos stall ({self.stalled:.0f} A)"
        return Verdict("fuse", GOOD, f"{fuse:g} A, above the use and within the wire's {carried:g} A{stalls}")

    def _of_wire(self, area: float) -> Verdict:
        carried, shown, plan = copper_wire.capacity(area), f"{area * 1e6:g} mm²", self.plan
        fit, needs = plan.protection, plan.protection_needs
        if carried < self.in_use:
            why = f"{shown} carries {carried:g} A, less than the {self.in_use:.1f} A in use"
            return Verdict("wire", FAILS, why, fit, needs)
        length = self.supply.wire_length
        lost = None if length is None else copper_wire.drop(area, length, self.in_use)
        why = f"{shown} carries {carried:g} A" + (f" and loses {lost:.2f} V in use" if lost is not None else "")
        if lost is not None and length is not None and lost > MOST_DROP * self.supply.voltage:
            least = 1e6 * copper_wire.area_for(MOST_DROP * self.supply.voltage, length, self.in_use)
            cure = f"at least {least:.2g} mm², or {length * MOST_DROP * self.supply.voltage / lost:.2g} m at most"
            need = Need(Quantity.WIRE_MM2, least, area * 1e6)
            return Verdict("wire", TIGHT, f"{why}, more than {100 * MOST_DROP:g} %", cure, (need,))
        fuse = self.supply.fuse
        if fuse is not None and fuse > carried:
            return Verdict("wire", FAILS, f"{why}, and its fuse blows at {fuse:g} A only", fit, needs)
        if carried < self.stalled and fuse is None:
            return Verdict("wire", TIGHT, f"{why}, less than the {self.stalled:.0f} A of all stalled", fit, needs)
        return Verdict("wire", GOOD, why)

    def _of_battery(self) -> Verdict:
        lasts = [(draw.doing, draw.seconds) for draw in (self.standing, *self.gaits) if draw.seconds is not None]
        shown = ", ".join(f"{seconds / 60:.0f} min {doing}" for doing, seconds in lasts)
        why = f"{shown}, by {100 * BATTERY_SHARE:g} % of its charge"
        return judged("battery", min(seconds for _, seconds in lasts) >= _SHORT, why, "a larger battery")


def _draw(robot: RobotModel, doing: str, mean: float, peak: float) -> Draw:
    battery = robot.supply.battery
    return Draw(doing, mean, peak, BATTERY_SHARE * battery / mean if battery else None)
