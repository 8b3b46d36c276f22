"""Watch over the joint targets: frames are assembled here, and unusable targets counted."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from quadleg.errors import TargetError
from quadleg.safety.catalogue import Reason
from quadleg.safety.deadlines import MAX_BAD_TARGETS, MISSING_FRAMES
from quadleg.safety.frame_assembly import FrameAssembly, leg_of_targets
from quadleg.safety.reason_codes import ReasonCode


class TargetWatch:
    """The joint targets of one robot at one control period (s). `refused` counts those that could not be used, `detail`
    says why the last could not. Times are of a steady clock, in s.
    """

    def __init__(self, period: float) -> None:
        self._period = period
        self._last_good = -inf
        self._bad_in_a_row = 0
        self.assembly = FrameAssembly(period)
        self.refused = 0
        self.detail = ""

    def take(
        self, stamp: int, names: Sequence[str], points: Sequence[Sequence[float]], now: float
    ) -> tuple[float, ...] | None:
        """Take one leg's joint target; return the frame that it completes, if any. Raises TargetError."""
        try:
            leg, angles = leg_of_targets(names, points)
        except TargetError as error:
            self.refused += 1
            self._bad_in_a_row += 1
            self.detail = str(error)
            raise
        return self.assembly.add(stamp, leg, angles, now)

    def good(self, now: float) -> None:
        """Note a good frame."""
        self._last_good = now
        if not self.bad:  # else they count until they are judged, at the next tick
            self._bad_in_a_row = 0

    def begin(self) -> None:
        """Start following targets."""
        self._bad_in_a_row = 0

    def age(self, now: float) -> float:
        """Seconds since the last good frame; infinite before the first."""
        return now - self._last_good

    def missing(self, now: float) -> Reason | None:
        """Return that good frames are missing; None if they are not."""
        if self.age(now) > MISSING_FRAMES * self._period:
            return Reason.of(ReasonCode.NO_FRAME, periods=MISSING_FRAMES)
        return None

    @property
    def bad(self) -> Reason | None:
        """Return that MAX_BAD_TARGETS in a row could not be used; None if not."""
        return Reason.of(ReasonCode.BAD_TARGETS, detail=self.detail) if self._bad_in_a_row >= MAX_BAD_TARGETS else None
