"""Simulated time: a steady clock that moves from event to event, and a system clock that may step."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from math import inf

STEADY_START = 1000.0  # s: no node may take 0 for long ago
SYSTEM_START = 1_700_000_000_000_000_000  # ns since 1970


class SimulatedEvent:
    """Something that happens at `time` (s), unless it is `cancelled`."""

    __slots__ = ("action", "cancelled", "time")

    def __init__(self, time: float, action: Callable[[], None]) -> None:
        self.time = time
        self.action = action
        self.cancelled = False

    def cancel(self) -> None:
        """Let it not happen."""
        self.cancelled = True


class SimulatedTime:
    """Events in the order of their time, those of one time in the order in which they were made.

    `steady` is the clock that never jumps (s); it moves only in `run`. No event waits for another: what an action makes
    for now happens after it.
    """

    def __init__(self) -> None:
        self.steady = STEADY_START
        self._system_offset = SYSTEM_START - round(1e9 * STEADY_START)
        self._queue: list[tuple[float, int, SimulatedEvent]] = []
        self._made = 0

    def steady_time(self) -> float:
        """Return the seconds of the steady clock."""
        return self.steady

    def system_time(self) -> int:
        """Return what the system clock shows in ns."""
        return round(1e9 * self.steady) + self._system_offset

    def step_system_clock(self, seconds: float) -> None:
        """Set the system clock on, or back where `seconds` is below 0; the steady clock goes on."""
        self._system_offset += round(1e9 * seconds)

    def at(self, time: float, action: Callable[[], None]) -> SimulatedEvent:
        """Have `action` called at a time of the steady clock (s), now where that is over."""
        event = SimulatedEvent(max(time, self.steady), action)
        heapq.heappush(self._queue, (event.time, self._made, event))
        self._made += 1
        return event

    def after(self, seconds: float, action: Callable[[], None]) -> SimulatedEvent:
        """Have `action` called after so many seconds."""
        return self.at(self.steady + seconds, action)

    def run(self, until: float = inf, done: Callable[[], bool] = lambda: False) -> None:
        """Let events happen up to a time (s), which is then now, or until `done` is true after one of them."""
        while self._queue and self._queue[0][0] <= until:
            time, _, event = heapq.heappop(self._queue)
            if event.cancelled:
                continue
            self.steady = time
            event.action()
            if done():
                return
        if until < inf:
            self.steady = max(self.steady, until)
