"""servo_output: the one owner of the board; joint commands become bytes, the servos' angles joint states."""

from __future__ import annotations

import threading
import time
from array import array
from dataclasses import replace
from math import degrees
from pathlib import Path
from typing import Any

from diagnostic_msgs.msg import DiagnosticStatus
from sensor_msgs.msg import JointState
from std_msgs.msg import String
from std_srvs.srv import Trigger
from trajectory_msgs.msg import JointTrajectory

from quadleg.errors import BadTarget, BoardError
from quadleg.kinematics.body import stance_angles
from quadleg.nodes.base import Health, QuadlegNode
from quadleg.nodes.host import main_of
from quadleg.nodes.latency import Latency
from quadleg.nodes.topics import JOINT_STATES, LATCHED, LATEST, join_state, nanoseconds
from quadleg.robot.model import JOINT_NAMES
from quadleg.robot.urdf import urdf
from quadleg.safety.commands import NONE, command_of
from quadleg.safety.output import Output, OutputState
from quadleg.servos.bank import ServoBank
from quadleg.servos.boards import open_board
from quadleg.servos.pca9685 import PCA9685
from quadleg.servos.simulated import SimulatedBoard, placed_by_hand

REPEAT_PERIOD = 0.5  # s: a listener that was stalled, or was found late, has servo_state again
MEASURED, MODELLED = "measured", "modelled"


