"""The velocities that gait is asked for: on two topics, one of them in whichever type it is published."""

from __future__ import annotations

from collections.abc import Callable
from math import inf
from typing import Any

from geometry_msgs.msg import Twist, TwistStamped

from quadleg.errors import TargetError
from quadleg.gait.velocity_selection import VelocityCommands
from quadleg.gait.walk_obstacles import Obstacle
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.topics import LATEST, nanoseconds

REFUSAL_TIME = 2.0  # s that a refusal is said after the last of its kind
TYPES = {"geometry_msgs/msg/TwistStamped": TwistStamped, "geometry_msgs/msg/Twist": Twist}


class VelocityInputs:
    """Subscriptions of a node to `teleop/cmd_vel` and, by `look`, to `cmd_vel`. `refusal` is why the last velocity was
    refused, None where it was not.
    """

    def __init__(self, node: QuadlegNode) -> None:
        self._node = node
        self.commands = VelocityCommands()
        self.refusal: str | None = None
        self._refused_at = -inf
        self._cmd_vel: Any = None
        self._type = ""
        self._not_heard: list[str] = []
        node.subscribe(TwistStamped, "teleop/cmd_vel", self._taker("teleop/cmd_vel"), LATEST)

    def look(self) -> None:
        """Subscribe to `cmd_vel` as it is published: a process can hear one type of a topic at a time."""
        found = {info.topic_type for info in self._node.get_publishers_info_by_topic("cmd_vel")}
        known = sorted(found & TYPES.keys())
        heard = self._type or next(iter(known), "")
        self._not_heard = sorted(found - {heard})
        if self._type in found or not known:
            return
        if self._cmd_vel:
            # The executor lets go of it after this callback: the other type can be heard from the next look on.
            self._node.destroy_subscription(self._cmd_vel)
            self._cmd_vel, self._type = None, ""
            return
        (self._type, *_) = known
        self._cmd_vel = self._node.subscribe(TYPES[self._type], "cmd_vel", self._taker("cmd_vel"), LATEST)

    def unclear(self, asker: str) -> tuple[Obstacle, str] | None:
        """Why a velocity that is published does not count, or not alone; `asker` is the topic that counts."""
        if self.refusal and self._node.steady_time() - self._refused_at < REFUSAL_TIME:
            return Obstacle.VELOCITY_REFUSED, self.refusal
        if self._not_heard:
            right = self._type or " or ".join(TYPES)
            unheard = ", ".join(self._not_heard)
            return Obstacle.UNHEARD_TYPE, f"cmd_vel is published as {unheard}, which is not heard; it must be {right}"
        if asker and self._node.count_publishers(asker) > 1:
            several = f"more than one publisher of {asker}: the newest message counts, so that they block each other"
            return Obstacle.SEVERAL_PUBLISHERS, several
        return None

    def _taker(self, source: str) -> Callable[[TwistStamped | Twist], None]:
        def take(message: TwistStamped | Twist) -> None:
            try:
                twist, stamp = message, 0
                if isinstance(message, TwistStamped):
                    self._check_frame(source, message.header.frame_id)
                    twist, stamp = message.twist, nanoseconds(message.header.stamp)
                velocity = twist.linear.x, twist.linear.y, twist.angular.z
                self.commands.take(source, velocity, self._node.steady_time(), stamp)
            except TargetError as error:
                self.refusal, self._refused_at = f"velocity refused: {error}", self._node.steady_time()
                self._node.get_logger().warning(self.refusal, throttle_duration_sec=1.0)
                return
            self.refusal = None

        return take

    def _check_frame(self, source: str, frame: str) -> None:
        valid = [self._node.prefix + name for name in ("base_footprint", "base_link")]
        if frame and frame not in valid:
            raise TargetError(f"frame_id of {source} is '{frame}'; it must be {' or '.join(valid)}, or empty")
