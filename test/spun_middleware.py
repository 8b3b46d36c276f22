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
    """Runs callbacks from `start` until `close_with`."""

    def __init__(self) -> None:
        super().__init__()
        self._closed = False
        self._thread = threading.Thread(target=self._spin, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def _spin(self) -> None:
        while not self._closed:
            self.spin_once(0.05)

    def close_with(self, node: QuadlegNode) -> None:
        """Stops, closes the node, then itself."""
        self._closed = True
        self._thread.join()
        self.stop()
        node.close()
        self.close()
