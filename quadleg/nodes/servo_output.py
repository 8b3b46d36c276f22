"""servo_output: the one owner of the board; joint commands become bytes, the servos' angles joint states."""

from __future__ import annotations

from array import array
from typing import Any

from sensor_msgs.msg import JointState
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory

from quadleg.errors import OutputPathError
from quadleg.health import ERROR, WARN, Health
from quadleg.middleware.frame_latency import Latency
from quadleg.middleware.interface import Middleware
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.process_host import main_of
from quadleg.middleware.status_topic import StatusPublisher
from quadleg.middleware.topics import join_state, nanoseconds
from quadleg.nodes.sensor_publishers import SensorPublishers
from quadleg.nodes.servo_board import ServoBoard
from quadleg.robot.model import JOINT_NAMES, MEASURED
from quadleg.robot.urdf import fingerprint, urdf
from quadleg.safety.node_status import JOINTS_POWERED, NodeStatus
from quadleg.safety.output_loop import OutputLoop, level_of
from quadleg.safety.shared_output import OutputView
from quadleg.safety.stop_socket import StopSocket
from quadleg.safety.watchdog_report import ROBOT
from quadleg.servos.board_sensors import HeldJoints

REPEAT_PERIOD = 0.5  # s: a listener that was stalled, or was found late, has servo_state again


class ServoOutput(QuadlegNode):
    """Takes each command as it comes; two threads keep time and carry the frames, so that no clock waits for a bus."""

    sole_topics: tuple[str, ...] = ("joint_states", "servo_state")

    def __init__(
        self, middleware: Middleware, name: str = "servo_output", parameters: dict[str, Any] | None = None
    ) -> None:
        super().__init__(middleware, name, parameters)
        period = self.declare_period()
        self._board = ServoBoard(self)
        self.robot, link = self._board.robot, self._board.link
        self._loop = OutputLoop(self.robot, period, link, self.steady_time, self, self._board.hand)
        self._latency = Latency()
        self._states = self.advertise("joint_states")
        self._servo_state = self.advertise("servo_state")
        description = urdf(self.robot)
        self.advertise("robot_description").publish(String(data=description))
        self._figures = {"joint_angles": self._board.joint_angles, ROBOT: fingerprint(description)}
        self._codes = StatusPublisher(self)
        self._message = JointState(name=list(JOINT_NAMES))
        self._loop.say_state()
        self.listen("joint_commands", self._joint_commands)
        self.serve("emergency_stop", lambda _: self._loop.stop())
        self.every(REPEAT_PERIOD, self._loop.repeat_state)
        has_physics = self._board.has_physics
        self._states_by_physics = has_physics and self._board.joint_angles == MEASURED
        self._sensors = SensorPublishers(self, period, link.working_board, self._held, has_physics)
        self.sole_topics += self._sensors.topics
        if has_physics:
            self._board.start_physics(self._sensors, self._after_physics)
        else:
            self._sensors.start()
        self._loop.start(self.start_worker)
        self._stop_socket = self._open_stop_socket()

    def _open_stop_socket(self) -> StopSocket | None:
        if self.middleware.domain is None:
            return None
        warn = self.get_logger().warning
        try:
            return StopSocket(self.get_namespace(), self.middleware.domain, self._loop.stop, warn)
        except (OutputPathError, OSError) as error:
            warn(f"no stop socket, `quadleg stop` takes its time over ROS: {error}")
            return None

    def _joint_commands(self, message: JointTrajectory) -> None:
        points = [point.positions for point in message.points]
        if not self._loop.command(message.joint_names, points, nanoseconds(message.header.stamp)):
            self.say_health()

    # What the loop's threads tell

    def log(self, level: bytes, sentence: str) -> None:
        logger = self.get_logger()
        if level == ERROR:  # rclpy knows a line by its severity: each needs one of its own
            logger.error(sentence)
        elif level == WARN:
            logger.warning(sentence)
        else:
            logger.info(sentence)

    def publish_state(self, view: OutputView) -> None:
        self._servo_state.publish(String(data=join_state(view.state.value, str(view.reason))))
        figures = self._figures | {JOINTS_POWERED: str(sum(view.powered))}
        self._codes.publish(NodeStatus(view.state.value, view.reason, figures=figures), level_of(view))

    def frame_written(self, stamp: int | None) -> None:
        self._sensors.framed()
        if stamp is not None:
            self._latency.note(self.ros_time() - stamp)

    def publish_joints(self) -> None:
        if self._states_by_physics:
            return  # each of its frames is published once, with the stamp of that frame
        self._message.header.stamp = self.stamp()
        self._message.position = array("d", self._board.measured() or self._loop.modelled)
        self._states.publish(self._message)

    def ended(self) -> None:
        self.finished = True

    def _after_physics(self, physics: Any) -> None:
        if self._states_by_physics:
            self._message.header.stamp = physics.stamp
            self._message.position = array("d", physics.angles)
            self._message.effort = array("d", physics.torques)
            self._states.publish(self._message)

    def _held(self) -> HeldJoints:
        return HeldJoints(*self._loop.held, self._board.measured())

    def health(self) -> Health:
        sensors, hand = self._sensors.values(), self._board.hand
        values: dict[str, object] = {"joint_angles": self._board.joint_angles, **self._latency.figures(), **sensors}
        values["stop_socket"] = self._stop_socket.path if self._stop_socket else "none"
        if hand:
            values["power_up_movement_deg"] = f"{hand.power_up_movement:.2f}"
        return self._loop.health(values, str(sensors["sensor_trouble"]))

    def end(self, alone: bool) -> None:
        self._loop.end(alone)

    def off_now(self) -> None:
        self._loop.off_now()

    def close(self) -> None:
        if self._stop_socket:
            self._stop_socket.close()
        self._loop.close()
        self._sensors.close()
        self._board.close(orderly=self.finished)
        super().close()


main = main_of(ServoOutput)
