"""rclpy in this process, spun by a thread of its own."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.rclpy_middleware import RclpyMiddleware


@contextmanager
def middleware() -> Iterator[RclpyMiddleware]:
    """A middleware that nobody spins."""
    made = RclpyMiddleware()
    yield made
    made.close()


class SpunMiddleware(RclpyMiddleware):
    """Runs callbacks from `start` until `close_with`; `args` are a command line's, with `--ros-args`."""

    def __init__(self, args: list[str] | None = None) -> None:
        super().__init__(args)
        self._closed = False
        self._thread = threading.Thread(target=self._spin, daemon=True)

    def step_back(self) -> None:
        """Nothing: this process is that of other tests too."""

    def start(self) -> None:
        self._thread.start()

    def _spin(self) -> None:
        while not self._closed:
            self.spin_once(0.05)

    def close_with(self, *nodes: QuadlegNode) -> None:
        """Stops, closes the nodes, then itself."""
        self._closed = True
        self._thread.join()
        self.stop()
        for node in nodes:
            node.close()
        self.close()
