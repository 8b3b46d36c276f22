"""What a node or a script needs of ROS, and nothing else: one interface, with rclpy as one implementation behind it.

A `Middleware` is one process's connection: it makes nodes, runs their callbacks one at a time in `spin_once`, has the
steady clock and starts worker threads. A `NodeHandle` is what one node publishes, subscribes and serves with. Names and
messages are those of rclpy; a quality of service is an rclpy `QoSProfile`, of which topics.py has those in use.

An implementation without a network or with a simulated clock runs the same nodes: they read no clock, start no thread
and draw no random number but by what is here and by their parameter `seed`. test/test_middleware.py holds the contract.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

if TYPE_CHECKING:
    from builtin_interfaces.msg import Time
    from rclpy.qos import QoSProfile

# One step of a worker: whether it was woken, to the seconds until its next step; None ends it.
Step = Callable[[bool], "float | None"]


class RawMessage(Protocol):
    """A message as it came. Reading it takes longer than most callbacks, so it is read only where it is needed."""

    @property
    def data(self) -> bytes:
        """The message in CDR, as a recording keeps it."""

    def read(self) -> Any:
        """Return the message."""


class PolledMessage(NamedTuple):
    """A message that was fetched: when it came (ns, system clock), who published it, and its number among theirs.

    `publisher` is None where the middleware does not tell (rclpy before Kilted).
    """

    message: RawMessage
    received: int
    publisher: bytes | None
    number: int


class Polled(Protocol):
    """A subscription without a callback: its messages wait until they are fetched."""

    def take(self) -> PolledMessage | None:
        """Return the next message, None where none waits."""


class Publisher(Protocol):
    """A publisher of one topic."""

    def publish(self, msg: Any) -> None:
        """Publish a message; it may be changed and published again afterwards."""

    def get_subscription_count(self) -> int:
        """Return how many subscriptions hear it."""


class Client(Protocol):
    """A client of one service; its futures have `done`, `result` and `add_done_callback`.

    `srv_name` is the service's name as the node gave it.
    """

    srv_name: str

    def service_is_ready(self) -> bool:
        """Return whether a node offers the service."""

    def call_async(self, request: Any) -> Any:
        """Send a request, from any thread; return the future of its response."""

    def remove_pending_request(self, future: Any) -> None:
        """Forget a request that was not answered."""


class Endpoint(Protocol):
    """A publisher or subscription of some node, as the graph knows it."""

    node_name: str
    topic_type: str
    qos_profile: QoSProfile


class Logger(Protocol):
    """Where a node's words to people go."""

    def info(self, message: str, **options: Any) -> Any:
        """Log what is as it should be. `throttle_duration_sec` keeps repetitions apart."""

    def warning(self, message: str, **options: Any) -> Any:
        """Log what a person may have to look after."""

    def error(self, message: str, **options: Any) -> Any:
        """Log what does not work."""


class Worker(ABC):
    """A thread that takes one step after another."""

    @abstractmethod
    def wake(self) -> None:
        """Have the next step taken now, from any thread."""

    @abstractmethod
    def close(self) -> None:
        """Take no further step, and wait for the end of the one under way."""


