"""The velocities that gait is asked for: on two topics, one of them in whichever type it is published."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from geometry_msgs.msg import Twist, TwistStamped

from quadleg.errors import TargetError
from quadleg.gait.velocity_selection import VelocityCommands
from quadleg.gait.walk_obstacles import Obstacle
from quadleg.health import CodedFact
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.topics import LATEST, nanoseconds
from quadleg.safety.catalogue import Reason

TYPES = {"geometry_msgs/msg/TwistStamped": TwistStamped, "geometry_msgs/msg/Twist": Twist}


class VelocityInputs:
    """Subscriptions of a node to `teleop/cmd_vel` and, by `look`, to `cmd_vel`, which fill `commands`."""

    def __init__(self, node: QuadlegNode, commands: VelocityCommands) -> None:
        self._node = node
        self._commands = commands
        self._cmd_vel: Any = None
        self._type = ""
        node.listen("teleop/cmd_vel", self._taker("teleop/cmd_vel"))

    def look(self) -> None:
        """Subscribe to `cmd_vel` as it is published: a process can hear one type of a topic at a time."""
        found = {info.topic_type for info in self._node.get_publishers_info_by_topic("cmd_vel")}
        known = sorted(found & TYPES.keys())
        heard = self._type or next(iter(known), "")
        self._say_unheard(sorted(found - {heard}), heard)
        if self._type in found or not known:
            return
        if self._cmd_vel:
            # The executor lets go of it after this callback: the other type can be heard from the next look on.
            self._node.destroy_subscription(self._cmd_vel)
            self._cmd_vel, self._type = None, ""
            return
        (self._type, *_) = known
        self._cmd_vel = self._node.subscribe(TYPES[self._type], "cmd_vel", self._taker("cmd_vel"), LATEST)

    def _say_unheard(self, unheard: list[str], heard: str) -> None:
        figures = {"types": ", ".join(unheard), "wanted": heard or " or ".join(TYPES)}
        self._commands.type_trouble = CodedFact.of(Obstacle.UNHEARD_TYPE, **figures) if unheard else None

    def _taker(self, source: str) -> Callable[[TwistStamped | Twist], None]:
        def take(message: TwistStamped | Twist) -> None:
            now = self._node.steady_time()
            try:
                twist, stamp = message, 0
                if isinstance(message, TwistStamped):
                    self._check_frame(source, message.header.frame_id)
                    twist, stamp = message.twist, nanoseconds(message.header.stamp)
                velocity = twist.linear.x, twist.linear.y, twist.angular.z
                self._commands.take(source, velocity, now, stamp)
            except TargetError as error:
                refusal = Reason.of_fact(self._commands.refuse(error, now))
                self._node.get_logger().warning(str(refusal), throttle_duration_sec=1.0)

        return take

    def _check_frame(self, source: str, frame: str) -> None:
        valid = [self._node.prefix + name for name in ("base_footprint", "base_link")]
        if frame and frame not in valid:
            raise TargetError(f"frame_id of {source} is '{frame}'; it must be {' or '.join(valid)}, or empty")
