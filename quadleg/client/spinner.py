"""Who runs a script's callbacks: a thread beside it on rclpy, the calls that wait on simulated time."""

from __future__ import annotations

import threading
import traceback
from abc import ABC, abstractmethod
from collections.abc import Callable

from quadleg.middleware.interface import Middleware

LOOK_PERIOD = 0.1  # s at most between two looks at what is waited for, where nothing is heard
FAILURES = 3  # of rclpy in a row, after which the thread ends: it would fail for ever
FAILURE_PAUSE = 0.1  # s after such a failure


class Spinner(ABC):
    """Runs the callbacks of a middleware's nodes from `start` to `close`.

    `lock` is for what callbacks change and calls read. `ended` is why no callback runs any more, None while they run.
    """

    def __init__(self, middleware: Middleware) -> None:
        self.middleware = middleware
        self.lock = threading.RLock()
        self.ended: Exception | None = None

    @abstractmethod
    def start(self, say: Callable[[str], object]) -> None:
        """Run callbacks from here on; `say` takes what the middleware itself fails with."""

    @abstractmethod
    def wait(self, done: Callable[[], object], seconds: float) -> bool:
        """Return whether `done` is true within so many seconds.

        It is asked, under the lock, after every callback and once a `LOOK_PERIOD`.
        """

    @abstractmethod
    def close(self) -> None:
        """Run no callback any more, and free the middleware with its nodes."""


class SpinningThread(Spinner):
    """Callbacks run in a thread, also while the script does something else."""

    def __init__(self, middleware: Middleware) -> None:
        super().__init__(middleware)
        self._news = threading.Condition(self.lock)
        self._closed = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, say: Callable[[str], object]) -> None:
        self._thread = threading.Thread(target=self._spin, args=(say,), name="quadleg_client", daemon=True)
        self._thread.start()

    def wait(self, done: Callable[[], object], seconds: float) -> bool:
        with self._news:
            return bool(self._news.wait_for(done, seconds))

    def close(self) -> None:
        self._closed.set()
        if self._thread:
            self._thread.join()
        self.middleware.stop()
        self.middleware.close()

    def _spin(self, say: Callable[[str], object]) -> None:
        failures = 0
        while not self._closed.is_set() and not self.ended:
            try:
                self.middleware.spin_once(LOOK_PERIOD)
                failures = 0
            except Exception as error:
                say("".join(traceback.format_exception(error)))
                failures += 1
                if failures == FAILURES:
                    self.ended = error
                else:
                    self._closed.wait(FAILURE_PAUSE)
            with self._news:
                self._news.notify_all()


class SpinningCaller(Spinner):
    """Callbacks run within the calls that wait: for simulated time, which goes on in them only."""

    def start(self, say: Callable[[str], object]) -> None:
        """Nothing to start: what fails raises in the call that waits."""

    def wait(self, done: Callable[[], object], seconds: float) -> bool:
        until = self.middleware.steady_time() + seconds
        while not (found := done()) and (left := until - self.middleware.steady_time()) > 0:
            self.middleware.spin_once(min(left, LOOK_PERIOD))
        return bool(found)

    def close(self) -> None:
        self.middleware.stop()
        self.middleware.close()


def thread_on_rclpy(namespace: str) -> Spinner:
    """Return a thread that spins rclpy, for nodes in a namespace. Raises RosMissing or NamespaceError."""
    from quadleg.runtime.node_table import check_namespace, find_each_other_soon, stay_local
    from quadleg.runtime.stack_runner import need_ros

    need_ros()
    check_namespace(namespace)
    stay_local()
    find_each_other_soon()
    from quadleg.middleware.rclpy_middleware import RclpyMiddleware

    return SpinningThread(RclpyMiddleware(namespace=namespace))
