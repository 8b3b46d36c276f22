"""The floor that rclpy sets: the graph's nodes, processes, topics, message types, QoS and executor, and no work inside.

`quadleg timing` measures the graph beside it.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any

import rclpy
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue
from geometry_msgs.msg import PointStamped, Transform, Twist, Wrench
from nav_msgs.msg import Odometry
from rclpy.clock import Clock, ClockType
from rclpy.experimental import EventsExecutor
from rclpy.node import Node
from rclpy.signals import SignalHandlerOptions
from sensor_msgs.msg import BatteryState, JointState, MultiDOFJointState
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from quadleg.middleware.frame_latency import Latency
from quadleg.middleware.node import DIAGNOSTICS_PERIOD
from quadleg.middleware.process_host import WAKE_PERIOD
from quadleg.middleware.status_topic import message_of
from quadleg.middleware.topics import heard, nanoseconds, published
from quadleg.robot.model import JOINT_NAMES, JOINTS, LEGS
from quadleg.safety.node_status import NodeStatus
from quadleg.servos.board_sensors import MODEL_PERIOD


class BareNode(Node):
    """A node with diagnostics and nothing else."""

    ready = True

    def __init__(self, name: str, rate_hz: float) -> None:
        super().__init__(name)
        self._steady = Clock(clock_type=ClockType.STEADY_TIME)
        self._diagnostics = self.create_publisher(*published("diagnostics"))
        self.every(DIAGNOSTICS_PERIOD, self._say_health)

    def every(self, period: float, callback: Callable[[], None]) -> None:
        """Calls back once a period (s) of the steady clock."""
        self.create_timer(period, callback, clock=self._steady)

    def hear(self, topic: str, callback: Callable[[Any], None], raw: bool = False) -> None:
        kind, name, quality = heard(topic)
        self.create_subscription(kind, name, callback, quality, raw=raw)

    def ignore(self, *topics: str) -> None:
        """Hears topics and does nothing with them."""
        for topic in topics:
            self.hear(topic, lambda _: None, raw=True)

    def say_state(self, topic: str, state: str) -> None:
        """Say a state once, as text and in `<node>/status`."""
        name = self.get_name()
        self.create_publisher(*published(topic)).publish(String(data=f"{state}: bare"))
        message = message_of(NodeStatus(state), name)
        self.create_publisher(*published(f"{name}/status")).publish(message)

    def figures(self) -> dict[str, object]:
        """What the diagnostics say."""
        return {}

    def _say_health(self) -> None:
        values = [KeyValue(key=key, value=str(value)) for key, value in self.figures().items()]
        array = DiagnosticArray(status=[DiagnosticStatus(name=f"quadleg: {self.get_name()}", values=values)])
        array.header.stamp = self.get_clock().now().to_msg()
        self._diagnostics.publish(array)


class BareServoOutput(BareNode):
    """Takes commands and says joint states; its latency ends where a command's callback begins."""

    def __init__(self, name: str, rate_hz: float) -> None:
        super().__init__(name, rate_hz)
        self.declare_parameter("frame_prefix", "")
        self._latency = Latency()
        self._states = self.create_publisher(*published("joint_states"))
        self.say_state("servo_state", "following")
        supply = self.create_publisher(*published("supply"))
        self.every(MODEL_PERIOD, lambda: supply.publish(BatteryState()))
        self._message = JointState(name=list(JOINT_NAMES), position=[0.0] * len(JOINT_NAMES))
        self.hear("joint_commands", self._joint_commands)

    def _joint_commands(self, message: JointTrajectory) -> None:
        now = self.get_clock().now()
        self._latency.note(now.nanoseconds - nanoseconds(message.header.stamp))
        self._message.header.stamp = now.to_msg()
        self._states.publish(self._message)

    def figures(self) -> dict[str, object]:
        return self._latency.figures()


class BareJointWatchdog(BareNode):
    """Four legs' targets with one stamp make one command."""

    def __init__(self, name: str, rate_hz: float) -> None:
        super().__init__(name, rate_hz)
        self.ready = False
        self._stamp: Any = None
        self._heard = 0
        self._following = False
        point = JointTrajectoryPoint(positions=[0.0] * len(JOINT_NAMES))
        self._message = JointTrajectory(joint_names=list(JOINT_NAMES), points=[point])
        self._commands = self.create_publisher(*published("joint_commands"))
        self.say_state("state", "active")
        self.hear("joint_targets", self._joint_targets)
        self.hear("servo_output/status", self._servo_status)
        self.ignore("joint_states", "joint_commands", "supply", "imu/data")
        self.every(1 / rate_hz, lambda: None)

    def _joint_targets(self, message: JointTrajectory) -> None:
        self._heard = self._heard + 1 if message.header.stamp == self._stamp else 1
        self._stamp = message.header.stamp
        if self._heard == len(LEGS):
            self._message.header.stamp = message.header.stamp
            self._commands.publish(self._message)
            self.ready = self._following

    def _servo_status(self, _: DiagnosticStatus) -> None:
        self._following = True


