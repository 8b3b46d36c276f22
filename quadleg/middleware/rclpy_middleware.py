"""The interface of interface.py on rclpy: a network, threads and the computer's clocks."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, cast

import rclpy
from builtin_interfaces.msg import Time
from rcl_interfaces.msg import FloatingPointRange, IntegerRange, ParameterDescriptor, SetParametersResult
from rclpy.clock import Clock, ClockType
from rclpy.duration import Duration
from rclpy.exceptions import ParameterException
from rclpy.experimental import EventsExecutor
from rclpy.node import Node
from rclpy.parameter import Parameter
from rclpy.qos import QoSProfile
from rclpy.signals import SignalHandlerOptions

from quadleg.middleware.interface import (
    Client,
    Endpoint,
    Logger,
    Middleware,
    NodeHandle,
    Polled,
    PolledMessage,
    Publisher,
    Step,
    Worker,
)
from quadleg.middleware.message_copy import SerializedMessage
from quadleg.middleware.worker_thread import WorkerThread

NICER = 10  # of processes beside the robot


class PolledSubscription:
    """A subscription whose messages are fetched by hand: no thread is woken for a message."""

    def __init__(self, subscription: Any) -> None:
        self.subscription = subscription

    def take(self) -> PolledMessage | None:
        handle, kind = self.subscription.handle, self.subscription.msg_type
        with handle:
            taken = handle.take_message(kind, True)
        if not taken:
            return None
        data, info = taken
        publisher = info.get("publisher_gid")
        return PolledMessage(
            SerializedMessage(data, kind),
            info["received_timestamp"],
            publisher["data"] if publisher else None,
            info.get("publication_sequence_number", 0),
        )


class RclpyNode(NodeHandle):
    """One rclpy node; polled subscriptions are on a node beside it that no executor watches."""

    def __init__(self, node: Node) -> None:
        self.node = node
        self._polled_node: Node | None = None
        self._destroyed = False
        self._steady = Clock(clock_type=ClockType.STEADY_TIME)
        self._ros_clock = node.get_clock()

    def declare_parameter(
        self, name: str, default: Any, description: str, low: Any = None, high: Any = None, fixed: bool = True
    ) -> Any:
        descriptor = ParameterDescriptor(description=description, read_only=fixed)
        if isinstance(default, float):
            descriptor.floating_point_range = [FloatingPointRange(from_value=low, to_value=high)]
        elif isinstance(default, int) and not isinstance(default, bool):
            descriptor.integer_range = [IntegerRange(from_value=low, to_value=high, step=1)]
        try:
            return self.node.declare_parameter(name, default, descriptor).value
        except ParameterException as error:
            raise ValueError(str(error)) from error

    def get_parameter(self, name: str) -> Any:
        return self.node.get_parameter(name).value

    def check_changes(self, check: Callable[[str, Any], str]) -> None:
        def checked(parameters: list[Parameter]) -> SetParametersResult:
            for parameter in parameters:
                if reason := check(parameter.name, parameter.value):
                    return SetParametersResult(successful=False, reason=reason)
            return SetParametersResult(successful=True)

        self.node.add_on_set_parameters_callback(checked)

    def create_publisher(self, kind: type, topic: str, qos: QoSProfile | int) -> Publisher:
        publisher: Publisher = self.node.create_publisher(kind, topic, qos)
        return publisher

    def destroy_publisher(self, publisher: Any) -> Any:
        return self.node.destroy_publisher(publisher)

    def create_subscription(
        self, kind: type, topic: str, callback: Callable[[Any], None], qos: QoSProfile | int, raw: bool = False
    ) -> Any:
        def callback_raw(data: bytes) -> None:
            callback(SerializedMessage(data, kind))

        return self.node.create_subscription(kind, topic, callback_raw if raw else callback, qos, raw=raw)

    def destroy_subscription(self, subscription: Any) -> Any:
        if isinstance(subscription, PolledSubscription):
            assert self._polled_node
            return self._polled_node.destroy_subscription(subscription.subscription)
        return self.node.destroy_subscription(subscription)

    def create_polled(self, kind: type, topic: str, qos: QoSProfile | int) -> Polled:
        node = self._polled_node
        if node is None:
            node = self._polled_node = rclpy.create_node(
                f"{self.get_name()}_polled",
                context=self.node.context,
                namespace=self.get_namespace(),
                use_global_arguments=False,
                enable_rosout=False,
                start_parameter_services=False,
            )
        full_name = self.node.resolve_topic_name(topic)
        return PolledSubscription(node.create_subscription(kind, full_name, _uncalled, qos, raw=True))

    def wait_for_all_acked(self, publisher: Any, seconds: float) -> None:
        publisher.wait_for_all_acked(Duration(seconds=seconds))

    def create_service(self, kind: type, name: str, callback: Callable[[Any, Any], Any]) -> Any:
        return self.node.create_service(kind, name, callback)

    def create_client(self, kind: type, name: str) -> Client:
        client: Client = self.node.create_client(kind, name)
        return client

    def create_timer(self, period: float, callback: Callable[[], None]) -> Any:
        return self.node.create_timer(period, callback, clock=self._steady)

    def count_publishers(self, topic: str) -> int:
        return int(self.node.count_publishers(topic))

    def get_publishers_info_by_topic(self, topic: str) -> Sequence[Endpoint]:
        found: Sequence[Endpoint] = self.node.get_publishers_info_by_topic(topic)
        return found

    def get_subscriptions_info_by_topic(self, topic: str) -> Sequence[Endpoint]:
        found: Sequence[Endpoint] = self.node.get_subscriptions_info_by_topic(topic)
        return found

    def get_topic_names_and_types(self) -> Sequence[tuple[str, Sequence[str]]]:
        found: Sequence[tuple[str, Sequence[str]]] = self.node.get_topic_names_and_types()
        return found

    def get_name(self) -> str:
        return str(self.node.get_name())

    def get_namespace(self) -> str:
        return str(self.node.get_namespace())

    def get_logger(self) -> Logger:
        return cast(Logger, self.node.get_logger())

    def ros_time(self) -> int:
        return int(self._ros_clock.now().nanoseconds)

    def stamp(self) -> Time:
        return self._ros_clock.now().to_msg()

    def destroy(self) -> None:
        if self._destroyed:
            return
        self._destroyed = True
        if self._polled_node:
            self._polled_node.destroy_node()
        self.node.destroy_node()


class RclpyMiddleware(Middleware):
    """A context of rclpy with an events executor.

    `args` are a command line's, with `--ros-args`. `namespace` is that of the nodes where the arguments say none.
    """

    # The clock itself, so that a call costs no more than one of it.
    steady_time = staticmethod(time.monotonic)

    def __init__(self, args: list[str] | None = None, namespace: str | None = None) -> None:
        self._context = rclpy.Context()
        rclpy.init(args=args, context=self._context, signal_handler_options=SignalHandlerOptions.NO)
        self.domain: int | None = self._context.get_domain_id()
        self._namespace = namespace
        self._executor = EventsExecutor(context=self._context)
        self._nodes: list[RclpyNode] = []

    def create_node(self, name: str, parameters: dict[str, Any] | None = None) -> NodeHandle:
        overrides = [Parameter(key, value=value) for key, value in (parameters or {}).items()]
        node = Node(name, context=self._context, namespace=self._namespace, parameter_overrides=overrides)
        self._nodes.append(RclpyNode(node))
        self._executor.add_node(node)
        return self._nodes[-1]

    def start_worker(self, name: str, step: Step, delay: float = 0.0) -> Worker:
        return WorkerThread(name, step, delay)

    def step_back(self) -> None:
        # Linux shares it between the autogroups of sessions first, and only within one by niceness: sched(7).
        os.nice(NICER)
        with suppress(OSError):  # a system without autogroups
            Path("/proc/self/autogroup").write_text(f"{NICER}", encoding="ascii")

    def spin_once(self, timeout: float) -> None:
        self._executor.spin_once(timeout_sec=timeout)

    def stop(self) -> None:
        # Before any node is destroyed: one that the executor still watches can spin for ever in that (seen on Jazzy).
        self._executor.shutdown()

    def close(self) -> None:
        self.stop()
        for node in self._nodes:
            node.destroy()
        self._context.try_shutdown()


def _uncalled(_: bytes) -> None:
    """The callback of a subscription that no executor watches."""
