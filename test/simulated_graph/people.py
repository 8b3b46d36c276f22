"""A person at the stack: a node that asks for everything a client, a page or a script can, and hears the states."""

from __future__ import annotations

from geometry_msgs.msg import TwistStamped

from quadleg.geometry.planar import Planar
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector
from quadleg.middleware.guarded_node import GuardedNode
from quadleg.middleware.simulated_middleware import SimulatedMiddleware
from quadleg.middleware.status_topic import hear_status
from quadleg.nodes.operator_link import OperatorLink
from quadleg.safety.node_status import NodeStatus
from quadleg.teleop.stack_link import Service, ServiceAnswer
from simulated_graph.stack import SimulatedStack

HEARD = ("joint_watchdog", "servo_output", "gait", "base_motion")


class Person:
    """Asks, and remembers what was answered: time (s), service, answer."""

    def __init__(self, stack: SimulatedStack) -> None:
        self._stack = stack
        self._node = GuardedNode(SimulatedMiddleware(stack.bus, "person", stack.namespace), "person")
        self._link = OperatorLink(self._node, "base_footprint")
        self._cmd_vel = self._node.advertise("cmd_vel")
        self.statuses: dict[str, NodeStatus] = {}
        self.answers: list[tuple[float, Service, ServiceAnswer]] = []
        for name in HEARD:
            hear_status(self._node.subscribe, name, lambda said, name=name: self._hear(name, said))

    def _hear(self, name: str, said: NodeStatus) -> None:
        self.statuses[name] = said

    def state(self, name: str) -> str:
        """The state that a node reported last."""
        return self.statuses[name].state if name in self.statuses else ""

    def ask(self, service: Service, value: bool | str | None = None) -> None:
        """Call a service, as `StackLink` has it."""
        self._link.call(service, value, lambda answer: self.answers.append((self._stack.now, service, answer)))

    def walk(self, topic: str, velocity: Planar) -> None:
        """Publish a velocity once (m/s, m/s, rad/s)."""
        if topic == "teleop/cmd_vel":
            self._link.publish_velocity(velocity)
            return
        message = TwistStamped()
        message.header.stamp = self._node.stamp()
        message.twist.linear.x, message.twist.linear.y, message.twist.angular.z = velocity
        self._cmd_vel.publish(message)

    def pose(self, topic: str, place: Vector, roll: float = 0.0) -> None:
        """Publish a base target (m; rad)."""
        publish = self._link.publish_teleop_pose if topic == "teleop/base_target" else self._link.publish_pose
        publish(Pose.from_rpy(*place, roll, 0.0, 0.0))
