"""The interface of interface.py in one thread, on simulated time: every process of a graph, and nothing sleeps.

A `SimulatedMiddleware` is one process: it runs one callback after the other, each of which takes a time that is drawn,
and can be frozen, slowed and killed. Clocks stand still within a callback, and worker threads take their steps between
callbacks, but where a thread waits for something outside (`SimulatedMiddleware.wait`): meanwhile the others go on. What
two threads do in between is not interleaved (test/interleaving.py does that).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

from builtin_interfaces.msg import Time
from rcl_interfaces.msg import Parameter, SetParametersResult
from rcl_interfaces.srv import GetParameters, SetParameters
from rclpy.parameter import Parameter as RclpyParameter
from rclpy.parameter import parameter_value_to_python
from rclpy.qos import DurabilityPolicy, QoSProfile

from quadleg.middleware.interface import (
    Client,
    Endpoint,
    Logger,
    Middleware,
    NodeHandle,
    Polled,
    Publisher,
    Step,
    Worker,
)
from quadleg.middleware.simulated_bus import BusPublisher, BusSubscription, SimulatedBus
from quadleg.middleware.simulated_endpoints import (
    SimulatedClient,
    SimulatedLogger,
    SimulatedPublisher,
    SimulatedService,
    SimulatedSubscription,
    SimulatedTimer,
    SimulatedWorker,
    ThreadEnded,
)
from quadleg.middleware.simulated_time import SimulatedEvent

CALLBACK_TIME = (2e-5, 3e-4)  # s that a callback keeps its process busy


class SimulatedNode(NodeHandle):
    """One node of a simulated process."""

    def __init__(self, process: SimulatedMiddleware, name: str, parameters: dict[str, Any]) -> None:
        self._process = process
        self._bus = process.bus
        self._name = name
        self._overrides = parameters
        self._parameters: dict[str, Any] = {}
        self._bounds: dict[str, tuple[type, Any, Any]] = {}
        self._fixed: set[str] = set()
        self._checks: list[Callable[[str, Any], str]] = []
        self._publishers: list[BusPublisher] = []
        self._subscriptions: list[SimulatedSubscription] = []
        self._timers: list[SimulatedTimer] = []
        self._services: list[SimulatedService] = []
        self._logger = SimulatedLogger(process, name)
        self.create_service(SetParameters, f"{name}/set_parameters", self._set_parameters)
        self.create_service(GetParameters, f"{name}/get_parameters", self._get_parameters)

    # Parameters

    def declare_parameter(
        self, name: str, default: Any, description: str, low: Any = None, high: Any = None, fixed: bool = True
    ) -> Any:
        self._bounds[name] = (type(default), low, high)
        value = self._overrides.get(name, default)
        if fault := self._fault(name, value):
            raise ValueError(fault)
        self._parameters[name] = value
        if fixed:
            self._fixed.add(name)
        return value

    def _fault(self, name: str, value: Any) -> str:
        kind, low, high = self._bounds[name]
        if type(value) is not kind:
            return f"parameter {name} is {value!r}; it must be of type {kind.__name__}"
        if low is not None and not low <= value <= high:
            return f"parameter {name} is {value}; it must be from {low} to {high}"
        return ""

    def get_parameter(self, name: str) -> Any:
        return self._parameters[name]

    def check_changes(self, check: Callable[[str, Any], str]) -> None:
        self._checks.append(check)

    def _set_parameters(self, request: Any, response: Any) -> Any:
        response.results = [self._change(parameter) for parameter in request.parameters]
        return response

    def _change(self, parameter: Parameter) -> SetParametersResult:
        name, value = parameter.name, parameter_value_to_python(parameter.value)
        if name not in self._parameters:
            fault = f"parameter {name} is not declared"
        elif name in self._fixed:
            fault = f"parameter {name} is read-only"
        else:
            fault = self._fault(name, value) or next(
                (refused for check in self._checks if (refused := check(name, value))), ""
            )
        if not fault:
            self._parameters[name] = value
        return SetParametersResult(successful=not fault, reason=fault)

    def _get_parameters(self, request: Any, response: Any) -> Any:
        values = [self._parameters.get(name) for name in request.names]
        response.values = [RclpyParameter("", value=value).get_parameter_value() for value in values]
        return response

    # Topics

    def create_publisher(self, kind: type, topic: str, qos: QoSProfile | int) -> Publisher:
        quality = _quality(qos)
        gid = f"{self._process.name} {self._process.new_number()}".encode()
        made = BusPublisher(self._name, self._full(topic), _type_name(kind), quality, gid)
        made.frozen_until = self._frozen_until
        if quality.durability == DurabilityPolicy.TRANSIENT_LOCAL:
            made.history = deque(maxlen=quality.depth or 1)
        self._publishers.append(made)
        self._bus.add_publisher(made)
        return SimulatedPublisher(self._bus, made)

    def destroy_publisher(self, publisher: Any) -> Any:
        self._publishers.remove(publisher.publisher)
        self._bus.remove_publisher(publisher.publisher, orderly=True)

    def create_subscription(
        self, kind: type, topic: str, callback: Callable[[Any], None], qos: QoSProfile | int, raw: bool = False
    ) -> Any:
        subscription = self._subscribe(kind, topic, qos)
        subscription.callback = callback if raw else lambda message: callback(message.read())
        return subscription

    def _subscribe(self, kind: type, topic: str, qos: QoSProfile | int) -> SimulatedSubscription:
        quality = _quality(qos)
        made = SimulatedSubscription(self._process, quality.depth or 1)
        made.endpoint = BusSubscription(self._name, self._full(topic), _type_name(kind), quality, made.hear)
        made.endpoint.frozen_until = self._frozen_until
        self._subscriptions.append(made)
        self._bus.add_subscription(made.endpoint)
        return made

    def destroy_subscription(self, subscription: Any) -> Any:
        subscription.close()
        self._bus.remove_subscription(subscription.endpoint)
        self._subscriptions.remove(subscription)

    def create_polled(self, kind: type, topic: str, qos: QoSProfile | int) -> Polled:
        return self._subscribe(kind, topic, qos)

    def wait_for_all_acked(self, publisher: Publisher, seconds: float) -> None:
        self._process.wait(min(seconds, self._bus.conditions.delay[1]))

    # Services and timers

    def create_service(self, kind: type, name: str, callback: Callable[[Any, Any], Any]) -> Any:
        made = SimulatedService(self._process, kind, self._full(name), callback)
        self._services.append(made)
        self._bus.add_service(made)
        return made

    def create_client(self, kind: type, name: str) -> Client:
        made = SimulatedClient(self._process, name, self._full(name))
        self._bus.add_client(made)
        return made

    def create_timer(self, period: float, callback: Callable[[], None]) -> Any:
        self._timers.append(SimulatedTimer(self._process, period, callback))

    # The graph

    def count_publishers(self, topic: str) -> int:
        return len(self._bus.found(self._full(topic)))

    def get_publishers_info_by_topic(self, topic: str) -> Sequence[Endpoint]:
        return self._bus.found(self._full(topic))

    def get_subscriptions_info_by_topic(self, topic: str) -> Sequence[Endpoint]:
        return self._bus.subscriptions_to(self._full(topic))

    def get_topic_names_and_types(self) -> Sequence[tuple[str, Sequence[str]]]:
        found: dict[str, list[str]] = {}
        endpoints: list[BusPublisher | BusSubscription] = [*self._bus.publishers, *self._bus.subscriptions]
        for endpoint in endpoints:
            kinds = found.setdefault(endpoint.topic, [])
            if endpoint.topic_type not in kinds:
                kinds.append(endpoint.topic_type)
        return list(found.items())

    def get_name(self) -> str:
        return self._name

    def get_namespace(self) -> str:
        return self._process.namespace

    def get_logger(self) -> Logger:
        return self._logger

    def ros_time(self) -> int:
        return self._bus.time.system_time()

    def stamp(self) -> Time:
        sec, nanosec = divmod(self._bus.time.system_time(), 1_000_000_000)
        return Time(sec=sec, nanosec=nanosec)

    def destroy(self, orderly: bool = True) -> None:
        """Leave the graph, or with `orderly` False vanish without notice."""
        for timer in self._timers:
            timer.close()
        for subscription in list(self._subscriptions):
            self.destroy_subscription(subscription)
        for publisher in self._publishers:
            self._bus.remove_publisher(publisher, orderly)
        for service in self._services:
            self._bus.remove_service(service)

    def _frozen_until(self) -> float:
        return self._process.frozen_until

    def _full(self, name: str) -> str:
        if name.startswith("/"):
            return name
        namespace = self._process.namespace.rstrip("/")
        if name.startswith("~/"):
            return f"{namespace}/{self._name}/{name[2:]}"
        return f"{namespace}/{name}"


class SimulatedMiddleware(Middleware):
    """One process on a bus, with a name of its own.

    `slowness` multiplies the time that its callbacks take, `log` has what its nodes said: time (s), level, node, words.
    """

    domain: int | None = None

    def __init__(self, bus: SimulatedBus, name: str = "process", namespace: str = "/") -> None:
        self.bus = bus
        self.name = name
        self.namespace = namespace if namespace.startswith("/") else f"/{namespace}"
        self.log: list[tuple[float, str, str, str]] = []
        self.slowness = 1.0
        self.frozen_until = bus.time.steady
        self.killed = False
        self.after_callback: Callable[[], None] = lambda: None
        self.stepping: SimulatedWorker | None = None  # the worker whose step is under way
        self._chance = bus.random_for(f"process {name}")
        self._nodes: list[SimulatedNode] = []
        self._workers: list[SimulatedWorker] = []
        self._ready: deque[Callable[[], None]] = deque()
        self.busy_until = bus.time.steady
        self._pending: SimulatedEvent | None = None
        self._calls = 0
        self._calling = False  # whether the thread that runs the callbacks is in one, or waits
        self._stopped = False
        self._made = 0

    def steady_time(self) -> float:
        return self.bus.time.steady

    def new_number(self) -> int:
        """Return a number that nothing else of this process has."""
        self._made += 1
        return self._made

    def create_node(self, name: str, parameters: dict[str, Any] | None = None) -> NodeHandle:
        self._nodes.append(SimulatedNode(self, name, parameters or {}))
        return self._nodes[-1]

    def start_worker(self, name: str, step: Step, delay: float = 0.0) -> Worker:
        self._workers.append(SimulatedWorker(self, step, delay))
        return self._workers[-1]

    def step_back(self) -> None:
        """Nothing: what its callbacks take is drawn."""

    def run_soon(self, callback: Callable[[], None]) -> None:
        """Have a callback run when the process comes to it."""
        if not (self.killed or self._stopped):
            self._ready.append(callback)
            self._go_on()

    def wait(self, seconds: float) -> None:
        """Keep the thread that runs now waiting for something outside of it, while all else goes on."""
        time, worker = self.bus.time, self.stepping
        was_calling = self._calling
        self.stepping, self._calling = None, was_calling or worker is None
        time.run(time.steady + seconds)
        while self.frozen_until > time.steady and not self.killed:
            time.run(self.frozen_until)
        self.stepping = worker
        if worker is None:
            self._calling = was_calling
            self._go_on()
        if self.killed or (worker and worker.closed):
            raise ThreadEnded

    def freeze(self, seconds: float) -> None:
        """Let the process stand still, as by SIGSTOP; what comes meanwhile waits."""
        self.frozen_until = max(self.frozen_until, self.bus.time.steady + seconds)

    def kill(self) -> None:
        """End without a word, as by SIGKILL."""
        self.killed = True
        self._ready.clear()
        for worker in self._workers:
            worker.close()
        for node in self._nodes:
            node.destroy(orderly=False)

    def _go_on(self) -> None:
        if self._ready and self._pending is None and not self._calling:
            self._pending = self.bus.time.at(max(self.busy_until, self.frozen_until), self._run_one)

    def _run_one(self) -> None:
        self._pending = None
        if self.killed or self._stopped or self._calling or not self._ready:
            return
        now = self.bus.time.steady
        if max(self.busy_until, self.frozen_until) <= now:
            callback = self._ready.popleft()
            self.busy_until = now + self.slowness * self._chance.uniform(*CALLBACK_TIME)
            self._calls += 1
            self._calling = True
            try:
                callback()
                self.after_callback()
            except ThreadEnded:
                pass
            finally:
                self._calling = False
        self._go_on()

    def spin_once(self, timeout: float) -> None:
        calls = self._calls
        self.bus.time.run(self.bus.time.steady + timeout, lambda: self._calls > calls)

    def stop(self) -> None:
        self._stopped = True
        self._ready.clear()
        for worker in self._workers:
            worker.close()

    def close(self) -> None:
        self.stop()
        for node in self._nodes:
            node.destroy()


def _quality(qos: QoSProfile | int) -> QoSProfile:
    return QoSProfile(depth=qos) if isinstance(qos, int) else qos


def _type_name(kind: type) -> str:
    """The name of a message's type: its class is in package.msg._name."""
    return f"{kind.__module__.partition('.')[0]}/msg/{kind.__name__}"
