"""Two threads in a known order: one is stopped at a line of the code under test, and the other one runs there."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterable
from pathlib import Path
from types import FrameType, ModuleType
from typing import Any

BLOCKED_AFTER = 0.02  # s without an end: the other one waits for a lock that the stopped one holds


class LineTracer:
    """Calls `reached` at the first visit of each line of some modules, in the threads that are traced.

    Install `trace` with `threading.settrace` before a thread starts; it does nothing until `arm`.
    """

    def __init__(self, modules: Iterable[ModuleType]) -> None:
        self._files = {str(Path(str(module.__file__))) for module in modules}
        self._seen: set[tuple[str, int]] = set()
        self._reached: Callable[[int], None] | None = None
        self.count = 0

    def arm(self, reached: Callable[[int], None]) -> None:
        """From here on each new line is counted, and `reached` called with its number, from 1."""
        self._reached = reached

    def disarm(self) -> None:
        """No more lines are counted."""
        self._reached = None

    def trace(self, frame: FrameType, event: str, _: Any) -> Callable | None:
        """A trace function for `sys.settrace`."""
        if self._reached is None or frame.f_code.co_filename not in self._files:
            return None
        place = (frame.f_code.co_filename, frame.f_lineno)
        if event == "line" and place not in self._seen:
            self._seen.add(place)
            self.count += 1
            self._reached(self.count)
        return self.trace


class Interleaving:
    """The first of two threads stops at its line `at`; the second one then runs up to its line `until` or its end.

    After that the first one runs to its end, and then the second one. A thread that waits for a lock of the other's
    is not waited for. Each thread calls its `first` or `second` at each of its lines; `started` starts the second.
    """

    def __init__(self, at: int, until: int | None, start: Callable[[], None]) -> None:
        self._at, self._until, self._start = at, until, start
        self._handed_back = threading.Event()
        self._first_ended = threading.Event()
        self.switched = False

    def first(self, line: int) -> None:
        """A line of the first thread."""
        if line == self._at:
            self.switched = True
            self._start()
            self._handed_back.wait(BLOCKED_AFTER)

    def second(self, line: int) -> None:
        """A line of the second thread."""
        if line == self._until:
            self._handed_back.set()
            self._first_ended.wait(BLOCKED_AFTER)

    def first_ended(self) -> None:
        """The first thread is through."""
        self._first_ended.set()

    def second_ended(self) -> None:
        """The second thread is through."""
        self._handed_back.set()


def traced(lines: LineTracer, action: Callable[[], None]) -> threading.Thread:
    """A thread, not started, that does something with its lines traced."""

    def run() -> None:
        sys.settrace(lines.trace)
        try:
            action()
        finally:
            sys.settrace(None)

    return threading.Thread(target=run, daemon=True)
