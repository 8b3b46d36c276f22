"""A closed terminal and a kill, taken as a Ctrl-C: what is powered comes to its orderly end."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def ended_by_signals(first: Callable[[], object] | None = None) -> Iterator[None]:
    """SIGHUP and SIGTERM raise KeyboardInterrupt in here, after `first` was called."""

    def interrupt(*_: object) -> None:
        if first:
            first()
        raise KeyboardInterrupt

    before = {number: signal.signal(number, interrupt) for number in (signal.SIGHUP, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
