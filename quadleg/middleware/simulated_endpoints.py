"""What nodes of a simulated process hold: publishers, subscriptions, services, clients, timers, workers, a logger."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any, Protocol

from quadleg.middleware.interface import PolledMessage, Step, Worker
from quadleg.middleware.message_copy import KeptMessage, copy_message
from quadleg.middleware.simulated_bus import BusPublisher, BusSubscription, SentMessage, SimulatedBus
from quadleg.middleware.simulated_time import SimulatedEvent


class ThreadEnded(BaseException):
    """Unwinds a thread that waited while its process was killed or its worker closed."""


class HostProcess(Protocol):
    """The process that they live in; see `SimulatedMiddleware`."""

    bus: SimulatedBus
    log: list[tuple[float, str, str, str]]
    frozen_until: float
    killed: bool
    stepping: SimulatedWorker | None

    def run_soon(self, callback: Callable[[], None]) -> None:
        """Have a callback run when the process comes to it."""


class SimulatedPublisher:
    """A publisher of one topic on a bus."""

    def __init__(self, bus: SimulatedBus, publisher: BusPublisher) -> None:
        self._bus = bus
        self.publisher = publisher

    def publish(self, msg: Any) -> None:
        self._bus.publish(self.publisher, copy_message(msg))

    def get_subscription_count(self) -> int:
        return len(self.publisher.heard_by)


class SimulatedSubscription:
    """A subscription whose messages wait, as many as its depth, until they are taken."""

    def __init__(self, process: HostProcess, depth: int) -> None:
        self._process = process
        self._waiting: deque[tuple[SentMessage, BusPublisher, int]] = deque(maxlen=depth)
        self.callback: Callable[[KeptMessage], None] | None = None
        self.endpoint: BusSubscription | None = None

    def hear(self, message: SentMessage, publisher: BusPublisher) -> None:
        """A message has arrived."""
        self._waiting.append((message, publisher, self._process.bus.time.system_time()))
        if self.callback:
            self._process.run_soon(self._call_back)

    def take(self) -> PolledMessage | None:
        if not self._waiting:
            return None
        message, publisher, received = self._take_first()
        return PolledMessage(KeptMessage(message.content), received, publisher.gid, message.number)

    def close(self) -> None:
        """Hear nothing any more."""
        self.callback = None
        self._waiting.clear()

    def _call_back(self) -> None:
        if self._waiting and self.callback:
            message, _, _ = self._take_first()
            self.callback(KeptMessage(message.content))

    def _take_first(self) -> tuple[SentMessage, BusPublisher, int]:
        message, publisher, received = self._waiting.popleft()
        for observer in self._process.bus.heard_observers:
            assert self.endpoint
            observer(self.endpoint, publisher, message.content)
        return message, publisher, received


class SimulatedFuture:
    """The response of a service, once it has come."""

    def __init__(self) -> None:
        self._result: Any = None
        self._done = False
        self._callbacks: list[Callable[[Any], None]] = []

    def done(self) -> bool:
        return self._done

    def result(self) -> Any:
        return self._result

    def add_done_callback(self, callback: Callable[[Any], None]) -> None:
        if self._done:
            callback(self)
        else:
            self._callbacks.append(callback)

    def set_result(self, result: Any) -> None:
        """The response has come."""
        self._result, self._done = result, True
        for callback in self._callbacks:
            callback(self)


class SimulatedService:
    """A service of a node; `answer` takes a request and gives the response."""

    def __init__(self, process: HostProcess, kind: Any, name: str, callback: Callable[[Any, Any], Any]) -> None:
        self._kind = kind
        self._callback = callback
        self.process = process
        self.name = name

    def answer(self, request: Any) -> Any:
        return self._callback(request, self._kind.Response())


class SimulatedClient:
    """A client of one service, which finds each node that offers it after a while."""

    def __init__(self, process: HostProcess, name: str, full_name: str) -> None:
        self._process = process
        self._chance = process.bus.random_for(f"client {full_name}")
        self._found: list[SimulatedService] = []
        self._pending: dict[int, SimulatedFuture] = {}
        self._number = 0
        # By service: when the last request and the last response arrive. Both are on reliable topics, which keep order.
        self._arrives: dict[SimulatedService, float] = {}
        self._answered: dict[SimulatedService, float] = {}
        self.srv_name = name
        self.full_name = full_name

    def service_is_ready(self) -> bool:
        return bool(self._found)

    def find(self, service: SimulatedService) -> None:
        """A node offers the service; that is known after a while."""
        bus = self._process.bus
        bus.time.after(bus.drawn_discovery(self._chance), lambda: self._found.append(service))

    def lose(self, service: SimulatedService) -> None:
        """It is offered no more."""
        if service in self._found:
            self._found.remove(service)

    def call_async(self, request: Any) -> SimulatedFuture:
        future = SimulatedFuture()
        self._number += 1
        number = self._number
        self._pending[number] = future
        for service in self._found:
            self._send(service, request, number)
        return future

    def _send(self, service: SimulatedService, request: Any, number: int) -> None:
        bus = self._process.bus

        def answered(response: Any) -> None:
            if waiting := self._pending.pop(number, None):
                waiting.set_result(response)

        def serve() -> None:
            response = service.answer(request)
            bus.observe_service(service.name, request, response)
            self._later(self._answered, service, lambda: self._process.run_soon(lambda: answered(response)))

        bus.observe_service(service.name, request)
        self._later(self._arrives, service, lambda: service.process.run_soon(serve))

    def _later(
        self, last: dict[SimulatedService, float], service: SimulatedService, action: Callable[[], None]
    ) -> None:
        """Have something arrive after a while, and after what was sent before it."""
        bus = self._process.bus
        last[service] = max(bus.time.steady + bus.drawn_delay(self._chance), last.get(service, 0.0))
        bus.time.at(last[service], action)

    def remove_pending_request(self, future: SimulatedFuture) -> None:
        for number, pending in list(self._pending.items()):
            if pending is future:
                del self._pending[number]


class SimulatedTimer:
    """Calls back once a period of the steady clock; periods that a busy process missed are passed over."""

    def __init__(self, process: HostProcess, period: float, callback: Callable[[], None]) -> None:
        self._process = process
        self._period = period
        self._callback = callback
        self._due = process.bus.time.steady + period
        self._event = self._wait()
        self._closed = False

    def _wait(self) -> SimulatedEvent:
        return self._process.bus.time.at(self._due, lambda: self._process.run_soon(self._call_back))

    def _call_back(self) -> None:
        if self._closed:
            return
        missed = (self._process.bus.time.steady - self._due) // self._period
        self._due += (1 + missed) * self._period
        self._event = self._wait()
        self._callback()

    def close(self) -> None:
        """Call no more."""
        self._closed = True
        self._event.cancel()


class SimulatedWorker(Worker):
    """Takes its steps as events, where a thread would."""

    def __init__(self, process: HostProcess, step: Step, delay: float) -> None:
        self._process = process
        self._take_step = step
        self._woken = False
        self._stepping = False
        self.closed = False
        self._event = self._wait(delay)

    def _wait(self, seconds: float) -> SimulatedEvent:
        return self._process.bus.time.after(seconds, self._step)

    def wake(self) -> None:
        if self.closed or self._woken:
            return
        self._woken = True
        if not self._stepping:
            self._event.cancel()
            self._event = self._wait(0.0)

    def close(self) -> None:
        self.closed = True
        self._event.cancel()

    def _step(self) -> None:
        process = self._process
        if self.closed or process.killed:
            return
        if (awake := process.frozen_until) > process.bus.time.steady:
            self._event = process.bus.time.at(awake, self._step)
            return
        woken, self._woken = self._woken, False
        process.stepping, self._stepping = self, True
        wait: float | None = None
        try:
            wait = self._take_step(woken)
        except ThreadEnded:
            pass
        finally:
            process.stepping, self._stepping = None, False
        if wait is None:
            self.close()
        elif not self.closed:
            self._event = self._wait(0.0 if self._woken else wait)


class SimulatedLogger:
    """Keeps what nodes say in the process's `log`."""

    def __init__(self, process: HostProcess, node: str) -> None:
        self._process = process
        self._node = node
        self._said: dict[str, float] = {}

    def info(self, message: str, **options: Any) -> None:
        self._say("info", message, **options)

    def warning(self, message: str, **options: Any) -> None:
        self._say("warning", message, **options)

    def error(self, message: str, **options: Any) -> None:
        self._say("error", message, **options)

    def _say(self, level: str, message: str, throttle_duration_sec: float = 0.0) -> None:
        now = self._process.bus.time.steady
        if now - self._said.get(level, -throttle_duration_sec) >= throttle_duration_sec:
            self._said[level] = now
            self._process.log.append((now, level, self._node, message))