class BareLegIk(BareNode):
    """A foot target in, a joint target out."""

    def __init__(self, name: str, rate_hz: float) -> None:
        super().__init__(name, rate_hz)
        leg = name.removesuffix("_ik")
        point = JointTrajectoryPoint(positions=[0.0] * len(JOINTS))
        self._message = JointTrajectory(joint_names=[f"{leg}_{joint}" for joint in JOINTS], points=[point])
        self._targets = self.create_publisher(*published("joint_targets"))
        self.hear(f"{leg}/foot_target", self._foot_target)

    def _foot_target(self, message: PointStamped) -> None:
        self._message.header.stamp = message.header.stamp
        self._targets.publish(self._message)


class BareBaseMotion(BareNode):
    """Planned feet in, four foot targets out."""

    def __init__(self, name: str, rate_hz: float) -> None:
        super().__init__(name, rate_hz)
        self.create_publisher(*published(f"{name}/status"))
        self._message = PointStamped()
        self._message.header.frame_id = "base_link"
        self._feet = [self.create_publisher(*published(f"{leg}/foot_target")) for leg in LEGS]
        self.hear("planned_feet", self._planned_feet)
        self.ignore("base_target", "teleop/base_target", "joint_watchdog/status", "joint_commands")

    def _planned_feet(self, message: MultiDOFJointState) -> None:
        self._message.header.stamp = message.header.stamp
        for publisher in self._feet:
            publisher.publish(self._message)


class BareGait(BareNode):
    """The metronome."""

    def __init__(self, name: str, rate_hz: float) -> None:
        super().__init__(name, rate_hz)
        self.create_publisher(*published(f"{name}/status"))
        names = [*LEGS, "base_link"]
        self._message = MultiDOFJointState(
            joint_names=names,
            transforms=[Transform() for _ in names],
            twist=[Twist() for _ in names],
            wrench=[Wrench() for _ in names],
        )
        self._message.header.frame_id = "base_footprint"
        self._feet = self.create_publisher(*published("planned_feet"))
        self.create_publisher(*published("walking_limits")).publish(String(data="bare"))
        self.ignore("teleop/cmd_vel", "joint_watchdog/status", "joint_commands", "joint_states", "imu/data", "odom")
        self.every(1 / rate_hz, self._tick)

    def _tick(self) -> None:
        self._message.header.stamp = self.get_clock().now().to_msg()
        self._feet.publish(self._message)


class BareStateEstimator(BareNode):
    """Joint states in, an estimate and the feet's loads out."""

    def __init__(self, name: str, rate_hz: float) -> None:
        super().__init__(name, rate_hz)
        self.create_publisher(*published(f"{name}/status"))
        self._message = Odometry(child_frame_id="base_link")
        self._message.header.frame_id = "odom"
        self._loads = MultiDOFJointState(
            joint_names=list(LEGS),
            transforms=[Transform() for _ in LEGS],
            twist=[Twist() for _ in LEGS],
            wrench=[Wrench() for _ in LEGS],
        )
        self._loads.header.frame_id = "base_link"
        self._odometry = self.create_publisher(*published("odom"))
        self._foot_loads = self.create_publisher(*published("foot_loads"))
        self.hear("joint_states", self._joint_states)
        self.hear("planned_feet", lambda _: None)
        self.ignore("imu/data", "joint_watchdog/status", "gait/status", "servo_output/status")

    def _joint_states(self, message: JointState) -> None:
        self._message.header.stamp = self._loads.header.stamp = message.header.stamp
        self._odometry.publish(self._message)
        self._foot_loads.publish(self._loads)


KINDS: dict[str, type[BareNode]] = {
    "servo_output": BareServoOutput,
    "joint_watchdog": BareJointWatchdog,
    **{f"{leg}_ik": BareLegIk for leg in LEGS},
    "base_motion": BareBaseMotion,
    "gait": BareGait,
    "state_estimator": BareStateEstimator,
}


def main() -> None:
    """Runs the nodes named until the process is ended; prints a line when they hear each other."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--nodes")
    parser.add_argument("--namespace")
    parser.add_argument("--rate", type=float)
    options = parser.parse_args()
    # Without handlers a signal ends the process at once; there is nothing to put in order.
    rclpy.init(args=["--ros-args", "-r", f"__ns:=/{options.namespace}"], signal_handler_options=SignalHandlerOptions.NO)
    nodes = [KINDS[name](name, options.rate) for name in options.nodes.split(",")]
    executor = EventsExecutor()
    for node in nodes:
        executor.add_node(node)
    said_ready = False
    while True:
        executor.spin_once(timeout_sec=WAKE_PERIOD)
        if not said_ready and all(node.ready for node in nodes):
            said_ready = True
            print("ready", flush=True)


if __name__ == "__main__":
    main()
