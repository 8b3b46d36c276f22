"""Subscriptions that are read by hand: nobody is woken for a message, and a reader takes many at once."""

from __future__ import annotations

from typing import Any

import rclpy
from rclpy.node import Node


class PolledSubscription:
    """One subscription; each `take` gives the next message that has come."""

    def __init__(self, subscription: Any) -> None:
        self.subscription = subscription

    def take(self) -> tuple[bytes, dict[str, Any]] | None:
        """A message as its bytes, with what is known of its way here (rclpy's MessageInfo); None where none waits."""
        handle = self.subscription.handle
        with handle:
            taken: tuple[bytes, dict[str, Any]] | None = handle.take_message(self.subscription.msg_type, True)
        return taken


class PolledSubscriptions:
    """The subscriptions of one node, on a node beside it that no executor watches."""

    def __init__(self, node: Node) -> None:
        self._node = rclpy.create_node(
            f"{node.get_name()}_ears",
            namespace=node.get_namespace(),
            use_global_arguments=False,
            enable_rosout=False,
            start_parameter_services=False,
        )

    def open(self, kind: type, topic: str, qos: Any) -> PolledSubscription:
        """Subscribes to a topic, by its full name."""
        return PolledSubscription(self._node.create_subscription(kind, topic, _nobody, qos, raw=True))

    def shut(self, ear: PolledSubscription) -> None:
        """Ends one subscription."""
        self._node.destroy_subscription(ear.subscription)

    def close(self) -> None:
        """Ends all."""
        self._node.destroy_node()


def _nobody(_: bytes) -> None:
    """What a subscription would call that somebody watches."""
