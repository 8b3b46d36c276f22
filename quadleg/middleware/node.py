"""What every node of quadleg is: robot file, checked parameters, guarded callbacks, diagnostics, an orderly end."""

from __future__ import annotations

import functools
from typing import Any

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue

from quadleg.health import ERROR, Health
from quadleg.middleware.guarded_node import GuardedNode
from quadleg.middleware.interface import Middleware
from quadleg.robot.model import RobotModel
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot
from quadleg.safety.node_status import NodeStatus

DIAGNOSTICS_PERIOD = 1.0
CHANGES_PERIOD = 0.1  # s at least between diagnostics for changes: where targets stream, much changes

# The nodes of one process have one robot: its file is read and judged once.
_robot_at = functools.cache(load_robot)


class QuadlegNode(GuardedNode):
    """A node with its robot loaded. Subclasses say how they are in `health` and how they end in `end`."""

    sole_topics: tuple[str, ...] = ()  # what no other node may publish
    has_state = False  # whether its health has one, which `<node>/status` then tells when it changes

    def __init__(self, middleware: Middleware, name: str, parameters: dict[str, Any] | None = None) -> None:
        super().__init__(middleware, name, parameters)
        path = self.declare("robot", DEFAULT_ROBOT, "Robot file: a path, or the name of one in config/")
        self.robot: RobotModel = _robot_at(find_robot(path))
        self.prefix: str = self.declare("frame_prefix", "", "Prefix of all frame names, for several robots")
        self._diagnostics = self.advertise("diagnostics")
        self._status = self.advertise(f"{self.get_name()}/status") if self.has_state else None
        self._told: object = None
        self._reported: tuple[object, ...] = ()
        self._reported_at = 0.0
        self.finished = False
        self.every(DIAGNOSTICS_PERIOD, self.say_health)

    @property
    def ready(self) -> bool:
        """Whether the node has all it needs to do its work."""
        return True

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

    # Diagnostics

    def health(self) -> Health:
        """How the node is; subclasses say more."""
        return Health("running")

    def say_health(self) -> None:
        """Publish the diagnostics now, as once a second, and `<node>/status` where codes or their figures changed."""
        self._say_health(changed=False)

    def _say_health(self, changed: bool) -> None:
        health = self.health()
        status = NodeStatus.of_health(health)
        level, message = health.level, health.message or status.sentence
        doubled = [topic for topic in self.sole_topics if self.count_publishers(topic) > 1]
        if doubled:
            level = ERROR
            message = f"more than one publisher of {', '.join(doubled)}: two stacks under the same names? " + (
                f"End one, or give it a namespace of its own. {message}"
            )
        array = DiagnosticArray()
        array.header.stamp = self.stamp()
        said = DiagnosticStatus(
            level=level,
            name=f"quadleg: {self.get_name()}",
            message=message,
            hardware_id=self.robot.name,
            values=[KeyValue(key=key, value=value) for key, value in status.values().items()],
        )
        array.status = [said]
        self._diagnostics.publish(array)
        told = status.state, status.reason, status.notices
        if self._status and (changed or told != self._told):
            self._told = told
            self._status.publish(said)

    def say_changes(self, *shown: object) -> None:
        """Publish diagnostics and status if any of what they show has changed, at most once a CHANGES_PERIOD."""
        now = self.steady_time()
        if shown != self._reported and now - self._reported_at > CHANGES_PERIOD:
            self._reported, self._reported_at = shown, now
            self._say_health(changed=True)

    # The end

    def end(self, alone: bool) -> None:
        """Begins the orderly end; `finished` when it is over. `alone`: no other node was told."""
        self.finished = True

    def off_now(self) -> None:
        """Ends at once, without power."""
        self.finished = True
