"""Mean and peak of what the servos' supply gives."""

from __future__ import annotations

from math import isfinite


class SupplyMeter:
    """Mean and peak of the current since the servos last got power; NaN before."""

    def __init__(self) -> None:
        self._powered = False
        self._charge = self._time = 0.0
        self._last: tuple[float, float] | None = None
        self.peak = self.mean = float("nan")

    def take(self, current: float, powered: bool, now: float) -> None:
        """A reading (A) at `now` s; one that is not finite leaves a gap."""
        if powered and not self._powered:
            self._charge = self._time = 0.0
            self._last, self.peak, self.mean = None, float("nan"), float("nan")
        self._powered = powered
        if not powered or not isfinite(current):
            self._last = None
            return
        self.peak = current if not isfinite(self.peak) else max(self.peak, current)
        if self._last:
            before, at = self._last
            self._charge += (now - at) * (before + current) / 2
            self._time += now - at
        self._last = current, now
        self.mean = self._charge / self._time if self._time else current
