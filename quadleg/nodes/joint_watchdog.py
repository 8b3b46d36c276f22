"""joint_watchdog: the only way from joint targets to the servos."""

from __future__ import annotations

from array import array
from math import isfinite, nan
from typing import Any

from diagnostic_msgs.msg import DiagnosticStatus
from sensor_msgs.msg import BatteryState, Imu
from std_msgs.msg import String
from std_srvs.srv import SetBool, Trigger
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from quadleg.estimation.tilt import Tilt
from quadleg.health import Health
from quadleg.middleware.interface import Middleware, RawMessage
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.process_host import main_of
from quadleg.middleware.status_topic import StatusPublisher, hear_status
from quadleg.middleware.topics import join_state, nanoseconds
from quadleg.nodes.imu_tilt import tilt_of
from quadleg.robot.model import JOINT_NAMES, MEASURED
from quadleg.robot.urdf import urdf
from quadleg.safety.idle_watch import default_idle_time
from quadleg.safety.joint_command import ALL, Command
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.output_supervisor import OutputState
from quadleg.safety.reason_codes import ReasonCode
from quadleg.safety.sentences import Reason
from quadleg.safety.state_machine import State
from quadleg.safety.watchdog import Watchdog
from quadleg.safety.watchdog_report import codes, figures, status

LEVELS = {
    State.FAULT: DiagnosticStatus.ERROR,
    State.HOLD: DiagnosticStatus.WARN,
}
NOT_MEASURED = -1.0  # a first covariance of -1 says so (REP-145)
REPEAT_PERIOD = 1.0  # s: listeners that take no latched messages have the state too
UNTOLD = Reason.of(ReasonCode.DEFECT, detail="servo_output tells no reason")
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
        idle = self.declare(
            "idle_time",
            -1.0,
            "Seconds of standing without a command until the robot lowers itself; 0: never; below 0: by the board",
            -1.0,
            86400.0,
        )
        idle = default_idle_time(self.robot.on_board(board)) if idle < 0 else idle
        self._watchdog = Watchdog(self.robot, period, self.steady_time(), idle)
        self._tilt = Tilt(self.robot)
        self._measured = False  # whether joint_states are
        self._announced: tuple[object, ...] = ()
        self._said: str | None = None
        self._urdf = urdf(self.robot)
        self._mismatch: Reason | None = None
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
        watchdog = self._watchdog
        following = watchdog.output_watch.state == OutputState.FOLLOWING
        return following and isfinite(watchdog.target_watch.age(self.steady_time()))

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
        point = self._message.points[0]
        if command.powered == ALL:
            self._message.joint_names = list(JOINT_NAMES)
            point.positions = array("d", command.angles)
        else:
            named = [i for i, powered in enumerate(command.powered) if powered]
            self._message.joint_names = [JOINT_NAMES[i] for i in named]
            point.positions = array("d", [command.angles[i] for i in named])
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
            message = raw.read()
            places = dict(zip(message.name, message.position))
            if all(isfinite(places.get(name, nan)) for name in JOINT_NAMES):
                self._watchdog.following.joints([places[name] for name in JOINT_NAMES], now)

    def _supply(self, message: BatteryState) -> None:
        drawn = 0.0 - message.current  # negative in the message; a mere minus would make a minus zero
        self._watchdog.supply(message.voltage, drawn, message.present, self.steady_time())

    def _imu(self, message: Imu) -> None:
        now = self.steady_time()
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
            self._mismatch = Reason.of(ReasonCode.ANOTHER_ROBOT, path=self.robot.path)
        self.say_health()

    def _enable(self, request: SetBool.Request) -> tuple[bool, str]:
        if request.data and self._mismatch:
            return False, str(Reason.of(ReasonCode.REFUSED, self._mismatch))
        done, answer = self._watchdog.enable(request.data, self.steady_time())
        self._say()
        return done, str(answer)

    def _reset(self, _: Trigger.Request) -> tuple[bool, str]:
        done, answer = self._watchdog.reset(self.steady_time())
        self._say()
        return done, str(answer)

    def _repeat(self) -> None:
        if self._said:
            self._state.publish(String(data=self._said))

    def _say(self) -> None:
        watchdog, now = self._watchdog, self.steady_time()
        told = codes(watchdog, now)
        if told == self._announced:
            return
        text = join_state(watchdog.state.value, watchdog.why)
        if not self._announced or self._announced[0] != watchdog.state:
            self.get_logger().info(text)
        self._announced, self._said = told, text
        self._state.publish(String(data=text))
        self._codes.publish(status(watchdog, now), LEVELS.get(watchdog.state, DiagnosticStatus.OK))
        self.say_health()

    def health(self) -> Health:
        watchdog, now = self._watchdog, self.steady_time()
        values = status(watchdog, now).values() | figures(watchdog, now) | {"imu_refused": self._tilt.refused}
        if self._mismatch:
            return Health(str(self._mismatch), values, DiagnosticStatus.ERROR)
        level = LEVELS.get(watchdog.state, DiagnosticStatus.OK)
        return Health(join_state(watchdog.state.value, watchdog.why), values, level)

    def end(self, alone: bool) -> None:
        self._watchdog.end(self.steady_time())

    def off_now(self) -> None:
        self._watchdog.end(self.steady_time())
        self._watchdog.off_now(Reason.of(ReasonCode.SWITCHED_OFF), self.steady_time())


main = main_of(JointWatchdog)
