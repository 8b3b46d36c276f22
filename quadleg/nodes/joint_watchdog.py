"""joint_watchdog: the only way from joint targets to the servos."""

from __future__ import annotations

from typing import Any

from sensor_msgs.msg import BatteryState, Imu
from std_msgs.msg import String
from std_srvs.srv import SetBool, Trigger
from trajectory_msgs.msg import JointTrajectory

from quadleg.estimation.tilt import Tilt
from quadleg.health import Health
from quadleg.middleware.interface import Middleware, RawMessage
from quadleg.middleware.joint_messages import angles_of, command_message, set_command
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.process_host import main_of
from quadleg.middleware.sensor_messages import motion_of, supply_of
from quadleg.middleware.status_topic import StatusPublisher, hear_status
from quadleg.middleware.topics import nanoseconds
from quadleg.nodes.imu_tilt import tilt_of
from quadleg.safety.idle_watch import idle_time
from quadleg.safety.joint_command import Command
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.watchdog import Watchdog
from quadleg.safety.watchdog_report import WatchdogReport, status

REPEAT_PERIOD = 1.0  # s: listeners that take no latched messages have the state too
IDLE_TIME = "Seconds of standing without a command until the robot lowers itself; 0: never; below 0: by the board"


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
        self._watchdog = Watchdog(self.robot, period, self.steady_time(), idle_time(idle, self.robot.on_board(board)))
        self._tilt = Tilt(self.robot)
        self._report = WatchdogReport(self._watchdog, self.robot)
        self._message = command_message()
        self._commands = self.advertise("joint_commands")
        self._state = self.advertise("state")
        self._codes = StatusPublisher(self)
        self.listen("joint_targets", self._joint_targets)
        hear_status(self.subscribe, "servo_output", self._servo_status)
        self.listen("joint_states", self._joint_states, raw=True)
        self.listen("supply", self._supply)
        self.listen("imu/data", self._imu)
        self.listen("joint_commands", self._joint_commands, raw=True)
        self.serve("enable", self._enable)
        self.serve("reset", self._reset)
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
        self.finished = self._watchdog.ended

    def _send(self, command: Command, stamp: Any) -> None:
        self._watchdog.output_watch.own_command(nanoseconds(stamp))
        set_command(self._message, command, stamp)
        self._commands.publish(self._message)

    def _servo_status(self, said: NodeStatus) -> None:
        self._report.output_robot(said)
        self._watchdog.output_status(said, self.steady_time())
        self._say()

    def _joint_commands(self, raw: RawMessage) -> None:
        if not self._watchdog.powered and (message := raw.read()).joint_names:
            self._watchdog.powering_command(nanoseconds(message.header.stamp), self.steady_time())

    def _joint_states(self, raw: RawMessage) -> None:
        now = self.steady_time()
        self._watchdog.output_watch.heard(now)
        if self._watchdog.wants_joints:
            self._watchdog.joints(angles_of(raw.read()), now)

    def _supply(self, message: BatteryState) -> None:
        self._watchdog.supply(*supply_of(message), message.present, self.steady_time())

    def _imu(self, message: Imu) -> None:
        now = self.steady_time()
        if (angle := tilt_of(self._tilt, message, now)) is not None:
            self._watchdog.tilt(angle, now)
        if motion := motion_of(message):
            self._watchdog.following.imu(*motion, now)

    def _enable(self, request: SetBool.Request) -> tuple[bool, str]:
        return self._answered(self._report.enable(request.data, self.steady_time()))

    def _reset(self, _: Trigger.Request) -> tuple[bool, str]:
        return self._answered(self._report.reset(self.steady_time()))

    def _answered(self, answer: tuple[bool, str]) -> tuple[bool, str]:
        self._say()
        return answer

    def _repeat(self) -> None:
        """Say it again: who heard another's words for this watchdog's is put right."""
        if self._report.text:
            self._publish_state(self.steady_time())

    def _say(self) -> None:
        now = self.steady_time()
        if not self._report.is_news(now):
            return
        if self._report.state_is_new:
            self.get_logger().info(self._report.text)
        self._publish_state(now)
        self.say_health()

    def _publish_state(self, now: float) -> None:
        self._state.publish(String(data=self._report.text))
        self._codes.publish(status(self._watchdog, now), self._report.level)

    def health(self) -> Health:
        return self._report.health(self._tilt.refused, self.steady_time())

    def end(self, alone: bool) -> None:
        self._watchdog.end(self.steady_time())

    def off_now(self) -> None:
        self._watchdog.end_at_once(self.steady_time())


main = main_of(JointWatchdog)
