"""The rest of a stack for tests of what a person drives it with."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from geometry_msgs.msg import PoseStamped, TwistStamped
from rcl_interfaces.msg import SetParametersResult
from rcl_interfaces.srv import SetParameters
from rclpy.parameter import parameter_value_to_python
from std_msgs.msg import String
from std_srvs.srv import SetBool

from quadleg.middleware.status_topic import message_of
from quadleg.middleware.topics import LATCHED
from quadleg.safety.node_status import NodeStatus

if TYPE_CHECKING:
    from conftest import RosProbe
    from simulated_client import SimulatedProbe

LIMITS = "gait: creep\ngaits: [creep, trot]\nmax_velocity: [0.07, 0.04, 0.4]\nmin_velocity: [-0.06, -0.05, -0.5]\n"


class FakeStack:
    """The rest of a stack, as teleop sees it: what it publishes and asks for, and what it hears."""

    def __init__(self, probe: RosProbe | SimulatedProbe) -> None:
        self.probe = probe
        self.velocities = probe.hear(TwistStamped, "teleop/cmd_vel", 100)
        self.targets = probe.hear(PoseStamped, "teleop/base_target", 100)
        self.kept = probe.hear(PoseStamped, "base_target", 100)
        self._diagnostics = probe.hear(DiagnosticArray, "diagnostics")
        self._gait = probe.node.create_publisher(DiagnosticStatus, "gait/status", LATCHED)
        self._limits = probe.node.create_publisher(String, "walking_limits", LATCHED)
        self._state = probe.node.create_publisher(DiagnosticStatus, "joint_watchdog/status", LATCHED)
        self.asked: list[object] = []
        node = probe.node
        node.create_service(SetBool, "enable", self.answers("enable", lambda request: request.data))
        node.create_service(SetParameters, "gait/set_parameters", self._set)
        self.state("active")

    def answers(self, name: str, value: Callable) -> Callable:
        def callback(request, response):
            self.asked.append((name, value(request)))
            response.success, response.message = True, "done"
            self.probe.wake()
            return response

        return callback

    def _set(self, request, response):
        (parameter,) = request.parameters
        value = parameter_value_to_python(parameter.value)
        self.asked.append((parameter.name, value))
        response.results = [SetParametersResult(successful=True)]
        self.limits(LIMITS.replace("gait: creep", f"gait: {value}"))
        self.probe.wake()
        return response

    def limits(self, text: str = LIMITS) -> None:
        self._limits.publish(String(data=text))

    def state(self, state: str) -> None:
        self._state.publish(message_of(NodeStatus(state), "joint_watchdog"))

    def gait_says(self, scale: float) -> None:
        """gait's own status: the share of the velocity that it walks at."""
        self._gait.publish(message_of(NodeStatus("walks", figures={"scale": f"{scale:.4f}"}), "gait"))

    def says(self, words: str, node: str = "teleop") -> None:
        """Waits until a node says some words in its diagnostics."""

        self.probe.wait(lambda: words in self._last_said(node), f"'{words}', but {node}: {self._last_said(node)}")

    def _last_said(self, node: str) -> str:
        statuses = (status for message in reversed(self._diagnostics) for status in message.status)
        return next((status.message for status in statuses if status.name == f"quadleg: {node}"), "")

    def asks(self, *what: object) -> None:
        self.probe.wait(lambda: self.asked[-1:] == [what], f"{what} in {self.asked}")

    def velocity(self) -> tuple[float, float, float] | None:
        """The last velocity asked for."""
        if not self.velocities:
            return None
        twist = self.velocities[-1].twist
        return twist.linear.x, twist.linear.y, twist.angular.z

    def goes(self, *velocity: float) -> None:
        self.probe.wait(lambda: self.velocity() == pytest.approx(velocity), f"{velocity}: {self.velocity()}")

    def is_silent(self, messages: list, seconds: float = 0.5) -> bool:
        """Whether nothing is added to some messages for so long."""
        return not self.probe.hears_more(messages, seconds)
