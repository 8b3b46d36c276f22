"""servo_output: the one owner of the board; joint commands become bytes, the servos' angles joint states."""

from __future__ import annotations

import threading
from array import array
from collections.abc import Sequence
from contextlib import suppress
from math import degrees
from pathlib import Path
from typing import Any

from diagnostic_msgs.msg import DiagnosticStatus
from sensor_msgs.msg import JointState
from std_msgs.msg import String
from std_srvs.srv import Trigger
from trajectory_msgs.msg import JointTrajectory

from quadleg.errors import (
    BoardError,
    OutputPathError,
    PowerLost,
    TargetError,
    Uncalibrated,
)
from quadleg.hardware.board import Board
from quadleg.health import Health
from quadleg.kinematics.body_pose import stance_angles
from quadleg.middleware.frame_latency import Latency
from quadleg.middleware.interface import Middleware
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.process_host import main_of
from quadleg.middleware.status_topic import StatusPublisher
from quadleg.middleware.topics import (
    join_state,
    nanoseconds,
)
from quadleg.nodes.sensor_publishers import SensorPublishers
from quadleg.robot.model import (
    JOINT_NAMES,
    MEASURED,
    MODELLED,
    SIMULATED,
    RobotModel,
)
from quadleg.robot.urdf import urdf
from quadleg.safety.joint_command import NONE, command_of
from quadleg.safety.joint_limits import JointLimits
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.output_supervisor import OutputState, OutputSupervisor
from quadleg.safety.reason_codes import ReasonCode
from quadleg.safety.sentences import Reason
from quadleg.safety.shared_output import OutputView, SharedOutput
from quadleg.safety.stop_socket import StopSocket
from quadleg.servos.board_kinds import board_kind, open_board
from quadleg.servos.board_link import BoardLink
from quadleg.servos.board_sensors import HeldJoints
from quadleg.servos.simulated_board import SimulatedBoard, placed_by_hand

REPEAT_PERIOD = 0.5  # s: a listener that was stalled, or was found late, has servo_state again
CHECK_PERIOD = 0.25  # s between looks at the chip where no frame changes
BUSY = 0.8  # share of a control period that a frame may take on its way to the board
STALLED = 0.1  # s that a frame may be on its way before the board counts as failing


