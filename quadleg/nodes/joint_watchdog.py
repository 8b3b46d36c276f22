"""joint_watchdog: the only way from joint targets to the servos."""

from __future__ import annotations

import time
from array import array
from math import degrees, isfinite, nan
from typing import Any

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from rclpy.qos import qos_profile_sensor_data
from rclpy.serialization import deserialize_message
from sensor_msgs.msg import BatteryState, Imu, JointState
from std_msgs.msg import String
from std_srvs.srv import SetBool, Trigger
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from quadleg.nodes.base import Health, QuadlegNode
from quadleg.nodes.host import main_of
from quadleg.nodes.imu import tilt_of
from quadleg.nodes.topics import JOINT_STATES, JOINT_TARGETS, LATCHED, LATEST, join_state, nanoseconds, split_state
from quadleg.robot.model import JOINT_NAMES, MEASURED
from quadleg.robot.urdf import urdf
from quadleg.safety.commands import ALL, Command
from quadleg.safety.idle_watch import default_idle_time
from quadleg.safety.tilt import Tilt
from quadleg.safety.watchdog import State, Watchdog

LEVELS = {
    State.FAULT: DiagnosticStatus.ERROR,
    State.HOLD: DiagnosticStatus.WARN,
}
SERVO_OUTPUT = "quadleg: servo_output"  # in diagnostics
NOT_MEASURED = -1.0  # a first covariance of -1 says so (REP-145)
REPEAT_PERIOD = 1.0  # s: listeners that take no latched messages have the state too
LAST_WORDS = 5  # commands without joints sent before the process ends, so that one surely arrives


