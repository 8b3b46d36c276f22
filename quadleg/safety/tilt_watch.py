"""Whether the body is tipped over."""

from __future__ import annotations

from math import degrees, inf, nan

from quadleg.safety.catalogue import Reason
from quadleg.safety.deadlines import TIP_TIME
from quadleg.safety.reason_codes import ReasonCode

TILT_FRESH = 2.0  # s for which an angle counts; the tilt need not be measured


class TiltWatch:
    """The body's `tilt` in rad, NaN where unknown, against a limit in rad. Times are of a steady clock, in s."""

    def __init__(self, limit: float, now: float) -> None:
        self._limit = limit
        self._heard = now
        self._tipped_since = inf  # infinite: not now
        self.tilt = nan

    def take(self, angle: float, now: float) -> None:
        """Take the angle between the body's z axis and the vertical; NaN is unknown."""
        self.tilt, self._heard = angle, now
        self._tipped_since = min(self._tipped_since, now) if self.tipped else inf

    def is_old(self, now: float) -> bool:
        """Whether the last angle is too old to count."""
        return now - self._heard > TILT_FRESH

    @property
    def tipped(self) -> Reason | None:
        """Return that the body is tipped, else None."""
        if not self.tilt > self._limit:
            return None
        figures = {"tilt_deg": f"{degrees(self.tilt):.0f}", "limit_deg": f"{degrees(self._limit):.0f}"}
        return Reason.of(ReasonCode.TIPPED, **figures)

    def lasts(self, now: float) -> Reason | None:
        """Return that it has been tipped for TIP_TIME, longer than a jolt; else None."""
        return self.tipped if now - self._tipped_since >= TIP_TIME else None
