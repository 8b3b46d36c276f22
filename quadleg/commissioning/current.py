"""What the servos draw, against the supply, the fuse, the wire and the battery."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from quadleg.commissioning import wire
from quadleg.commissioning.stride import GaitUse
from quadleg.commissioning.torque import Torque
from quadleg.commissioning.verdict import FAILS, GOOD, TIGHT, Verdict
from quadleg.dynamics.servo_motors import ServoMotors
from quadleg.robot.model import Robot, Supply

Array = NDArray[np.float64]

# All below: common practice, no source.
SPARE = 1.5  # a supply's rating over the largest current in use
BATTERY_SHARE = 0.8  # of its charge that one takes from a battery
MOST_DROP = 0.05  # of the supply's voltage, lost in the wire
_SHORT = 600.0  # s: a battery that lasts less is small
_SIZES = (5, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100, 120, 150, 200)  # A, of supplies

FUSES = (1, 2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30, 35, 40)  # A, blade fuses: ISO 8820-3 (from memory)


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
    def of(cls, robot: Robot, torque: Torque, gaits: Sequence[GaitUse]) -> Current:
        """By the torques, standing and over strides. Standing still, friction neither helps nor hinders."""
        motors = ServoMotors.of(robot)
        held = float(motors.currents(motors.torques(torque.standing[4])).sum())
        return cls(
            supply=robot.supply,
            standing=_draw(robot, "standing", held, held),
            gaits=tuple(_draw(robot, use.gait.name, use.mean, use.peak) for use in gaits if not use.trouble),
            stalled=float(motors.stall_current.sum()),
            over=motors.currents(motors.torques(torque.over[4])).sum(axis=1),
        )

    @property
    def in_use(self) -> float:
        """The largest current in A of all that the robot does by plan."""
        return max(draw.peak for draw in (self.standing, *self.gaits))

    @property
    def to_buy(self) -> int:
        """The rating in A of the supply that is right for the use."""
        return _rounded(SPARE * self.in_use)

    @property
    def buy(self) -> str:
        """Which supply to buy, in one line."""
        volts = f"{self.supply.voltage:g} V"
        stalled = _rounded(self.stalled)
        more = "" if stalled <= self.to_buy else f"; {stalled} A if it shall bear all servos stalled too"
        return (
            f"Supply to buy: {volts}, {self.to_buy} A ({self.in_use:.1f} A at most in use, and half as much again)"
            f"{more}."
        )

    def verdicts(self) -> list[Verdict]:
        """Of the supply at each thing the robot does, then of fuse, wire and battery."""
        rows = [self._of_draw(draw) for draw in (self.standing, *self.gaits)]
        rows += [self._of_stall(), self._of_fuse()]
        if self.supply.wire_area is not None:
            rows.append(self._of_wire(self.supply.wire_area))
        if self.supply.battery is not None:
            rows.append(self._of_battery())
        return rows

    def _of_draw(self, draw: Draw) -> Verdict:
        rated = self.supply.rated_current
        about = f"current, {draw.doing}"
        figures = f"{draw.mean:.1f} A" if draw is self.standing else f"{draw.mean:.1f} A, {draw.peak:.1f} A at most"
        why = f"{figures}, of {rated:g} A"
        if draw.mean > rated:
            return Verdict(about, FAILS, why, f"a supply of {self.to_buy} A")
        if draw.peak > rated:
            return Verdict(about, TIGHT, f"{why}: its voltage sinks", f"walk slower, or a supply of {self.to_buy} A")
        if SPARE * draw.peak > rated:
            return Verdict(about, TIGHT, why, f"a supply of {self.to_buy} A has some to spare")
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
        return Verdict(about, TIGHT, why, f"keep the legs free, or a supply of {_rounded(self.stalled)} A")

    def _of_fuse(self) -> Verdict:
        fuse, area = self.supply.fuse, self.supply.wire_area
        proper = next((size for size in FUSES if size >= self.stalled), None)
        size = wire.size_for(proper) if proper else None
        fit = (
            f"fit one of {proper:g} A, and wire of {size * 1e6:g} mm² or more that carries it"
            if proper and size
            else "give each leg a fuse and a wire of its own: this current is more than one blade fuse takes"
        )
        if fuse is None:
            return Verdict("fuse", TIGHT, "the robot file names none", f"{fit}; write supply.fuse_a and wire_mm2")
        if fuse <= self.in_use:
            return Verdict("fuse", FAILS, f"{fuse:g} A blows in use, at {self.in_use:.1f} A", fit)
        if area is None:
            why = f"{fuse:g} A is more than the use; the wire behind it is not in the robot file"
            carries = wire.size_for(fuse)
            least = f"at least {carries * 1e6:g} mm²" if carries else f"as thick as {fuse:g} A need"
            return Verdict("fuse", TIGHT, why, f"write supply.wire_mm2; it must be {least}")
        carried = wire.capacity(area)
        if fuse > carried:
            why = (
                f"{fuse:g} A is more than the wire of {area * 1e6:g} mm² carries ({carried:g} A): the wire burns first"
            )
            return Verdict("fuse", FAILS, why, fit)
        stalls = "" if fuse >= self.stalled else f"; it blows where all servos stall ({self.stalled:.0f} A)"
        return Verdict("fuse", GOOD, f"{fuse:g} A, above the use and within the wire's {carried:g} A{stalls}")

    def _of_wire(self, area: float) -> Verdict:
        carried, shown = wire.capacity(area), f"{area * 1e6:g} mm²"
        proper = wire.size_for(self.stalled)
        cure = f"wire of {proper * 1e6:g} mm²" if proper else "a wire for each leg"
        if carried < self.in_use:
            why = f"{shown} carries {carried:g} A, less than the {self.in_use:.1f} A in use"
            return Verdict("wire", FAILS, why, cure)
        lost = None
        if self.supply.wire_length is not None:
            lost = wire.drop(area, self.supply.wire_length, self.in_use)
        why = f"{shown} carries {carried:g} A" + (f" and loses {lost:.2f} V in use" if lost is not None else "")
        if lost is not None and lost > MOST_DROP * self.supply.voltage:
            return Verdict("wire", TIGHT, f"{why}, more than {100 * MOST_DROP:g} %", "a shorter or thicker wire")
        protected = self.supply.fuse is not None and self.supply.fuse <= carried
        if carried < self.stalled and not protected:
            return Verdict("wire", TIGHT, f"{why}, less than the {self.stalled:.0f} A of all stalled", cure)
        return Verdict("wire", GOOD, why)

    def _of_battery(self) -> Verdict:
        lasts = [(draw.doing, draw.seconds) for draw in (self.standing, *self.gaits) if draw.seconds is not None]
        shown = ", ".join(f"{seconds / 60:.0f} min {doing}" for doing, seconds in lasts)
        why = f"{shown}, by {100 * BATTERY_SHARE:g} % of its charge"
        if min(seconds for _, seconds in lasts) < _SHORT:
            return Verdict("battery", TIGHT, why, "a larger battery")
        return Verdict("battery", GOOD, why)


def _draw(robot: Robot, doing: str, mean: float, peak: float) -> Draw:
    battery = robot.supply.battery
    return Draw(doing, mean, peak, BATTERY_SHARE * battery / mean if battery else None)


def _rounded(current: float) -> int:
    """Up to a size of supply that there is."""
    return next((size for size in _SIZES if size >= current - 1e-9), ceil(current))
