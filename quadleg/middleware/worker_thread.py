"""A thread that takes one step after another by the steady clock."""

from __future__ import annotations

import threading

from quadleg.middleware.interface import Step, Worker


class WorkerThread(Worker):
    """Takes the first step after `delay` s, and each next one when the step before it said or when woken."""

    def __init__(self, name: str, step: Step, delay: float) -> None:
        self._step = step
        self._news = threading.Event()
        self._closed = False
        self._thread = threading.Thread(target=self._run, args=(delay,), name=name, daemon=True)
        self._thread.start()

    def wake(self) -> None:
        self._news.set()

    def close(self) -> None:
        self._closed = True
        self._news.set()
        self._thread.join()

    def _run(self, wait: float | None) -> None:
        while wait is not None:
            woken = self._news.wait(max(0.0, wait))
            if self._closed:
                return
            self._news.clear()
            wait = self._step(woken)
