"""What every node of quadleg is: robot file, checked parameters, guarded callbacks, diagnostics, an orderly end."""

from __future__ import annotations

import functools
import time
from collections.abc import Callable
from inspect import signature
from typing import Any

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue
from rcl_interfaces.msg import FloatingPointRange, IntegerRange, ParameterDescriptor
from rclpy.clock import Clock, ClockType
from rclpy.node import Node
from rclpy.parameter import Parameter

from quadleg.health import ERROR, Health
from quadleg.middleware.topics import LATEST
from quadleg.robot.model import RobotModel
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot

DIAGNOSTICS_PERIOD = 1.0
CHANGES_PERIOD = 0.1  # s at least between diagnostics for changes: where targets stream, much changes

# The nodes of one process have one robot: its file is read and judged once.
_robot_at = functools.cache(load_robot)


class QuadlegNode(Node):
    """A node with its robot loaded. Subclasses say how they are in `health` and how they end in `end`."""

    sole_topics: tuple[str, ...] = ()  # what no other node may publish

    def __init__(self, name: str, parameters: dict[str, Any] | None = None) -> None:
        overrides = [Parameter(key, value=value) for key, value in (parameters or {}).items()]
        super().__init__(name, parameter_overrides=overrides)
        path = self.declare("robot", DEFAULT_ROBOT, "Robot file: a path, or the name of one in config/")
        self.robot: RobotModel = _robot_at(find_robot(path))
        self.prefix: str = self.declare("frame_prefix", "", "Prefix of all frame names, for several robots")
        self._steady = Clock(clock_type=ClockType.STEADY_TIME)
        self._diagnostics = self.create_publisher(DiagnosticArray, "diagnostics", LATEST)
        self._reported: tuple[object, ...] = ()
        self._reported_at = 0.0
        self.finished = False
        self.every(DIAGNOSTICS_PERIOD, self.say_health)

    @property
    def ready(self) -> bool:
        """Whether the node has all it needs to do its work."""
        return True

    # Plumbing for subclasses

    def declare(
        self, name: str, default: Any, description: str, low: Any = None, high: Any = None, fixed: bool = True
    ) -> Any:
        """Declares a parameter with its description and range, and gives its value."""
        descriptor = ParameterDescriptor(description=description, read_only=fixed)
        if isinstance(default, float):
            descriptor.floating_point_range = [FloatingPointRange(from_value=low, to_value=high)]
        elif isinstance(default, int) and not isinstance(default, bool):
            descriptor.integer_range = [IntegerRange(from_value=low, to_value=high, step=1)]
        return self.declare_parameter(name, default, descriptor).value

    def declare_period(self) -> float:
        """The control period in s, from the parameter `rate_hz`; the robot file's rate by default."""
        rate = self.declare(
            "rate_hz",
            float(self.robot.control_rate),
            "Control rate in Hz, the same for all nodes",
            10.0,
            200.0,
        )
        return 1.0 / rate

    def subscribe(self, kind: type, topic: str, callback: Callable[[Any], None], qos: Any, raw: bool = False) -> Any:
        """The subscription, whose callback may raise without harm."""
        return self.create_subscription(kind, topic, self._guarded(callback), qos, raw=raw)

    def every(self, period: float, callback: Callable[[], None]) -> None:
        """Calls back once a period (s) of the steady clock."""
        guarded: Any = self._guarded(callback)
        # The executor asks for it at every call, and working it out takes longer than most callbacks.
        guarded.__signature__ = signature(callback)
        self.create_timer(period, guarded, clock=self._steady)

    def serve(self, kind: type, name: str, answer: Callable[[Any], tuple[bool, str]]) -> None:
        """A service whose response has `success` and `message`."""

        def callback(request: Any, response: Any) -> Any:
            try:
                response.success, response.message = answer(request)
            except Exception as error:
                self._say_defect(error)
                response.success, response.message = False, f"defect in {self.get_name()}: {error!r}"
            return response

        self.create_service(kind, name, callback)

    def _guarded(self, callback: Callable[..., None]) -> Callable[..., None]:
        # An exception that leaves a callback ends the executor and with it every node of the process.
        @functools.wraps(callback)
        def guarded(*args: Any) -> None:
            try:
                callback(*args)
            except Exception as error:
                self._say_defect(error)

        return guarded

    def _say_defect(self, error: Exception) -> None:
        import traceback

        trace = "".join(traceback.format_exception(error))
        self.get_logger().error(f"defect, please report: {trace}", throttle_duration_sec=5.0)

    # Diagnostics

    def health(self) -> Health:
        """How the node is; subclasses say more."""
        return Health("running")

    def say_health(self) -> None:
        """Publishes the diagnostics now; also done once a second."""
        health = self.health()
        doubled = [topic for topic in self.sole_topics if self.count_publishers(topic) > 1]
        if doubled:
            health.level = ERROR
            health.message = f"more than one publisher of {', '.join(doubled)}: two stacks under the same names? " + (
                f"End one, or give it a namespace of its own. {health.message}"
            )
        array = DiagnosticArray()
        array.header.stamp = self.get_clock().now().to_msg()
        array.status = [
            DiagnosticStatus(
                level=health.level,
                name=f"quadleg: {self.get_name()}",
                message=health.message,
                hardware_id=self.robot.name,
                values=[KeyValue(key=key, value=str(value)) for key, value in health.values.items()],
            )
        ]
        self._diagnostics.publish(array)

    def say_changes(self, *shown: object) -> None:
        """Publish the diagnostics if any of what they show has changed, at most once a CHANGES_PERIOD."""
        now = time.monotonic()
        if shown != self._reported and now - self._reported_at > CHANGES_PERIOD:
            self._reported, self._reported_at = shown, now
            self.say_health()

    # The end

    def end(self, alone: bool) -> None:
        """Begins the orderly end; `finished` when it is over. `alone`: no other node was told."""
        self.finished = True

    def off_now(self) -> None:
        """Ends at once, without power."""
        self.finished = True

    def close(self) -> None:
        """Frees what the node holds, after the executor has stopped."""
        self.destroy_node()
