"""Offset between the IMU's clock and that of the ticks; messages of either may come late."""

from __future__ import annotations

SHARE = 0.05  # low-pass of the offset: clocks drift slowly, single messages are early or late
SET_ANEW = 3  # ticks in a row with samples and another offset: a clock was set


class ClockOffset:
    """Stamp of the newest sample minus that of the newest tick: `value` in s, None at first.

    A stalled computer delivers messages in bursts, first those of one topic, then those of the other. The stamps tell
    this from a clock that was set: samples that come between ticks then keep another offset.
    """

    def __init__(self, tolerance: float, longest: float) -> None:
        """`tolerance` (s) is how much an offset varies, `longest` (s) how late messages may be."""
        self.value: float | None = None
        self._tolerance = tolerance
        self._longest = longest
        self._apart = 0

    @property
    def doubtful(self) -> bool:
        """Whether samples have come with another offset, before it is known whether a clock was set."""
        return self._apart > 0

    def update(self, offset: float, fresh: bool) -> bool:
        """Take the offset of the newest sample, `fresh` if it came since the last tick; return if `value` jumped."""
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
