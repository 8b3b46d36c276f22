"""The IMU's clock against that of the ticks: both may be any, and messages of either may come late."""

from __future__ import annotations

SHARE = 0.05  # of a new offset in the one that is kept: clocks drift slowly, single messages are early or late
SET_ANEW = 3  # ticks in a row that come with samples, and with another offset: a clock was set


class ClockOffset:
    """How much the newest sample's stamp is more than that of the tick that has come: `value` in s, None at first.

    A computer that stalls hands over messages in bursts, first those of one topic and then those of the other. The
    stamps tell this from a clock that was set: samples that come between ticks then have another offset for good.
    """

    def __init__(self, tolerance: float, longest: float) -> None:
        """`tolerance` (s) is how much an offset varies, `longest` (s) how late messages may be at most."""
        self.value: float | None = None
        self._tolerance = tolerance
        self._longest = longest
        self._apart = 0

    @property
    def doubtful(self) -> bool:
        """Whether samples have come with another offset, and it is not known yet whether a clock was set."""
        return self._apart > 0

    def update(self, offset: float, fresh: bool) -> bool:
        """Take the offset of the newest sample, `fresh` if it came since the tick before; whether it is found anew."""
        if self.value is None:
            self.value = offset
            return True
        apart = offset - self.value
        if abs(apart) <= self._tolerance:
            self._apart = 0
            self.value += SHARE * apart
        elif fresh:
            self._apart += 1
            if self._apart >= SET_ANEW or abs(apart) > self._longest:
                self.value, self._apart = offset, 0
                return True
        return False
