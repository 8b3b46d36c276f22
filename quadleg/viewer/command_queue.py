"""What pages have asked for and is not done yet: of each kind the newest, and who holds the pad."""

from __future__ import annotations

import threading
from math import inf

from quadleg.errors import Refused
from quadleg.geometry.planar import Planar
from quadleg.viewer.page_commands import HALT, STOP, WALK, PageCommand

HELD = 0.5  # s: a page whose pad is held says so ten times a second


class CommandQueue:
    """Pages put in from their threads, one takes out. Times are those of a steady clock in s.

    However much a page puts in, no more than the newest of each kind waits. The pad counts as held for `HELD` after
    its last word, until it is let go, or until its page is gone; another page's hand then has to wait.
    """

    def __init__(self) -> None:
        self._lock = threading.RLock()
        self._waiting: dict[tuple[str, str], PageCommand] = {}
        self._hand: int | None = None
        self._hand_at = -inf
        self._shares: Planar = (0.0, 0.0, 0.0)

    def put(self, page: int, asked: PageCommand, now: float) -> None:
        """Takes a wish of a page. Nothing that was asked for before an emergency stop comes after it.

        Raises Refused where another page's hand is on the pad.
        """
        with self._lock:
            if asked.kind == STOP:
                self.drop()
            if asked.kind == HALT:
                self.gone(page)
            elif asked.kind == WALK:
                if self._hand not in (None, page) and now - self._hand_at < HELD:
                    raise Refused("another browser's hand is on the pad: it has to let go first")
                self._hand, self._hand_at, self._shares = page, now, asked.shares
            else:
                self._waiting[asked.kind, asked.axis] = asked

    def gone(self, page: int) -> None:
        """A page's connection has ended."""
        with self._lock:
            if self._hand == page:
                self._hand = None

    def drop(self) -> None:
        """Forgets all but a stop, the hand too."""
        with self._lock:
            self._waiting = {key: asked for key, asked in self._waiting.items() if asked.kind == STOP}
            self._hand = None

    def take(self) -> list[PageCommand]:
        """What waits, oldest kind first, and no longer waits."""
        with self._lock:
            waiting, self._waiting = list(self._waiting.values()), {}
        return waiting

    def held(self, now: float) -> Planar | None:
        """The shares of the gait's limits that the hand on the pad wants; None where no hand is on it."""
        with self._lock:
            if self._hand is None or now - self._hand_at >= HELD:
                return None
            return self._shares
