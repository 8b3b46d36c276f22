"""Supply watch: lost, low, or near or over the rated current, by the measured voltage and current."""

from __future__ import annotations

from math import inf, isfinite, nan

from quadleg.robot.model import RobotModel
from quadleg.safety.catalogue import Reason
from quadleg.safety.figure_words import amperes, volts
from quadleg.safety.reason_codes import ReasonCode

SUPPLY_FRESH = 2.0  # s for which a reading counts; the supply need not be measured
LOST_SHARE = 1 / 3  # of the supply's voltage: below it the servos are switched off, not only weak
NEAR_SHARE = 0.9  # of the supply's rated current: the robot goes slower from there on


class SupplyWatch:
    """The last reading, `voltage` (V) and `current` (A drawn), NaN where unknown, and what is wrong with it.

    Times are those of a steady clock, in s.
    """

    def __init__(self, robot: RobotModel, now: float) -> None:
        self._rated = robot.supply
        self._present = True
        self._heard = now
        self._low_since = self._over_since = inf  # infinite: not now
        self.voltage = self.current = nan

    def take(self, voltage: float, current: float, present: bool, now: float) -> None:
        """Take a reading: V, and A that are drawn; what is not finite is unknown."""
        self.voltage = voltage if isfinite(voltage) else nan
        self.current = current if isfinite(current) else nan
        self._present, self._heard = present, now
        self._low_since = min(self._low_since, now) if self.low else inf
        self._over_since = min(self._over_since, now) if self.over else inf

    def is_old(self, now: float) -> bool:
        """Whether the last reading is too old to count."""
        return now - self._heard > SUPPLY_FRESH

    @property
    def lost(self) -> Reason | None:
        """Return that the supply is lost; None if that is not known."""
        if not self._present:
            return Reason.of(ReasonCode.SUPPLY_ABSENT)
        if self.voltage < LOST_SHARE * self._rated.voltage:
            figures = {"voltage_v": volts(self.voltage), "rated_v": f"{self._rated.voltage:g}"}
            return Reason.of(ReasonCode.SUPPLY_LOST, **figures)
        return None

    @property
    def low(self) -> Reason | None:
        """Return that the voltage is below the robot file's limit, else None."""
        limit = self._rated.low_voltage
        if not self.voltage < limit:
            return None
        return Reason.of(ReasonCode.SUPPLY_LOW, voltage_v=volts(self.voltage), limit_v=volts(limit))

    @property
    def over(self) -> Reason | None:
        """Return that the current is over the rating, else None."""
        return self._beyond(1.0)

    @property
    def near(self) -> Reason | None:
        """Return that the current is over NEAR_SHARE of the rating, else None."""
        return self._beyond(NEAR_SHARE)

    def _beyond(self, share: float) -> Reason | None:
        rating = self._rated.rated_current
        if not self.current > share * rating:
            return None
        return Reason.of(ReasonCode.OVER_CURRENT, current_a=amperes(self.current), rated_a=f"{rating:g}")

    def low_for(self, now: float) -> float:
        """Return for how many s the voltage has been low; negative if it is not."""
        return now - self._low_since

    def over_for(self, now: float) -> float:
        """Return for how many s the current has been over the rating; negative if it is not."""
        return now - self._over_since
