"""What runs a script's callbacks: a thread on rclpy and the waiting call itself, as a listener and its calls see it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator

import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from std_msgs.msg import String

from quadleg.client.listener import GuardedListener
from quadleg.client.spinner import Spinner, SpinningCaller, SpinningThread
from quadleg.errors import CallbackFailed, StackNotFound
from quadleg.middleware.interface import Middleware
from quadleg.middleware.rclpy_middleware import RclpyMiddleware
from quadleg.middleware.simulated_bus import SimulatedBus
from quadleg.middleware.simulated_middleware import SimulatedMiddleware
from quadleg.middleware.simulated_time import SimulatedTime

SPINNERS: dict[str, Callable[[], Spinner]] = {
    "thread": lambda: SpinningThread(RclpyMiddleware()),
    "caller": lambda: SpinningCaller(SimulatedMiddleware(SimulatedBus(SimulatedTime()))),
}
PATIENCE = 10.0  # s


@pytest.fixture(params=SPINNERS)
def listener(request: pytest.FixtureRequest, domain: int) -> Iterator[GuardedListener]:
    with GuardedListener("", SPINNERS[request.param]()) as listener:
        listener.start()
        yield listener


def test_a_call_waits_for_what_is_heard_and_a_callback_that_raises_ends_nothing(listener: GuardedListener) -> None:
    heard: list[str] = []

    def hear(message: String) -> None:
        heard.append(message.data)
        if message.data == "bad":
            raise ValueError("a caller at fault")

    listener.subscribe(String, "words", hear, 10)
    words = listener.node.create_publisher(String, "words", 10)
    listener.wait(lambda: words.get_subscription_count() == 1, PATIENCE, lambda: "no subscription")
    words.publish(String(data="bad"))
    with pytest.raises(CallbackFailed, match="the listener of words raised ValueError"):
        listener.wait(lambda: False, PATIENCE, lambda: "nothing raised")
    words.publish(String(data="good"))
    listener.wait(lambda: "good" in heard, PATIENCE, lambda: "nothing heard")


def test_what_does_not_come_in_time_is_told(listener: GuardedListener) -> None:
    begun = listener.steady_time()
    with pytest.raises(StackNotFound, match="no message came"):
        listener.wait(lambda: False, 0.25, lambda: "no message came")
    assert listener.steady_time() - begun >= 0.25 - 1e-9


def test_a_pause_lasts_as_long_as_it_is_told(listener: GuardedListener) -> None:
    begun = listener.steady_time()
    listener.pause(0.25)
    assert listener.steady_time() - begun >= 0.25 - 1e-9


def test_a_service_that_no_node_offers_is_told_by_its_name(listener: GuardedListener) -> None:
    with pytest.raises(StackNotFound, match="no node offers enable: is `quadleg run` still there"):
        listener.call("enable", within=0.25, data=True)


class FailingMiddleware(SimulatedMiddleware):
    """Fails where `failures` says so, and counts how often it is asked."""

    def __init__(self, failures: Callable[[int], bool]) -> None:
        super().__init__(SimulatedBus(SimulatedTime()))
        self.spun = 0
        self._failures = failures

    def spin_once(self, timeout: float) -> None:
        self.spun += 1
        if self._failures(self.spun):
            raise RuntimeError(f"spin {self.spun}")
        threading.Event().wait(0.001)


@pytest.fixture
def start() -> Iterator[Callable[[Middleware], GuardedListener]]:
    started: list[GuardedListener] = []

    def starter(middleware: Middleware) -> GuardedListener:
        started.append(GuardedListener("", SpinningThread(middleware)))
        started[-1].start()
        return started[-1]

    yield starter
    for listener in started:
        listener.close()


def test_a_middleware_that_fails_now_and_then_is_logged_and_spun_again(
    start: Callable[[Middleware], GuardedListener],
) -> None:
    middleware = FailingMiddleware(lambda spin: spin % 3 != 0 and spin < 7)
    listener = start(middleware)
    listener.wait(lambda: middleware.spun > 10, PATIENCE, lambda: "it is not spun")
    assert [words.splitlines()[-1] for _, level, _, words in middleware.log if level == "error"] == [
        f"RuntimeError: spin {number}" for number in (1, 2, 4, 5)
    ]


def test_a_middleware_that_fails_again_and_again_ends_the_thread_and_every_call_says_so(
    start: Callable[[Middleware], GuardedListener],
) -> None:
    middleware = FailingMiddleware(lambda _: True)
    listener = start(middleware)
    for _ in range(2):
        with pytest.raises(StackNotFound, match=r"the client's listener ended with RuntimeError\('spin 3'\)"):
            listener.wait(lambda: False, PATIENCE, lambda: "nothing")
    assert middleware.spun == 3
