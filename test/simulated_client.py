"""Who is at a graph in simulated time: a script, and a node of the test's own. Time passes while one of them waits."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from geometry_msgs.msg import TwistStamped

from quadleg.client import Robot
from quadleg.client.spinner import SpinningCaller
from quadleg.middleware.interface import Publisher
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.simulated_bus import NetworkConditions, SimulatedBus
from quadleg.middleware.simulated_middleware import SimulatedMiddleware
from quadleg.middleware.simulated_time import SimulatedTime

# A network on which all that is sent comes, in that order, and all find each other at once.
SOUND = NetworkConditions(delay=(2e-4, 2e-4), late=0.0, lost=0.0, discovery=(0.01, 0.05), slow_discovery=0.0)
LOOK_PERIOD = 0.005  # s
OBEYS_WITHIN = 10.0  # s, of simulated time

Planar = tuple[float, float, float]


def wait_until(time: SimulatedTime, true: Callable[[], object], what: str, seconds: float) -> Any:
    """Let time pass until something is true; its value."""
    until = time.steady + seconds
    while not (found := true()):
        assert time.steady < until, f"not within {seconds} s: {what}"
        time.run(time.steady + LOOK_PERIOD)
    return found


@contextmanager
def client_on(bus: SimulatedBus, namespace: str = "/") -> Iterator[Robot]:
    """A script at the robot."""
    with Robot(spinner=SpinningCaller(SimulatedMiddleware(bus, "client", namespace))) as robot:
        yield robot


class SimulatedHost(SimulatedMiddleware):
    """The process of a node of the test's own; as SpunMiddleware, which needs a thread for it."""

    def start(self) -> None:
        """It runs as time passes."""

    def close_with(self, node: QuadlegNode) -> None:
        """Stops, closes the node, then itself."""
        self.stop()
        node.close()
        self.close()


class SimulatedProbe:
    """A node of the test's own: publishes what it likes and keeps what it hears."""

    def __init__(self, bus: SimulatedBus, namespace: str = "/") -> None:
        self._time = bus.time
        self._process = SimulatedMiddleware(bus, "probe", namespace)
        self.node = self._process.create_node("test_probe")

    def __enter__(self) -> SimulatedProbe:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.close()

    @property
    def now(self) -> float:
        """The steady clock (s)."""
        return self._time.steady

    def hear(self, kind: type, topic: str, qos: Any = 10) -> list:
        """All messages of a topic from now on, in a list that grows."""
        heard: list = []
        self.node.create_subscription(kind, topic, heard.append, qos)
        return heard

    def publisher(self, kind: type, topic: str) -> Publisher:
        """A publisher that has its subscriber."""
        publisher = self.node.create_publisher(kind, topic, 10)
        self.wait(publisher.get_subscription_count, f"a subscriber of {topic}")
        return publisher

    def ask(self, kind: Any, service: str, **fields: object) -> Any:
        """Calls a service; its response."""
        client = self.node.create_client(kind, service)
        self.wait(client.service_is_ready, f"a node that offers {service}")
        future = client.call_async(kind.Request(**fields))
        self.wait(future.done, f"an answer of {service}")
        return future.result()

    def run(self, seconds: float) -> None:
        """Let so much time pass."""
        self._time.run(self.now + seconds)

    def wake(self) -> None:
        """Nothing waits while something is heard."""

    def hears_more(self, messages: list, seconds: float) -> bool:
        """Whether something is added to a list within so many seconds."""
        before = len(messages)
        self._time.run(self.now + seconds, lambda: len(messages) > before)
        return len(messages) > before

    def wait(self, true: Callable[[], object], what: str, seconds: float = OBEYS_WITHIN) -> Any:
        """Lets time pass until something is true; its value."""
        return wait_until(self._time, true, what, seconds)


class VelocityPublisher:
    """Publishes a velocity (m/s, m/s, rad/s) once a `period` (s) until it is closed; none before it is told one."""

    def __init__(
        self, probe: SimulatedProbe, kind: Any = TwistStamped, topic: str = "cmd_vel", period: float = 0.05
    ) -> None:
        self._probe = probe
        self._publisher = probe.node.create_publisher(kind, topic, 1)
        self._message = kind()
        self._sent = 0
        self._closed = False
        self.vary: Callable[[int], Planar] | None = None
        self.frame = "base_footprint"
        probe.node.create_timer(period, self._publish)

    def go(self, *twist: float) -> None:
        """Publish this one from now on."""
        x, y, yaw = twist
        self.vary = lambda _: (x, y, yaw)

    def _publish(self) -> None:
        if self._closed or self.vary is None:
            return
        going = self._message
        if isinstance(going, TwistStamped):
            going.header.stamp, going.header.frame_id = self._probe.node.stamp(), self.frame
            going = going.twist
        going.linear.x, going.linear.y, going.angular.z = map(float, self.vary(self._sent))
        self._publisher.publish(self._message)
        self._sent += 1

    def __enter__(self) -> VelocityPublisher:
        return self

    def __exit__(self, *_: object) -> None:
        self._closed = True
        self._probe.node.destroy_publisher(self._publisher)


@contextmanager
def repeated(probe: SimulatedProbe, publisher: Publisher, message: Any, rate: float) -> Iterator[None]:
    """The message again and again (Hz), as a sensor says it: what is asked here is what happens while it lasts."""
    goes = True

    def say() -> None:
        if goes:
            publisher.publish(message)

    probe.node.create_timer(1 / rate, say)
    yield
    goes = False
