"""Whether somebody else drives on the same topic."""

from __future__ import annotations

from collections import deque
from math import inf

from quadleg.topic_table import COMMAND_FRESH


class PublisherConflicts:
    """Tells the messages of others from our own by their stamps; times are those of a steady clock in s.

    Whoever drives first goes on, and whoever hears another drive does not begin.
    """

    def __init__(self) -> None:
        self._ours: deque[int] = deque(maxlen=100)
        self._heard = -inf

    def sent(self, stamp: int) -> None:
        """A message of ours goes out with this stamp (ns)."""
        self._ours.append(stamp)

    def take(self, stamp: int, now: float) -> None:
        """A message was heard."""
        if stamp not in self._ours:
            self._heard = now

    def drive(self, now: float) -> bool:
        """Whether another drove just now."""
        return now - self._heard < COMMAND_FRESH
