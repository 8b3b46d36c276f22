"""The floor that rclpy sets: the graph's nodes, processes, topics, message types, QoS and executor, and no work inside.

`quadleg timing` measures the graph beside it.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any

import rclpy
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue
from geometry_msgs.msg import PointStamped, PoseStamped, Transform, Twist, TwistStamped, Wrench
from nav_msgs.msg import Odometry
from rclpy.clock import Clock, ClockType
from rclpy.experimental import EventsExecutor
from rclpy.node import Node
from rclpy.qos import qos_profile_sensor_data
from rclpy.signals import SignalHandlerOptions
from sensor_msgs.msg import BatteryState, Imu, JointState, MultiDOFJointState
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from quadleg.middleware.frame_latency import Latency
from quadleg.middleware.node import DIAGNOSTICS_PERIOD
from quadleg.middleware.process_host import WAKE_PERIOD
from quadleg.middleware.topics import (
    JOINT_STATES,
    JOINT_TARGETS,
    LATCHED,
    LATEST,
    nanoseconds,
)
from quadleg.nodes.sensor_publishers import MODEL_PERIOD
from quadleg.robot.model import JOINT_NAMES, JOINTS, LEGS


class BareNode(Node):
    """A node with diagnostics and nothing else."""

    ready = True

    def __init__(self, name: str, rate_hz: float) -> None:
        super().__init__(name)
        self._steady = Clock(clock_type=ClockType.STEADY_TIME)
        self._diagnostics = self.create_publisher(DiagnosticArray, "diagnostics", LATEST)
        self.every(DIAGNOSTICS_PERIOD, self._say_health)

    def every(self, period: float, callback: Callable[[], None]) -> None:
        """Calls back once a period (s) of the steady clock."""
        self.create_timer(period, callback, clock=self._steady)

    def ignore(self, kind: type, topic: str, qos: Any) -> None:
        """Hears a topic and does nothing with it."""
        self.create_subscription(kind, topic, lambda _: None, qos, raw=True)

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
        self._states = self.create_publisher(JointState, "joint_states", JOINT_STATES)
        self._servo_state = self.create_publisher(String, "servo_state", LATCHED)
        self._servo_state.publish(String(data="following: bare"))
        supply = self.create_publisher(BatteryState, "supply", LATEST)
        self.every(MODEL_PERIOD, lambda: supply.publish(BatteryState()))
        self._message = JointState(name=list(JOINT_NAMES), position=[0.0] * len(JOINT_NAMES))
        self.create_subscription(JointTrajectory, "joint_commands", self._joint_commands, LATEST)

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
        self._commands = self.create_publisher(JointTrajectory, "joint_commands", LATEST)
        self._state = self.create_publisher(String, "state", LATCHED)
        self._state.publish(String(data="active: bare"))
        self.create_subscription(JointTrajectory, "joint_targets", self._joint_targets, JOINT_TARGETS)
        self.create_subscription(String, "servo_state", self._servo_state, LATCHED)
        self.ignore(JointState, "joint_states", JOINT_STATES)
        self.ignore(DiagnosticArray, "diagnostics", 10)
        self.ignore(JointTrajectory, "joint_commands", LATEST)
        self.ignore(BatteryState, "supply", LATEST)
        self.ignore(Imu, "imu/data", qos_profile_sensor_data)
        self.every(1 / rate_hz, lambda: None)

    def _joint_targets(self, message: JointTrajectory) -> None:
        self._heard = self._heard + 1 if message.header.stamp == self._stamp else 1
        self._stamp = message.header.stamp
        if self._heard == len(LEGS):
            self._message.header.stamp = message.header.stamp
            self._commands.publish(self._message)
            self.ready = self._following

    def _servo_state(self, _: String) -> None:
        self._following = True


class BareLegIk(BareNode):
    """A foot target in, a joint target out."""

    def __init__(self, name: str, rate_hz: float) -> None:
        super().__init__(name, rate_hz)
        leg = name.removesuffix("_ik")
        point = JointTrajectoryPoint(positions=[0.0] * len(JOINTS))
        self._message = JointTrajectory(joint_names=[f"{leg}_{joint}" for joint in JOINTS], points=[point])
        self._targets = self.create_publisher(JointTrajectory, "joint_targets", JOINT_TARGETS)
        self.create_subscription(PointStamped, f"{leg}/foot_target", self._foot_target, LATEST)

    def _foot_target(self, message: PointStamped) -> None:
        self._message.header.stamp = message.header.stamp
        self._targets.publish(self._message)


class BareBaseMotion(BareNode):
    """Planned feet in, four foot targets out."""

    def __init__(self, name: str, rate_hz: float) -> None:
        super().__init__(name, rate_hz)
        self._message = PointStamped()
        self._message.header.frame_id = "base_link"
        self._feet = [self.create_publisher(PointStamped, f"{leg}/foot_target", LATEST) for leg in LEGS]
        self.create_subscription(MultiDOFJointState, "planned_feet", self._planned_feet, LATEST)
        self.ignore(PoseStamped, "base_target", LATEST)
        self.ignore(PoseStamped, "teleop/base_target", LATEST)
        self.ignore(String, "state", LATCHED)
        self.ignore(JointTrajectory, "joint_commands", LATEST)

    def _planned_feet(self, message: MultiDOFJointState) -> None:
        self._message.header.stamp = message.header.stamp
        for publisher in self._feet:
            publisher.publish(self._message)


class BareGait(BareNode):
    """The metronome."""

    def __init__(self, name: str, rate_hz: float) -> None:
        super().__init__(name, rate_hz)
        names = [*LEGS, "base_link"]
        self._message = MultiDOFJointState(
            joint_names=names,
            transforms=[Transform() for _ in names],
            twist=[Twist() for _ in names],
            wrench=[Wrench() for _ in names],
        )
        self._message.header.frame_id = "base_footprint"
        self._feet = self.create_publisher(MultiDOFJointState, "planned_feet", LATEST)
        self.create_publisher(String, "walking_limits", LATCHED).publish(String(data="bare"))
        self.ignore(TwistStamped, "teleop/cmd_vel", LATEST)
        self.ignore(String, "state", LATCHED)
        self.ignore(JointTrajectory, "joint_commands", LATEST)
        self.ignore(JointState, "joint_states", JOINT_STATES)
        self.ignore(Imu, "imu/data", qos_profile_sensor_data)
        self.ignore(Odometry, "odom", LATEST)
        self.every(1 / rate_hz, self._tick)

    def _tick(self) -> None:
        self._message.header.stamp = self.get_clock().now().to_msg()
        self._feet.publish(self._message)


class BareStateEstimator(BareNode):
    """Joint states in, an estimate and the feet's loads out."""

    def __init__(self, name: str, rate_hz: float) -> None:
        super().__init__(name, rate_hz)
        self._message = Odometry(child_frame_id="base_link")
        self._message.header.frame_id = "odom"
        self._loads = MultiDOFJointState(
            joint_names=list(LEGS),
            transforms=[Transform() for _ in LEGS],
            twist=[Twist() for _ in LEGS],
            wrench=[Wrench() for _ in LEGS],
        )
        self._loads.header.frame_id = "base_link"
        self._odometry = self.create_publisher(Odometry, "odom", LATEST)
        self._foot_loads = self.create_publisher(MultiDOFJointState, "foot_loads", LATEST)
        self.create_subscription(JointState, "joint_states", self._joint_states, JOINT_STATES)
        self.create_subscription(MultiDOFJointState, "planned_feet", lambda _: None, LATEST)
        self.ignore(Imu, "imu/data", qos_profile_sensor_data)
        self.ignore(String, "state", LATCHED)
        self.ignore(DiagnosticArray, "diagnostics", 10)

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