class JointWatchdog(QuadlegNode):
    """Publishes `joint_commands` at the control rate in every state, and `state` with its reason."""

    sole_topics = ("joint_commands", "state")

    def __init__(self, name: str = "joint_watchdog", parameters: dict[str, Any] | None = None) -> None:
        super().__init__(name, parameters)
        period = self.declare_period()
        board = self.declare("board", "", "What servo_output's board is; empty: the robot file's kind")
        idle = self.declare(
            "idle_time",
            -1.0,
            "Seconds of standing without a command until the robot lowers itself; 0: never; below 0: by the board",
            -1.0,
            86400.0,
        )
        idle = default_idle_time(self.robot.on_board(board)) if idle < 0 else idle
        self._watchdog = Watchdog(self.robot, period, time.monotonic(), idle)
        self._tilt = Tilt(self.robot)
        self._measured = False  # whether joint_states are
        self._said: str | None = None
        self._urdf = urdf(self.robot)
        self._mismatch: str | None = None
        self._last_words = LAST_WORDS
        self._message = JointTrajectory(points=[JointTrajectoryPoint()])
        self._commands = self.create_publisher(JointTrajectory, "joint_commands", LATEST)
        self._state = self.create_publisher(String, "state", LATCHED)
        self.subscribe(JointTrajectory, "joint_targets", self._joint_targets, JOINT_TARGETS)
        self.subscribe(String, "servo_state", self._servo_state, LATCHED)
        self.subscribe(JointState, "joint_states", self._joint_states, JOINT_STATES, raw=True)
        self.subscribe(DiagnosticArray, "diagnostics", self._servo_diagnostics, 10, raw=True)
        self.subscribe(BatteryState, "supply", self._supply, LATEST)
        self.subscribe(Imu, "imu/data", self._imu, qos_profile_sensor_data)
        self.subscribe(JointTrajectory, "joint_commands", self._joint_commands, LATEST, raw=True)
        self.subscribe(String, "robot_description", self._robot_description, LATCHED)
        self.serve(SetBool, "enable", self._enable)
        self.serve(Trigger, "reset", self._reset)
        self.every(period, self._tick)
        self.every(REPEAT_PERIOD, self._repeat)

    @property
    def ready(self) -> bool:
        """Whether the chain is closed on both sides: frames come in, servo_output is heard."""
        return self._watchdog.output == "following" and isfinite(self._watchdog.age(time.monotonic()))

    def _joint_targets(self, message: JointTrajectory) -> None:
        points = [point.positions for point in message.points]
        stamp = nanoseconds(message.header.stamp)
        command = self._watchdog.targets(stamp, message.joint_names, points, time.monotonic())
        if command:
            self._send(command, message.header.stamp)

    def _tick(self) -> None:
        command = self._watchdog.tick(time.monotonic())
        if command:
            self._send(command, self.get_clock().now().to_msg())
        self._say()
        if self._watchdog.finished:
            self._last_words -= 1
            self.finished = self._last_words <= 0

    def _send(self, command: Command, stamp: Any) -> None:
        self._message.header.stamp = stamp
        point = self._message.points[0]
        if command.powered == ALL:
            self._message.joint_names = list(JOINT_NAMES)
            point.positions = array("d", command.angles)
        else:
            named = [i for i, powered in enumerate(command.powered) if powered]
            self._message.joint_names = [JOINT_NAMES[i] for i in named]
            point.positions = array("d", [command.angles[i] for i in named])
        self._commands.publish(self._message)

    def _servo_state(self, message: String) -> None:
        before = self._watchdog.output
        self._watchdog.output_says(*split_state(message.data), time.monotonic())
        self._say()
        if self._watchdog.output != before:
            self.say_health()

    def _joint_commands(self, serialized: bytes) -> None:
        # Its own name no joint while it has no power on.
        if not self._watchdog.powered and deserialize_message(serialized, JointTrajectory).joint_names:
            self._watchdog.other_commands(time.monotonic())

    def _joint_states(self, serialized: bytes) -> None:
        now = time.monotonic()
        self._watchdog.output_heard(now)
        if self._measured and self._watchdog.powered:
            message = deserialize_message(serialized, JointState)
            places = dict(zip(message.name, message.position))
            if all(isfinite(places.get(name, nan)) for name in JOINT_NAMES):
                self._watchdog.following.joints([places[name] for name in JOINT_NAMES], now)

    def _servo_diagnostics(self, serialized: bytes) -> None:
        if SERVO_OUTPUT.encode() not in serialized:  # reading what every node says would cost
            return
        for status in deserialize_message(serialized, DiagnosticArray).status:
            if status.name == SERVO_OUTPUT:
                self._measured = ("joint_angles", MEASURED) in ((pair.key, pair.value) for pair in status.values)

    def _supply(self, message: BatteryState) -> None:
        drawn = 0.0 - message.current  # negative in the message; a mere minus would make a minus zero
        self._watchdog.supply(message.voltage, drawn, message.present, time.monotonic())

    def _imu(self, message: Imu) -> None:
        now = time.monotonic()
        angle = tilt_of(self._tilt, message, now)
        if angle is not None:
            self._watchdog.tilt(angle, now)
        w, a = message.angular_velocity, message.linear_acceleration
        if NOT_MEASURED not in (message.angular_velocity_covariance[0], message.linear_acceleration_covariance[0]):
            stamp = 1e-9 * nanoseconds(message.header.stamp)
            self._watchdog.following.imu((w.x, w.y, w.z), (a.x, a.y, a.z), stamp, now)

    def _robot_description(self, message: String) -> None:
        # Commands for another robot than the one that servo_output moves could twist its legs.
        self._mismatch = None
        if message.data != self._urdf:
            own = f"joint_watchdog has {self.robot.path}"
            self._mismatch = f"servo_output runs another robot, {own}: give all nodes the same file"
        self.say_health()

    def _enable(self, request: SetBool.Request) -> tuple[bool, str]:
        if request.data and self._mismatch:
            return False, f"not enabled: {self._mismatch}"
        answer = self._watchdog.enable(request.data, time.monotonic())
        self._say()
        return answer

    def _reset(self, _: Trigger.Request) -> tuple[bool, str]:
        answer = self._watchdog.reset(time.monotonic())
        self._say()
        return answer

    def _repeat(self) -> None:
        if self._said:
            self._state.publish(String(data=self._said))

    def _say(self) -> None:
        text = join_state(self._watchdog.state.value, self._watchdog.why)
        if text == self._said:
            return
        if self._said is None or split_state(self._said)[0] != self._watchdog.state.value:
            self.get_logger().info(text)
        self._said = text
        self._state.publish(String(data=text))
        self.say_health()

    def health(self) -> Health:
        watchdog, now = self._watchdog, time.monotonic()
        age, idle_left = watchdog.age(now), watchdog.idle.left(now)
        values = {
            "state": watchdog.state.value,
            "servo_output": watchdog.output or "not heard",
            "frames_sent": watchdog.sent,
            "frames_dropped": watchdog.dropped,
            "frames_slowed": watchdog.slowed,
            "holds": watchdog.holds,
            "targets_late": watchdog.late,
            "targets_refused": watchdog.refused,
            "last_good_frame_s": f"{age:.3f}",
            "imu_refused": self._tilt.refused,
            "stop_category": "" if watchdog.stop_category is None else watchdog.stop_category,
            "following": watchdog.shortfall.code.value,
            "following_where": " ".join(watchdog.shortfall.where),
            "following_figure": watchdog.shortfall.figure,
            "servo_heat": watchdog.heat.level.value,
            "servo_hottest": JOINT_NAMES[watchdog.heat.hottest],
            "servo_hottest_c": f"{watchdog.heat.temperature:.0f}",
            "servo_temperatures_c": " ".join(f"{one:.1f}" for one in watchdog.heat.temperatures),
            "idle": watchdog.idle.code(now).value,
            "idle_left_s": f"{max(idle_left, 0.0):.0f}" if isfinite(idle_left) else "",
        }
        measured = {
            "supply_v": watchdog.supply_watch.voltage,
            "supply_a": watchdog.supply_watch.current,
            "tilt_deg": degrees(watchdog.tilted),
        }
        values |= {name: f"{value:.2f}" for name, value in measured.items() if isfinite(value)}
        if self._mismatch:
            return Health(self._mismatch, values, DiagnosticStatus.ERROR)
        level = LEVELS.get(watchdog.state, DiagnosticStatus.OK)
        return Health(join_state(watchdog.state.value, watchdog.why), values, level)

    def end(self, alone: bool) -> None:
        self._watchdog.end(time.monotonic())

    def off_now(self) -> None:
        self._watchdog.end(time.monotonic())
        self._watchdog.off_now("switched off at once", time.monotonic())


main = main_of(JointWatchdog)