class ServoOutput(QuadlegNode):
    """Takes each command as it comes. A thread with a steady clock of its own does what has to be done when none
    comes; another carries the frames, so that no clock waits for a bus. At most one frame waits, the newest.
    """

    sole_topics = ("joint_states", "servo_state")

    def __init__(
        self, middleware: Middleware, name: str = "servo_output", parameters: dict[str, Any] | None = None
    ) -> None:
        super().__init__(middleware, name, parameters)
        self._period = self.declare_period()
        memory = self.declare("board_memory", "", "File that is the simulated board's memory; empty: none")
        seed = self.declare("seed", 0, "Seed of the simulated servos' first places", 0, 2**31 - 1)
        board = self.declare("board", "", "What carries the bytes to the PWM board; empty: the robot file's kind")
        self.robot = _sound(self.robot.on_board(board))
        self._rest = stance_angles(self.robot, self.robot.resting)
        path = Path(memory) if memory else None
        self._link = BoardLink(self.robot, lambda: open_board(self.robot, self._rest, path, seed))
        physics = self._declare_physics()
        source = self.declare(
            "joint_angles", MEASURED if self.simulated else MODELLED, f"joint_states are {MEASURED} or {MODELLED}"
        )
        if source not in (MEASURED, MODELLED) or (source == MEASURED and not self.simulated):
            valid = f"{MEASURED} or {MODELLED}" if self.simulated else f"{MODELLED} on a board without feedback"
            raise ValueError(f"parameter joint_angles is '{source}'; it must be {valid}")
        self._joint_angles = source
        self._hand_seed = seed
        self._output = SharedOutput(OutputSupervisor(self.robot, self._period, self.steady_time(), self._link.found))
        self._limits = JointLimits(self.robot, self._period)
        self._modelled = list(self._output.view().angles)
        self._speech = threading.Lock()  # of servo_state: no older state is published after a newer one
        self._news = threading.Event()
        self._frame_news = threading.Event()
        self._pending_since: float | None = None
        self._written: tuple[tuple[float, ...], tuple[bool, ...]] | None = None
        self._said: tuple[OutputState, Reason] | None = None
        self._closed = False
        self._refusal: str | None = None
        self._refused = 0
        self._frames = 0
        self._said_trouble = False
        self._power_up = 0.0
        self._latency = Latency()
        self._states = self.advertise("joint_states")
        self._servo_state = self.advertise("servo_state")
        self._codes = StatusPublisher(self)
        self._description = self.advertise("robot_description")
        self._description.publish(String(data=urdf(self.robot)))
        self._message = JointState(name=list(JOINT_NAMES))
        self._say()
        self.listen("joint_commands", self._joint_commands)
        self.serve(Trigger, "emergency_stop", self._emergency_stop)
        self.every(REPEAT_PERIOD, self._repeat)
        self._sensors = SensorPublishers(self, self._period, self._working_board, self._held, physics is not None)
        self.sole_topics += self._sensors.topics
        self._physics = self._start_physics(physics, seed) if physics else None
        if not self._physics:
            self._sensors.start()
        self._threads = self._start_threads()
        self._stop_socket = self._open_stop_socket()

    def _start_threads(self) -> list[threading.Thread]:
        threads = [
            threading.Thread(target=target, name=target.__name__.strip("_"), daemon=True)
            for target in (self._keep_time, self._carry)
        ]
        for thread in threads:
            thread.start()
        return threads

    @property
    def simulated(self) -> SimulatedBoard | None:
        """The board, where it is the simulated one."""
        board = self._link.board
        return board if isinstance(board, SimulatedBoard) else None

    # A simulated body

    def _declare_physics(self) -> dict[str, float] | None:
        """The ground that a simulated body stands on, None where there is no body."""
        on = self.declare("physics", False, "Whether the simulated board moves a simulated body, by MuJoCo")
        ground = {
            "friction": self.declare("ground_friction", 0.8, "Friction between feet and simulated ground", 0.0, 2.0),
            "slope": self.declare(
                "ground_slope", 0.0, "Slope of the simulated ground, uphill ahead, in rad", -0.7, 0.7
            ),
            "roughness": self.declare("ground_roughness", 0.0, "Height of the simulated ground's bumps, m", 0.0, 0.1),
        }
        if on and not self.simulated:
            raise ValueError(
                f"parameter physics is true on a board of kind {self.robot.board.kind}; it must be false there, or "
                f"parameter board '{SIMULATED}'"
            )
        return ground if on else None

    def _start_physics(self, ground: dict[str, float], seed: int) -> Any:
        try:
            from quadleg.nodes.physics_board import PhysicsBoard
            from quadleg.simulation.ground import Ground
        except ImportError as error:
            raise ValueError(
                "parameter physics is true, which needs MuJoCo: pip install -e '.[sim]' in quadleg's folder"
            ) from error
        return PhysicsBoard(self, Ground(**ground), seed, lambda: self._link.board, self._sensors, self._after_physics)

    def _after_physics(self, physics: Any) -> None:
        if self._joint_angles == MEASURED:
            self._message.header.stamp = physics.stamp
            self._message.position = array("d", physics.angles)
            self._message.effort = array("d", physics.torques)
            self._states.publish(self._message)

    # What comes in, on the executor's thread

    def _joint_commands(self, message: JointTrajectory) -> None:
        points = [point.positions for point in message.points]
        try:
            command = command_of(message.joint_names, points, self._output.view().angles)
        except TargetError as error:
            self._refusal = f"command refused: {error}"
            self._refused += 1
            self.say_health()
            return
        self._refusal = None
        if self._output.follow(command, nanoseconds(message.header.stamp), self.steady_time()):
            self._send()
            self._frame_news.set()

    def _emergency_stop(self, _: Trigger.Request) -> tuple[bool, str]:
        return self._stop()

    # A stop, on the executor's thread or on the stop socket's

    def _open_stop_socket(self) -> StopSocket | None:
        warn = self.get_logger().warning
        try:
            return StopSocket(self.get_namespace(), self.middleware.domain, self._stop, warn)
        except (OutputPathError, OSError) as error:
            warn(f"no stop socket, `quadleg stop` takes its time over ROS: {error}")
            return None

    def _stop(self) -> tuple[bool, str]:
        """Stop of category 0: the state first, then the cut, so that no frame with power follows."""
        self._output.stop(Reason.of(ReasonCode.EMERGENCY_STOP), self.steady_time())
        cut = self._cut()
        self._say(again=True)
        if not cut:
            return False, f"{self._link.trouble}. The servos may be powered: open the switch in the servo supply NOW"
        return True, "pulses are off; `reset` and then `enable` start again"

    def _cut(self) -> bool:
        """Full-off, ahead of what is on its way; the carrying thread repeats it until the board takes it."""
        try:
            self._link.cut()
        except BoardError as error:
            self.get_logger().error(f"the pulses could not be switched off: {error}")
            return False
        finally:
            self._send()
        return True

    # The clock's thread

    def _keep_time(self) -> None:
        last = self.steady_time()
        while not self._closed:
            following = self._output.view().state is OutputState.FOLLOWING
            due = last + (1.5 if following else 1.0) * self._period
            self._news.wait(max(0.0, due - self.steady_time()))
            self._news.clear()
            last = self.steady_time()
            try:
                pending = self._pending_since
                if pending is not None and last - pending > STALLED and self._link.trouble is None:
                    self._note_failure(f"a frame is on its way for more than {STALLED:g} s", last)
                self._output.tick(last)
                self._say()
                self._send()
                self._publish_states()
            except Exception as error:
                self.say_defect(error)

    def _send(self) -> None:
        """Gives the carrying thread the output's frame, where it is another than the last one written."""
        view = self._output.view()
        if (view.angles, view.powered) == self._written:
            return
        if self._pending_since is None:
            self._pending_since = self.steady_time()
        self._frame_news.set()

    # The carrying thread

    def _carry(self) -> None:
        checked = 0.0
        while not (self._closed or self.finished):
            self._frame_news.wait(CHECK_PERIOD)
            self._frame_news.clear()
            try:
                cuts = self._link.cuts  # before the frame: a stop between the two leaves it without power or refused
                frame = self._output.next_frame()
                self._write(self._within_reach(frame.angles, frame.powered), frame.powered, cuts)
                self._sensors.framed()
                if frame.stamp is not None:
                    self._latency.note(self.ros_time() - frame.stamp)
                    self._news.set()  # joint_states now: what the servos do with the frame just written
                if self.steady_time() - checked > CHECK_PERIOD:
                    checked = self.steady_time()
                    self._link.check()
                self._note_success()
                # From here on no command powers a joint again.
                self.finished = frame.ending and not any(frame.powered)
            except PowerLost as error:
                self._note_power_lost(error)
            except BoardError as error:
                self._note_failure(str(error), self.steady_time())
            except Exception as error:
                self.say_defect(error)

    def _within_reach(self, angles: tuple[float, ...], powered: tuple[bool, ...]) -> tuple[float, ...]:
        """At most a frame's way from what was written: two commands may have come between two writes."""
        if self._written is None:
            return angles
        before = [w if on and was else a for a, on, w, was in zip(angles, powered, *self._written)]
        return self._limits.slow(before, angles)[0]

    def _write(self, angles: tuple[float, ...], powered: tuple[bool, ...], cuts: int) -> None:
        if (angles, powered) == self._written and self._link.trouble is None:
            self._pending_since = None
            return
        self._note_first_pulses(angles, powered)
        if not self._link.write(angles, powered, cuts):
            return
        self._pending_since = None
        self._written = (angles, powered)
        self._frames += 1
        for i, on in enumerate(powered):
            if on:
                self._modelled[i] = angles[i]

    def _note_success(self) -> None:
        self._output.board_takes(self.steady_time())
        if self._said_trouble:
            self.get_logger().info("the board takes frames again")
            self._said_trouble = False

    def _note_failure(self, why: str, now: float) -> None:
        def held(view: OutputView) -> Sequence[float | None]:
            written = self._written
            return [angle if on else None for angle, on in zip(*written)] if written else view.angles

        self._output.board_fails(why, held, now)
        if not self._said_trouble:
            self._said_trouble = True
            self.get_logger().error(f"the board fails: {why}")

    def _note_power_lost(self, error: PowerLost) -> None:
        self._pending_since = None
        self._written = None
        if self._output.power_lost(Reason.of(ReasonCode.BOARD_POWER_LOST, detail=error), self.steady_time()):
            self._say(again=True)
        else:
            self.get_logger().warning(f"{error}; no servo had power")

    def _note_first_pulses(self, angles: tuple[float, ...], powered: tuple[bool, ...]) -> None:
        before = self._written[1] if self._written else NONE
        simulated = self.simulated
        if simulated is None or not any(on and not was for on, was in zip(powered, before)):
            return
        if not any(before) and not any(simulated.powered()):
            # Who enables says by it that the legs are in the resting pose: a simulated hand put them there.
            placed = placed_by_hand(self.robot, self._rest, self._hand_seed)
            simulated.place(placed)
            if self._physics:
                self._physics.put_at_rest(placed)
            self._hand_seed += 1
            self._power_up = 0.0
        for at, to, on, was in zip(simulated.angles(), angles, powered, before):
            if on and not was:
                self._power_up = max(self._power_up, abs(to - at))

    def _publish_states(self) -> None:
        if self._physics and self._joint_angles == MEASURED:
            return  # each of its frames is published once, with the stamp of that frame
        self._message.header.stamp = self.stamp()
        angles: Sequence[float] = self._modelled
        simulated = self.simulated
        if simulated and self._joint_angles == MEASURED:
            with suppress(BoardError):  # closed, between a failure and its opening again
                angles = simulated.angles()
        self._message.position = array("d", angles)
        self._states.publish(self._message)

    # What the sensors need to know

    def _working_board(self) -> Board | None:
        """The board, None while it fails: whoever wants it back needs the bus for himself."""
        return None if self._link.trouble else self._link.board

    def _held(self) -> HeldJoints:
        view = self._output.view()
        angles, powered = self._written or (view.angles, view.powered)
        simulated = self.simulated
        if simulated and self._joint_angles == MEASURED:
            with suppress(BoardError):  # closed, between a failure and its opening again
                return HeldJoints(angles, powered, simulated.angles())
        return HeldJoints(angles, powered, None)

    # What it says

    def _say(self, again: bool = False) -> None:
        with self._speech:
            view = self._output.view()
            told = view.state, view.reason
            if again or told != self._said:
                self._said = told
                text = join_state(view.state.value, str(view.reason))
                self._servo_state.publish(String(data=text))
                status = NodeStatus(view.state.value, view.reason, figures={"joint_angles": self._joint_angles})
                self._codes.publish(status, self._level(view))

    def _repeat(self) -> None:
        # A stop is said once: said again after a reset it would be a new fault.
        if self._output.view().state is not OutputState.STOPPED:
            self._say(again=True)

    def health(self) -> Health:
        view, latency = self._output.view(), self._latency.figures()
        values: dict[str, object] = {
            "servo_state": view.state.value,
            "joint_angles": self._joint_angles,
            "board": self.robot.board.kind,
            "board_was": "running" if self._link.found else "off",
            "joints_powered": sum(view.powered),
            "frames_written": self._frames,
            "commands_refused": self._refused,
            "commands_slowed": view.slowed,
            "board_errors": self._link.errors,
            "frame_messages": self._link.messages,
            "frame_to_board_ms": f"{1000 * self._link.seconds:.2f}",
            "board_trouble": self._board_trouble(),
            "stop_socket": self._stop_socket.path if self._stop_socket else "none",
            **latency,
            **self._sensors.values(),
        }
        if self.simulated:
            values["power_up_movement_deg"] = f"{degrees(self._power_up):.2f}"
        troubles = {
            "board_fails" if self._link.trouble else "board_slow": str(values["board_trouble"]),
            "command_refused": self._refusal or "",
            "sensor_trouble": str(values["sensor_trouble"]),
        }
        complaints = {code: sentence for code, sentence in troubles.items() if sentence}
        if complaints:
            level = DiagnosticStatus.ERROR if self._link.trouble else DiagnosticStatus.WARN
            return Health("; ".join(complaints.values()), values, level, complaints=complaints)
        return Health(join_state(view.state.value, str(view.reason)), values, self._level(view))

    @staticmethod
    def _level(view: OutputView) -> bytes:
        level: bytes = DiagnosticStatus.OK if view.state is OutputState.FOLLOWING else DiagnosticStatus.WARN
        return level

    def _board_trouble(self) -> str:
        """What keeps the board from taking frames in time, in words; empty where nothing does."""
        if self._link.trouble:
            return f"the board fails: {self._link.trouble}"
        if self._link.seconds <= BUSY * self._period:
            return ""
        takes, period = 1000 * self._link.seconds, 1000 * self._period
        slow = f"a frame takes {takes:.1f} ms on its way to the board, and a control period is {period:.1f} ms"
        if board_kind(self.robot.board.kind).shows_bus_speed:
            speed, wanted = self._link.bus_speed / 1000, self.robot.board.bus_speed / 1000
            slow += f"; the bus runs at about {speed:.0f} kHz, the robot file says {wanted:.0f}"
        return f"{slow}: raise the speed of the bus or port in the computer's settings, or lower control.rate_hz"

    # The end

    def end(self, alone: bool) -> None:
        self._output.end(alone, self.steady_time())

    def off_now(self) -> None:
        self._output.end_now(self.steady_time())
        self._cut()

    def close(self) -> None:
        if self._stop_socket:
            self._stop_socket.close()
        self._closed = True
        self._news.set()
        self._frame_news.set()
        for thread in self._threads:
            thread.join()
        self._sensors.close()
        if self._physics:
            self._physics.close()
        simulated = self.simulated
        if self.finished and simulated:
            simulated.remove()
        else:
            self._link.close()
        super().close()


def _sound(robot: RobotModel) -> RobotModel:
    """The robot, on a real board calibrated. Raises Uncalibrated."""
    if not robot.board.simulated and robot.uncalibrated:
        raise Uncalibrated(robot.path, robot.uncalibrated)
    return robot


main = main_of(ServoOutput)
