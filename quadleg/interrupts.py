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

    # Not every system has both: calibrating a simulated robot needs no Linux.
    numbers = [getattr(signal, name) for name in ("SIGHUP", "SIGTERM") if hasattr(signal, name)]
    before = {number: signal.signal(number, interrupt) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
