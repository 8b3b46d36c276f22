"""A closed terminal and a kill, taken as a Ctrl-C: what is powered comes to its orderly end."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

# Not every system has all of them: calibrating a simulated robot needs no Linux.
ENDING = [getattr(signal, name) for name in ("SIGHUP", "SIGTERM") if hasattr(signal, name)]


@contextmanager
def ended_by_signals(first: Callable[[], object] | None = None) -> Iterator[None]:
    """SIGHUP and SIGTERM raise KeyboardInterrupt in here, after `first` was called."""

    def interrupt(*_: object) -> None:
        if first:
            first()
        raise KeyboardInterrupt

    before = {number: signal.signal(number, interrupt) for number in ENDING}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def signals_held() -> Iterator[None]:
    """A Ctrl-C, SIGHUP or SIGTERM that comes in here acts at its end: compiled code carries no exception of a handler.

    For the main thread.
    """
    came: list[tuple[int, FrameType | None]] = []
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, *ENDING)}
    try:
        for number, handler in before.items():
            if callable(handler):
                signal.signal(number, lambda number, frame: came.append((number, frame)))
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        for number, frame in came:
            handler = before[number]
            if callable(handler):
                handler(number, frame)
