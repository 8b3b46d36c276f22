"""Whether a robot will stand and walk in a gait, by its figures alone: what physics is then found to agree with.

Rises and stands: each joint within the torque-speed line on the way up, with the voltage that is left under the
current. Walks: within its walking limits (reach, balance, torque and speed: gait/walking_limits.py), fast enough for a
walk, with a supply that bears it, and without tipping over the feet.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import Enum
from functools import cached_property
from math import ceil

import numpy as np

from quadleg.commissioning.feasibility.standing_torque import HEADROOM, Rise, Torque
from quadleg.commissioning.feasibility.stride_effort import GaitUse, Stride, least_speed
from quadleg.commissioning.feasibility.torque_needs import torque_cure, torque_needs, with_stall_torques
from quadleg.commissioning.feasibility.verdict import FAILS, GOOD, TIGHT, Need, Quantity, Verdict
from quadleg.dynamics.servo_motors import SUPPLY_RESISTANCE
from quadleg.gait.stride_feasibility import StrideObstacle
from quadleg.gait.walk_codes import JUDGED_SHARE, SPEED_KEPT, WalkCode
from quadleg.geometry.arrays import Array
from quadleg.robot.model import RobotModel
from quadleg.safety.figure_words import code_in_words

# Of the hip height: how far the body's centre moves where servos give way and tilt it by 4° (walks in physics tilt by 2
# to 6°). With less than that between its zero-moment point and the outline of the feet the robot tips over them.
TIPPING_SHARE = 0.07

# Of the speed asked for, what a gait on two feet gains as servos near their limit give way in proportion to torque (in
# truth two to four times that): below the one it does not walk, above the other it loses nothing. 26 such trots in
# physics (seeds 9001 and 6161, and a loaded demo robot): 5 of 6 do not walk, 4 of 4 walk; between them 11 of 16 walk
# badly or not. From -0.24 to -0.20 four random trots keep 21 to 38 % of the speed (less than 40 % is no walk), the demo
# robot with 600 g more 51 %.
BACKWARD, AHEAD = -0.2, 0.1


class WalkObstruction(str, Enum):
    """Why a robot does not stand or walk, or walks badly."""

    CANNOT_RISE = "cannot_rise"
    SUPPLY_VOLTAGE = "supply_voltage"
    SUPPLY_CURRENT = "supply_current"
    WALKING_LIMITS = "walking_limits"
    TIPS = "tips"
    TOO_SLOW = "too_slow"
    NEAR_LIMIT = "near_limit"


@dataclass(frozen=True)
class LimitingFactor:
    """One cause: the code that follows, the sentence, what to change, and the figures needed."""

    cause: WalkObstruction
    code: WalkCode
    why: str
    cure: str
    needs: tuple[Need, ...] = ()

    def asks_more_than(self, other: LimitingFactor | None) -> bool:
        """Of the supply, where both have one cause; standing and walking each ask for something."""
        if other is None:
            return True
        if self.cause is WalkObstruction.SUPPLY_VOLTAGE:
            return self.needs[0].value < other.needs[0].value
        return self.cause is WalkObstruction.SUPPLY_CURRENT and self.needs[0].value > other.needs[0].value


def stall_torques_needed(torque: Torque, gaits: Iterable[GaitUse]) -> Array:
    """(12,) in N·m: what rising, standing and all these gaits take, with a little more."""
    return np.max([torque.needed, *(HEADROOM * use.needed for use in gaits)], axis=0)


@dataclass(frozen=True)
class WalkForecast:
    """One gait's. `needed` (12,) are the stall torques in N·m to buy; None: those for this gait alone."""

    robot: RobotModel
    torque: Torque
    use: GaitUse
    needed: Array | None = None

    @property
    def code(self) -> WalkCode:
        """Walks, or what follows from the worst factor."""
        codes = (factor.code for factor in self.limiting_factors)
        return max(codes, key=lambda code: code.severity, default=WalkCode.WALKS)

    @cached_property
    def limiting_factors(self) -> tuple[LimitingFactor, ...]:
        """All that is in the way, the worst first."""
        found = [*self._standing(), *self._walking()]
        return tuple(sorted(found, key=lambda factor: -factor.code.severity))

    @cached_property
    def _torque_needs(self) -> tuple[Need, ...]:
        return torque_needs(self.robot, self._needed)

    @property
    def _needed(self) -> Array:
        return stall_torques_needed(self.torque, [self.use]) if self.needed is None else self.needed

    def verdict(self) -> Verdict:
        """For the table of `quadleg check`."""
        about = f"walk, {self.use.gait.name}"
        if not self.limiting_factors:
            stride = self.use.judged
            assert stride
            return Verdict(
                about, GOOD, f"walks at {stride.twist[0]:.2f} m/s, {100 * JUDGED_SHARE:.0f} % of its limit ahead"
            )
        first = self.limiting_factors[0]
        if first.code.walks:
            return Verdict(about, TIGHT, f"{code_in_words(first.code.value)}: {first.why}", first.cure, first.needs)
        # All that it takes, so that one purchase is enough.
        bars: dict[WalkObstruction, LimitingFactor] = {}
        for factor in self.limiting_factors:
            if not factor.code.walks and factor.asks_more_than(bars.get(factor.cause)):
                bars[factor.cause] = factor
        asked = {factor.cure: factor.needs for factor in bars.values()}
        needs = tuple(need for some in asked.values() for need in some)
        return Verdict(about, FAILS, f"{code_in_words(first.code.value)}: {first.why}", "; and ".join(asked), needs)

    def _standing(self) -> Iterator[LimitingFactor]:
        torque = self.torque
        code = WalkCode.DOES_NOT_STAND
        if torque.rising.effort > 1.0:
            needs = self._torque_needs
            why = f"rising takes {100 * torque.rising.effort:.0f} % of what the servos give"
            yield LimitingFactor(WalkObstruction.CANNOT_RISE, code, why, torque_cure(needs), needs)
            stronger = Rise.of(with_stall_torques(self.robot, self._needed)).current
            yield from self._supply(stronger, stronger, code, "with servos that strong, rising")
        else:
            yield from self._supply(torque.rising.current, torque.rising.current, code, "rising")

    def _supply(self, mean: float, peak: float, code: WalkCode, doing: str) -> Iterator[LimitingFactor]:
        supply = self.robot.supply
        left = supply.voltage - SUPPLY_RESISTANCE * mean
        if left < supply.low_voltage:
            ohm = (supply.voltage - supply.low_voltage) / peak
            why = f"{doing}, the servos get {left:.1f} V, and below {supply.low_voltage:.1f} V it lies down"
            cure = f"{ohm:.3f} ohm from the supply to the servos at most: short thick wires, or a feed for each leg"
            needs = (Need(Quantity.SUPPLY_OHM, ohm, SUPPLY_RESISTANCE),)
            yield LimitingFactor(WalkObstruction.SUPPLY_VOLTAGE, code, why, cure, needs)
        if mean > supply.rated_current:
            why = f"{doing} takes {mean:.1f} A, more than the supply's {supply.rated_current:g} A"
            need = Need(Quantity.SUPPLY_A, peak, supply.rated_current)
            yield LimitingFactor(
                WalkObstruction.SUPPLY_CURRENT, code, why, f"a supply of {ceil(peak)} A or more", (need,)
            )

    def _walking(self) -> Iterator[LimitingFactor]:
        use, code = self.use, WalkCode.DOES_NOT_WALK
        stride = use.judged
        if use.obstacle or stride is None:
            why, cure = use.why or "its walking limit forward is zero", use.cure
            needs = use.needs
            if use.obstacle is StrideObstacle.TORQUE:
                needs = self._torque_needs
                cure = torque_cure(needs) or cure
            yield LimitingFactor(WalkObstruction.WALKING_LIMITS, code, why, cure, needs)
            return
        height = self.robot.standing.height
        on_two = use.gait.margin is None
        needs = self._torque_needs
        if stride.twist[0] < least_speed(self.robot, use.gait):
            why = f"its limits let it go {1000 * stride.twist[0]:.0f} mm/s only"
            needs = use.needs or needs
            cure = (
                use.cure or torque_cure(needs) or "faster servos, or raise gaits." + f"{use.gait.name}.stride_period_s"
            )
            yield LimitingFactor(WalkObstruction.TOO_SLOW, code, why, cure, needs)
        elif use.worked_hard:
            gained = use.giving_way / stride.twist[0]
            follows = WalkCode.WALKS if not on_two or gained > AHEAD else WalkCode.WALKS_BADLY
            if on_two and gained < BACKWARD:
                follows = code
            well, badly = SPEED_KEPT
            lost = 1.0 - (well if follows.walks else badly)
            why = (
                f"its servos work near their limit ({100 * use.spot_effort:.0f} % of what they give, on the spot), so "
                f"the legs give way and may lose {100 * lost:.0f} % or more of {stride.twist[0]:.2f} m/s"
            )
            if not follows.walks:
                why += ", which counts as not walking"
            yield LimitingFactor(WalkObstruction.NEAR_LIMIT, follows, why, torque_cure(needs), needs)
        yield from self._supply(float(stride.total.mean()), float(stride.total.max()), code, "walking")
        least = TIPPING_SHARE * height
        if not on_two and stride.tipping_margin < least:
            why = (
                f"its centre of mass comes within {1000 * stride.tipping_margin:.0f} mm of tipping over its feet, "
                f"{1000 * least:.0f} mm are needed"
            )
            yield LimitingFactor(WalkObstruction.TIPS, code, why, _balance_cure(stride))


def _balance_cure(stride: Stride) -> str:
    x, y = (1000 * stride.centre).round().astype(int).tolist()
    where = [f"{abs(x)} mm to the {'front' if x > 0 else 'rear'}"] * bool(x)
    where += [f"{abs(y)} mm to the {'left' if y > 0 else 'right'}"] * bool(y)
    off = f" (it is {' and '.join(where)})" if where else ""
    return f"bring the centre of mass over the middle of the feet{off}, or feet further apart across"
