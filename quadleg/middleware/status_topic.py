"""`<node>/status`: state, reason code and figures of a node in one latched message for programs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from diagnostic_msgs.msg import DiagnosticStatus, KeyValue

from quadleg.middleware.topics import heard, published
from quadleg.safety.node_status import NodeStatus


class StatusPublisher:
    """Publishes a node's status when it changes, with a level of DiagnosticStatus and a sentence for people."""

    def __init__(self, node: Any) -> None:
        self._publisher = node.create_publisher(*published(f"{node.get_name()}/status"))
        self._node, self._robot = node.get_name(), node.robot.name

    def publish(self, status: NodeStatus, level: bytes) -> None:
        """Say it; the caller knows that it has changed."""
        self._publisher.publish(message_of(status, self._node, self._robot, level))


def message_of(status: NodeStatus, node: str, robot: str = "", level: bytes = DiagnosticStatus.OK) -> DiagnosticStatus:
    """The message that says a node's status."""
    values = [KeyValue(key=key, value=value) for key, value in status.values().items()]
    return DiagnosticStatus(
        level=level, name=f"quadleg: {node}", message=status.sentence, hardware_id=robot, values=values
    )


def hear_status(subscribe: Callable[..., Any], node: str, take: Callable[[NodeStatus], None]) -> None:
    """Call `take` with each status of a node."""

    def hear(message: DiagnosticStatus) -> None:
        take(NodeStatus.of_values({pair.key: pair.value for pair in message.values}))

    kind, topic, quality = heard(f"{node}/status")
    subscribe(kind, topic, hear, quality)
