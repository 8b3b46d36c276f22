"""A node on whatever middleware there is, whose callbacks may raise without harm."""

from __future__ import annotations

import functools
from collections.abc import Callable
from inspect import signature
from typing import Any

from quadleg.middleware.interface import Client, Middleware, Polled, Publisher, Step, Worker
from quadleg.middleware.topics import heard, published, service

DEFECT_PAUSE = 0.1  # s from a first step that raises to the second


class GuardedNode:
    """Reads like an rclpy node, and does all that it does with ROS through `middleware`."""

    def __init__(self, middleware: Middleware, name: str, parameters: dict[str, Any] | None = None) -> None:
        self.middleware = middleware
        self.steady_time = middleware.steady_time
        handle = self.handle = middleware.create_node(name, parameters)
        # The handle's own methods, without a call between them and the hot path.
        self.declare = handle.declare_parameter
        self.get_parameter = handle.get_parameter
        self.create_publisher = handle.create_publisher
        self.create_polled = handle.create_polled
        self.destroy_subscription = handle.destroy_subscription
        self.count_publishers = handle.count_publishers
        self.get_publishers_info_by_topic = handle.get_publishers_info_by_topic
        self.get_name, self.get_namespace = handle.get_name, handle.get_namespace
        self.get_logger = handle.get_logger
        self.ros_time, self.stamp = handle.ros_time, handle.stamp

    def advertise(self, topic: str) -> Publisher:
        """A publisher of a topic of topic_table.py."""
        return self.handle.create_publisher(*published(topic))

    def listen(self, topic: str, callback: Callable[[Any], None], raw: bool = False, depth: int | None = None) -> Any:
        """The subscription to a topic of topic_table.py, as `subscribe` makes it; `depth` where that is another."""
        kind, name, quality = heard(topic, depth)
        return self.subscribe(kind, name, callback, quality, raw)

    def poll(self, topic: str) -> Polled:
        """A subscription without a callback, to a topic of topic_table.py."""
        return self.handle.create_polled(*heard(topic))

    def subscribe(self, kind: type, topic: str, callback: Callable[[Any], None], qos: Any, raw: bool = False) -> Any:
        """The subscription, whose callback may raise without harm; with `raw` it gets a `RawMessage`."""
        return self.handle.create_subscription(kind, topic, self.guarded(callback), qos, raw)

    def every(self, period: float, callback: Callable[[], None]) -> None:
        """Calls back once a period (s) of the steady clock."""
        guarded: Any = self.guarded(callback)
        # rclpy's executor asks for it at every call, and working it out takes longer than most callbacks.
        guarded.__signature__ = signature(callback)
        self.handle.create_timer(period, guarded)

    def start_worker(self, name: str, step: Step, delay: float = 0.0) -> Worker:
        """Takes steps in a thread of its own, as `Middleware` has it; one that raises waits as the last good one."""
        wait: float | None = DEFECT_PAUSE

        def guarded(woken: bool) -> float | None:
            nonlocal wait
            try:
                wait = step(woken)
            except Exception as error:
                self.say_defect(error)
            return wait

        return self.middleware.start_worker(name, guarded, delay)

    def client(self, name: str) -> Client:
        """A client of a service of topic_table.py."""
        return self.handle.create_client(*service(name))

    def serve(self, name: str, answer: Callable[[Any], tuple[bool, str]]) -> None:
        """Offer a service of topic_table.py whose response has `success` and `message`."""

        def callback(request: Any, response: Any) -> Any:
            try:
                response.success, response.message = answer(request)
            except Exception as error:
                self.say_defect(error)
                response.success, response.message = False, f"defect in {self.get_name()}: {error!r}"
            return response

        self.handle.create_service(*service(name), callback)

    def guarded(self, callback: Callable[..., None]) -> Callable[..., None]:
        """The callback, which raises nothing any more but says its defects."""

        # An exception that leaves a callback ends the executor and with it every node of the process.
        @functools.wraps(callback)
        def guarded(*args: Any) -> None:
            try:
                callback(*args)
            except Exception as error:
                self.say_defect(error)

        return guarded

    def say_defect(self, error: Exception) -> None:
        """Logs an error that no code foresaw."""
        import traceback

        trace = "".join(traceback.format_exception(error))
        self.get_logger().error(f"defect, please report: {trace}", throttle_duration_sec=5.0)

    def close(self) -> None:
        """Frees what the node holds, after the middleware has stopped."""
        self.handle.destroy()
