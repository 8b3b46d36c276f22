"""joint_watchdog: the only way from joint targets to the servos."""

from __future__ import annotations

from math import isfinite
from typing import Any

from sensor_msgs.msg import BatteryState, Imu
from std_msgs.msg import String
from std_srvs.srv import SetBool, Trigger
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from quadleg.estimation.tilt import Tilt
from quadleg.health import Health
from quadleg.middleware.interface import Middleware, RawMessage
from quadleg.middleware.joint_messages import angles_of, set_command
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.process_host import main_of
from quadleg.middleware.sensor_messages import motion_of
from quadleg.middleware.status_topic import StatusPublisher, hear_status
from quadleg.middleware.topics import nanoseconds
from quadleg.nodes.imu_tilt import tilt_of
from quadleg.robot.model import MEASURED
from quadleg.safety.idle_watch import default_idle_time
from quadleg.safety.joint_command import Command
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.reason_codes import ReasonCode
from quadleg.safety.sentences import Reason
from quadleg.safety.watchdog import Watchdog
from quadleg.safety.watchdog_report import WatchdogReport, status

REPEAT_PERIOD = 1.0  # s: listeners that take no latched messages have the state too
UNTOLD = Reason.of(ReasonCode.DEFECT, detail="servo_output tells no reason")
IDLE_TIME = "Seconds of standing without a command until the robot lowers itself; 0: never; below 0: by the board"
LAST_WORDS = 5  # commands without joints sent before the process ends, so that one surely arrives


class JointWatchdog(QuadlegNode):
    """Publishes `joint_commands` at the control rate; state and reason in `state` and, as codes, in `status`."""

    sole_topics = ("joint_commands", "state")

    def __init__(
        self, middleware: Middleware, name: str = "joint_watchdog", parameters: dict[str, Any] | None = None
    ) -> None:
        super().__init__(middleware, name, parameters)
        period = self.declare_period()
        board = self.declare("board", "", "What servo_output's board is; empty: the robot file's kind")
        idle = self.declare("idle_time", -1.0, IDLE_TIME, -1.0, 86400.0)
        idle = default_idle_time(self.robot.on_board(board)) if idle < 0 else idle
        self._watchdog = Watchdog(self.robot, period, self.steady_time(), idle)
        self._tilt = Tilt(self.robot)
        self._measured = False  # whether joint_states are
        self._report = WatchdogReport(self._watchdog, self.robot)
        self._last_words = LAST_WORDS
        self._message = JointTrajectory(points=[JointTrajectoryPoint()])
        self._commands = self.advertise("joint_commands")
        self._state = self.advertise("state")
        self._codes = StatusPublisher(self)
        self.listen("joint_targets", self._joint_targets)
        hear_status(self.subscribe, "servo_output", self._servo_status)
        self.listen("joint_states", self._joint_states, raw=True)
        self.listen("supply", self._supply)
        self.listen("imu/data", self._imu)
        self.listen("joint_commands", self._joint_commands, raw=True)
        self.listen("robot_description", self._robot_description)
        self.serve(SetBool, "enable", self._enable)
        self.serve(Trigger, "reset", self._reset)
        self.every(period, self._tick)
        self.every(REPEAT_PERIOD, self._repeat)

    @property
    def ready(self) -> bool:
        """Whether the chain is closed on both sides: frames come in, servo_output is heard."""
        return self._report.chain_is_closed(self.steady_time())

    def _joint_targets(self, message: JointTrajectory) -> None:
        points = [point.positions for point in message.points]
        stamp = nanoseconds(message.header.stamp)
        command = self._watchdog.targets(stamp, message.joint_names, points, self.steady_time())
        if command:
            self._send(command, message.header.stamp)

    def _tick(self) -> None:
        command = self._watchdog.tick(self.steady_time())
        if command:
            self._send(command, self.stamp())
        self._say()
        if self._watchdog.finished:
            self._last_words -= 1
            self.finished = self._last_words <= 0

    def _send(self, command: Command, stamp: Any) -> None:
        self._message.header.stamp = stamp
        set_command(self._message, command)
        self._commands.publish(self._message)

    def _servo_status(self, said: NodeStatus) -> None:
        self._measured = said.figures.get("joint_angles") == MEASURED
        self._watchdog.output_says(said.state, said.reason or UNTOLD, self.steady_time())
        self._say()

    def _joint_commands(self, message: RawMessage) -> None:
        # Its own name no joint while it has no power on.
        if not self._watchdog.powered and message.read().joint_names:
            self._watchdog.other_commands(self.steady_time())

    def _joint_states(self, raw: RawMessage) -> None:
        now = self.steady_time()
        self._watchdog.output_watch.heard(now)
        if self._measured and self._watchdog.powered:
            angles = angles_of(raw.read())
            if all(map(isfinite, angles)):
                self._watchdog.following.joints(angles, now)

    def _supply(self, message: BatteryState) -> None:
        drawn = 0.0 - message.current  # negative in the message; a mere minus would make a minus zero
        self._watchdog.supply(message.voltage, drawn, message.present, self.steady_time())

    def _imu(self, message: Imu) -> None:
        now = self.steady_time()
        if (angle := tilt_of(self._tilt, message, now)) is not None:
            self._watchdog.tilt(angle, now)
        if motion := motion_of(message):
            self._watchdog.following.imu(*motion, now)

    def _robot_description(self, message: String) -> None:
        self._report.described(message.data)
        self.say_health()

    def _enable(self, request: SetBool.Request) -> tuple[bool, str]:
        return self._answered(self._report.enable(request.data, self.steady_time()))

    def _reset(self, _: Trigger.Request) -> tuple[bool, str]:
        return self._answered(self._report.reset(self.steady_time()))

    def _answered(self, answer: tuple[bool, str]) -> tuple[bool, str]:
        self._say()
        return answer

    def _repeat(self) -> None:
        if self._report.text:
            self._state.publish(String(data=self._report.text))

    def _say(self) -> None:
        now = self.steady_time()
        if not self._report.is_news(now):
            return
        if self._report.state_is_new:
            self.get_logger().info(self._report.text)
        self._state.publish(String(data=self._report.text))
        self._codes.publish(status(self._watchdog, now), self._report.level)
        self.say_health()

    def health(self) -> Health:
        return self._report.health(self._tilt.refused, self.steady_time())

    def end(self, alone: bool) -> None:
        self._watchdog.end(self.steady_time())

    def off_now(self) -> None:
        self._watchdog.end(self.steady_time())
        self._watchdog.off_now(Reason.of(ReasonCode.SWITCHED_OFF), self.steady_time())


main = main_of(JointWatchdog)