class NodeHandle(ABC):
    """One node of the graph. Callbacks run in `Middleware.spin_once`, one at a time; they must not raise."""

    # Parameters

    @abstractmethod
    def declare_parameter(
        self, name: str, default: Any, description: str, low: Any = None, high: Any = None, fixed: bool = True
    ) -> Any:
        """Declare a parameter and return its value. Raises ValueError for one out of range or of another type."""

    @abstractmethod
    def get_parameter(self, name: str) -> Any:
        """Return the value that a parameter has now."""

    @abstractmethod
    def check_changes(self, check: Callable[[str, Any], str]) -> None:
        """Ask `check` about each change of a parameter: why it is refused, or an empty text."""

    # Topics

    @abstractmethod
    def create_publisher(self, kind: type, topic: str, qos: QoSProfile | int) -> Publisher:
        """Return a publisher of a topic."""

    @abstractmethod
    def destroy_publisher(self, publisher: Publisher) -> Any:
        """End a publisher; what it sent may still arrive."""

    @abstractmethod
    def create_subscription(
        self, kind: type, topic: str, callback: Callable[[Any], None], qos: QoSProfile | int, raw: bool = False
    ) -> Any:
        """Call back with each message, with `raw` as a `RawMessage`; return what `destroy_subscription` takes."""

    @abstractmethod
    def destroy_subscription(self, subscription: Any) -> Any:
        """End a subscription, a polled one too."""

    @abstractmethod
    def create_polled(self, kind: type, topic: str, qos: QoSProfile | int) -> Polled:
        """Return a subscription without a callback."""

    @abstractmethod
    def wait_for_all_acked(self, publisher: Publisher, seconds: float) -> None:
        """Return when all reliable subscriptions have what was published, or after this time."""

    # Services and timers

    @abstractmethod
    def create_service(self, kind: type, name: str, callback: Callable[[Any, Any], Any]) -> Any:
        """Answer requests: the callback takes a request and a response, which it fills and returns."""

    @abstractmethod
    def create_client(self, kind: type, name: str) -> Client:
        """Return a client of a service."""

    @abstractmethod
    def create_timer(self, period: float, callback: Callable[[], None]) -> Any:
        """Call back once a period (s) of the steady clock."""

    # The graph

    @abstractmethod
    def count_publishers(self, topic: str) -> int:
        """Return how many publishers a topic has."""

    @abstractmethod
    def get_publishers_info_by_topic(self, topic: str) -> Sequence[Endpoint]:
        """Return the publishers of a topic."""

    @abstractmethod
    def get_subscriptions_info_by_topic(self, topic: str) -> Sequence[Endpoint]:
        """Return the subscriptions to a topic."""

    @abstractmethod
    def get_topic_names_and_types(self) -> Sequence[tuple[str, Sequence[str]]]:
        """Return all topics by their full names, each with its types."""

    @abstractmethod
    def get_name(self) -> str:
        """Return the node's name."""

    @abstractmethod
    def get_namespace(self) -> str:
        """Return the node's namespace, which begins with a slash."""

    @abstractmethod
    def get_logger(self) -> Logger:
        """Return the node's logger."""

    # The ROS clock, for stamps alone

    @abstractmethod
    def ros_time(self) -> int:
        """Return what the ROS clock shows in ns."""

    @abstractmethod
    def stamp(self) -> Time:
        """Return the same as a message's stamp."""

    @abstractmethod
    def destroy(self) -> None:
        """Leave the graph."""


class Middleware(ABC):
    """A process's connection to the graph. `domain` names the graph, None where no other process can hear it."""

    domain: int | None

    @abstractmethod
    def create_node(self, name: str, parameters: dict[str, Any] | None = None) -> NodeHandle:
        """Return a node; `parameters` override the defaults of those that it declares."""

    @abstractmethod
    def steady_time(self) -> float:
        """Return the seconds of the clock that never jumps, for ages, periods and time-outs."""

    @abstractmethod
    def start_worker(self, name: str, step: Step, delay: float = 0.0) -> Worker:
        """Take steps in a thread of its own, the first after `delay` s, each next one when the last one said or when
        woken. A step must not raise."""

    @abstractmethod
    def step_back(self) -> None:
        """Leave the processor to the robot's own processes where it is short: for what only looks on. To be called
        before any worker is started."""

    @abstractmethod
    def spin_once(self, timeout: float) -> None:
        """Run the callbacks that are due, or wait up to `timeout` s for one."""

    @abstractmethod
    def stop(self) -> None:
        """Run no callback any more. To be called before nodes are destroyed."""

    @abstractmethod
    def close(self) -> None:
        """Free the connection, with the nodes that are left."""
