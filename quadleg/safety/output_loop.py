"""servo_output without ROS: commands and stops come from any thread, one thread keeps time, one writes frames."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from threading import Lock
from typing import Any, Protocol

from quadleg.cautions import MAY_BE_POWERED
from quadleg.errors import TargetError
from quadleg.health import ERROR, OK, WARN, Health
from quadleg.robot.model import RobotModel
from quadleg.safety.catalogue import Reason
from quadleg.safety.frame_writer import CHECK_PERIOD, FrameWriter
from quadleg.safety.joint_command import command_of
from quadleg.safety.node_status import JOINTS_POWERED
from quadleg.safety.output_supervisor import OutputState, OutputSupervisor
from quadleg.safety.reason_codes import ReasonCode
from quadleg.safety.shared_output import OutputView, SharedOutput
from quadleg.servos.board_link import BoardLink
from quadleg.servos.simulated_hand import SimulatedHand

PATIENCE = 1.5  # control periods from a command to the next tick, while following: a frame is due before


class OutputListener(Protocol):
    """Callbacks, from any thread."""

    def log(self, level: bytes, sentence: str) -> None:
        """A level of health.py and what a person should know."""

    def publish_state(self, view: OutputView) -> None:
        """The state, or its reason, is another now, or is to be said again."""

    def publish_joints(self) -> None:
        """A control period is over, or a command's frame is written."""

    def frame_written(self, stamp: int | None) -> None:
        """A frame is on the board, the first to carry the command with this stamp (ns), if any."""

    def ended(self) -> None:
        """Called in a shutdown, once no joint gets power any more."""


class OutputLoop:
    """The supervised output of one board, at one control period (s).

    `start_worker` starts a thread as middleware/interface.py has it, `clock` gives s of a steady clock.
    """

    def __init__(
        self,
        robot: RobotModel,
        period: float,
        link: BoardLink,
        clock: Callable[[], float],
        listener: OutputListener,
        hand: SimulatedHand | None = None,
    ) -> None:
        self._robot = robot
        self._period = period
        self._link = link
        self._clock = clock
        self._listener = listener
        self._output = SharedOutput(OutputSupervisor(robot, period, clock(), link.found))
        self._frames = FrameWriter(robot, period, self._output, link, clock, self, hand)
        self._timer: Any = None
        self._carrier: Any = None
        self._refusal, self._refused = "", 0
        self._speech = Lock()  # no older state is published after a newer one
        self._said: tuple[object, ...] = ()

    def start(self, start_worker: Callable[..., Any]) -> None:
        """Keep time and carry frames from here on."""
        self._timer = start_worker("clock", self._keep_time, self._period)
        self._carrier = start_worker("carrier", self._carry)

    @property
    def view(self) -> OutputView:
        return self._output.view()

    @property
    def modelled(self) -> Sequence[float]:
        """Where the servos were sent last (rad)."""
        return self._frames.modelled

    @property
    def held(self) -> tuple[Sequence[float], Sequence[bool]]:
        """The angles (rad) that the servos were sent to, and which have power."""
        return self._frames.held

    # From any thread

    def command(self, names: Sequence[str], points: Sequence[Sequence[float]], stamp: int) -> bool:
        """Take a command with its stamp (ns) as it came; whether it could be used; else it is refused."""
        try:
            command = command_of(names, points, self.view.angles)
        except TargetError as error:
            self._refusal = str(error)
            self._refused += 1
            return False
        self._refusal = ""
        if self._output.follow(command, stamp, self._clock()):
            self._frames.has_news()
            self._carrier.wake()
        return True

    def stop(self) -> tuple[bool, str]:
        """Stop of category 0: the state first, then the cut, so that no frame with power follows."""
        self._output.stop(Reason.of(ReasonCode.EMERGENCY_STOP), self._clock())
        trouble = self._cut()
        self.say_state(again=True)
        if trouble:
            return False, f"{trouble}. {MAY_BE_POWERED}"
        return True, "pulses are off; `reset` and then `enable` start again"

    def say_state(self, again: bool = False) -> None:
        """Have the state published, where it or the power is another than last said, or is to be said `again`."""
        with self._speech:
            view = self.view
            told = view.state, view.reason, any(view.powered)
            if again or told != self._said:
                self._said = told
                self._listener.publish_state(view)

    def repeat_state(self) -> None:
        """Have it published again, but for a stop: said again after a reset it would be a new fault."""
        if self.view.state is not OutputState.STOPPED:
            self.say_state(again=True)

    def log(self, level: bytes, sentence: str) -> None:
        """What a person should know of the board, with a level of health.py."""
        self._listener.log(level, sentence)

    def end(self, alone: bool) -> None:
        """Begin the end; `alone`: no watchdog was told, so lower the robot."""
        self._output.end(alone, self._clock())

    def off_now(self) -> None:
        self._output.end_now(self._clock())
        self._cut()

    def _cut(self) -> str:
        trouble = self._frames.cut()
        self._send()
        return trouble

    def close(self) -> None:
        self._timer.close()
        self._carrier.close()

    # The thread that keeps time

    def _keep_time(self, _: bool) -> float:
        now = self._clock()
        self._frames.check_stall(now)
        self._output.tick(now)
        self.say_state()
        self._send()
        self._listener.publish_joints()
        following = self.view.state is OutputState.FOLLOWING
        return now + (PATIENCE if following else 1.0) * self._period - self._clock()

    def _send(self) -> None:
        if self._frames.has_news():
            self._carrier.wake()

    # The thread that carries the frames

    def _carry(self, _: bool) -> float | None:
        self._frames.write()
        if not self._frames.ended:
            return CHECK_PERIOD
        self._listener.ended()
        return None

    def frame_written(self, stamp: int | None) -> None:
        self._listener.frame_written(stamp)
        if stamp is not None:
            self._timer.wake()  # joint states now: what the servos do with the frame just written

    # How it is

    def health(self, values: dict[str, object], trouble: str) -> Health:
        """How the output is, with more figures and the trouble of what else is on the bus."""
        view, board = self.view, self._frames.board_trouble
        values = {
            "servo_state": view.state.value,
            "board": self._robot.board.kind,
            "board_was": "running" if self._link.found else "off",
            JOINTS_POWERED: sum(view.powered),
            "frames_written": self._frames.written,
            "commands_refused": self._refused,
            "commands_slowed": view.slowed,
            "board_errors": self._link.errors,
            "frame_messages": self._link.messages,
            "frame_to_board_ms": f"{1000 * self._link.seconds:.2f}",
            "board_trouble": board,
        } | values
        troubles = {
            ReasonCode.BOARD_FAILS: self._link.trouble,
            ReasonCode.BOARD_SLOW: "" if self._link.trouble else board,
            ReasonCode.COMMAND_REFUSED: self._refusal,
            ReasonCode.SENSOR_TROUBLE: trouble,
        }
        notices = tuple(Reason.of(code, detail=detail) for code, detail in troubles.items() if detail)
        if notices:
            return Health("", values, ERROR if self._link.trouble else WARN, notices=notices)
        return Health(f"{view.state.value}: {view.reason}", values, level_of(view))


def level_of(view: OutputView) -> bytes:
    """The level of health.py of a state."""
    return OK if view.state is OutputState.FOLLOWING else WARN