class ServoOutput(QuadlegNode):
    """Writes each command as it comes, from a thread with a steady clock of its own that also does
    what has to be done when no command comes."""

    sole_topics = ("joint_states", "servo_state")

    def __init__(self, name: str = "servo_output", parameters: dict[str, Any] | None = None) -> None:
        super().__init__(name, parameters)
        self._period = self.declare_period()
        memory = self.declare("board_memory", "", "File that is the simulated board's memory; empty: none")
        seed = self.declare("seed", 0, "Seed of the simulated servos' first places", 0, 2**31 - 1)
        board = self.declare("board", "", "What carries the bytes to the PWM board; empty: the robot file's kind")
        if board:
            self.robot = replace(self.robot, board=replace(self.robot.board, kind=board))
        self._rest = stance_angles(self.robot, self.robot.resting)
        self._board = open_board(self.robot, self._rest, Path(memory) if memory else None, seed)
        self._simulated = self._board if isinstance(self._board, SimulatedBoard) else None
        source = self.declare(
            "joint_angles", MEASURED if self._simulated else MODELLED, f"joint_states are {MEASURED} or {MODELLED}"
        )
        if source not in (MEASURED, MODELLED) or (source == MEASURED and not self._simulated):
            valid = f"{MEASURED} or {MODELLED}" if self._simulated else f"{MODELLED} on a board without feedback"
            raise ValueError(f"parameter joint_angles is '{source}'; it must be {valid}")
        self._measured = self._simulated if source == MEASURED else None
        self._hand_seed = seed
        chip = PCA9685(self._board, self.robot.board)
        running = self._found_running = chip.start()
        self._bank = ServoBank(self.robot, chip)
        found = self._bank.read_back() if running else None
        self._output = Output(self.robot, self._period, time.monotonic(), found)
        self._modelled = list(self._output.angles)
        self._lock = threading.Lock()
        self._news = threading.Event()
        self._stamp: int | None = None
        self._written: tuple[object, ...] | None = None
        self._said: str | None = None
        self._ending = False
        self._closed = False
        self._refusal: str | None = None
        self._refused = 0
        self._trouble: str | None = None
        self._frames = 0
        self._board_errors = 0
        self._power_up = 0.0
        self._latency = Latency()
        self._states = self.create_publisher(JointState, "joint_states", JOINT_STATES)
        self._servo_state = self.create_publisher(String, "servo_state", LATCHED)
        self._description = self.create_publisher(String, "robot_description", LATCHED)
        self._description.publish(String(data=urdf(self.robot)))
        self._message = JointState(name=list(JOINT_NAMES))
        self._say()
        self.subscribe(JointTrajectory, "joint_commands", self._joint_commands, LATEST)
        self.serve(Trigger, "emergency_stop", self._emergency_stop)
        self.every(REPEAT_PERIOD, self._repeat)
        self._thread = threading.Thread(target=self._run, name="board", daemon=True)
        self._thread.start()

    # What comes in, on the executor's thread

    def _joint_commands(self, message: JointTrajectory) -> None:
        points = [point.positions for point in message.points]
        try:
            command = command_of(message.joint_names, points, self._output.angles)
        except BadTarget as error:
            self._refusal = f"command refused: {error}"
            self._refused += 1
            self.say_health()
            return
        self._refusal = None
        with self._lock:
            followed = self._output.command(command, time.monotonic())
            self._stamp = nanoseconds(message.header.stamp)
        if followed:
            self._news.set()

    def _emergency_stop(self, _: Trigger.Request) -> tuple[bool, str]:
        with self._lock:
            self._cut()
            self._output.stop("emergency stop", time.monotonic())
            self._said = None
            self._say()
        return True, "pulses are off; `reset` and then `enable` start again"

    def _cut(self) -> None:
        """Writes full-off; the writing thread repeats it for as long as the board does not take it."""
        self._written = None
        try:
            self._bank.all_off()
        except BoardError as error:
            self._say_trouble(error)

    # The writing thread

    def _run(self) -> None:
        last = time.monotonic()
        while not self._closed:
            following = self._output.state is OutputState.FOLLOWING
            due = last + (1.5 if following else 1.0) * self._period
            commanded = self._news.wait(max(0.0, due - time.monotonic()))
            self._news.clear()
            last = time.monotonic()
            try:
                with self._lock:
                    self._output.tick(last)
                    self._write(commanded)
                    self._say()
                self._publish_states()
            except Exception as error:
                self._say_defect(error)
            if self._ending and not any(self._output.powered):
                self.finished = True

    def _write(self, commanded: bool) -> None:
        angles, powered = self._output.angles, self._output.powered
        frame = (angles, powered)
        if frame != self._written:
            self._note_first_pulses(angles, powered)
            try:
                self._bank.write(angles, powered)
            except BoardError as error:
                self._say_trouble(error)
                return
            self._trouble = None
            self._written = frame
            self._frames += 1
            for i, on in enumerate(powered):
                if on:
                    self._modelled[i] = angles[i]
        if commanded and self._stamp is not None:
            self._latency.note(self.get_clock().now().nanoseconds - self._stamp)

    def _note_first_pulses(self, angles: tuple[float, ...], powered: tuple[bool, ...]) -> None:
        before = self._written[1] if self._written else NONE
        if self._simulated is None or not any(on and not was for on, was in zip(powered, before)):
            return
        if not any(before):
            # Who enables says by it that the legs are in the resting pose: a simulated hand put them there.
            self._simulated.place(placed_by_hand(self.robot, self._rest, self._hand_seed))
            self._hand_seed += 1
            self._power_up = 0.0
        for at, to, on, was in zip(self._simulated.angles(), angles, powered, before):
            if on and not was:
                self._power_up = max(self._power_up, abs(to - at))

    def _publish_states(self) -> None:
        self._message.header.stamp = self.get_clock().now().to_msg()
        angles = self._measured.angles() if self._measured else self._modelled
        self._message.position = array("d", angles)
        self._states.publish(self._message)

    # What it says

    def _say(self) -> None:
        text = join_state(self._output.state.value, self._output.why)
        if text != self._said:
            self._said = text
            self._servo_state.publish(String(data=text))

    def _repeat(self) -> None:
        with self._lock:
            # A stop is said once: said again after a reset it would be a new fault.
            if self._output.state is not OutputState.STOPPED:
                self._said = None
                self._say()

    def _say_trouble(self, error: BoardError) -> None:
        self._board_errors += 1
        if self._trouble is None:
            self.get_logger().error(f"the board fails: {error}")
        self._trouble = str(error)

    def health(self) -> Health:
        with self._lock:
            latency = self._latency.figures()
        values: dict[str, object] = {
            "servo_state": self._output.state.value,
            "joint_angles": MEASURED if self._measured else MODELLED,
            "board_was": "running" if self._found_running else "off",
            "joints_powered": sum(self._output.powered),
            "frames_written": self._frames,
            "commands_refused": self._refused,
            "commands_slowed": self._output.slowed,
            "board_errors": self._board_errors,
            **latency,
        }
        if self._simulated:
            values["power_up_movement_deg"] = f"{degrees(self._power_up):.2f}"
        if self._trouble:
            return Health(self._trouble, values, DiagnosticStatus.ERROR)
        if self._refusal:
            return Health(self._refusal, values, DiagnosticStatus.WARN)
        level = DiagnosticStatus.OK if self._output.state is OutputState.FOLLOWING else DiagnosticStatus.WARN
        return Health(join_state(self._output.state.value, self._output.why), values, level)

    # The end

    def end(self, alone: bool) -> None:
        with self._lock:
            self._ending = True
            if alone:
                self._output.lower("servo_output is ending", time.monotonic())

    def off_now(self) -> None:
        with self._lock:
            self._ending = True
            self._cut()
            self._output.off("switched off at once", time.monotonic())

    def close(self) -> None:
        self._closed = True
        self._news.set()
        self._thread.join()
        if self.finished and self._simulated:
            self._simulated.remove()
        else:
            self._board.close()
        super().close()


main = main_of(ServoOutput)
