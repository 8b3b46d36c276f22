"""The simulated board of a stack: its every write is seen, its wires fail as they are told to, transfers take time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf
from typing import TYPE_CHECKING

from board_eye import BoardEye

from quadleg.errors import BoardError
from quadleg.hardware.board import Board, always
from quadleg.robot.model import Angles, RobotModel
from quadleg.runtime.node_table import SERVO_OUTPUT
from quadleg.servos.board_kinds import BoardKind, SimulationOptions
from quadleg.servos.simulated_board import SimulatedBoard

if TYPE_CHECKING:
    from simulated_graph.stack import SimulatedStack

# s that a transfer takes: some 50 bytes of 9 clocks at 400 kHz, and the kernel's way there and back
TRANSFER_TIME = (3e-4, 2e-3)
STUCK_TIME = 1.0  # s that a transfer on a stuck bus takes to fail: the kernel's time-out of an I2C adapter

Held = tuple["float | None", ...]  # the angle of each joint's pulse in rad, None where it has none


@dataclass
class BusFaults:
    """What is wrong with the wires to the board, until when (s)."""

    broken_until: float = -inf
    stuck_until: float = -inf
    refused: int = 0  # transfers with the PWM chip that get no acknowledge
    failed_at: float = -inf  # when one failed last
    failing_since: float = inf  # when the first failed since one came through

    def lasts(self, now: float) -> float:
        """For how long (s) from now on no transfer comes through."""
        return max(0.0, self.broken_until - now, self.stuck_until - now)

    def clear(self) -> None:
        """Nothing, from now on."""
        self.broken_until = self.stuck_until = -inf
        self.refused = 0


@dataclass(frozen=True)
class Write:
    """One write to the board: when (s), what the pulses were before and after, and how high the body was (m)."""

    time: float
    before: Held
    after: Held
    height: float


class ObservedBoard(SimulatedBoard):
    """A simulated board that tells `stack` of each write, and fails as `stack.bus_faults` has it. Each transfer keeps
    the thread that asked for it waiting, by `wait`."""

    def __init__(
        self,
        stack: SimulatedStack,
        rest: Angles,
        simulation: SimulationOptions,
        wait: Callable[[float], None] = lambda _: None,
    ) -> None:
        self._stack = stack
        self._wait = wait
        self._chance = stack.bus.random_for("transfers")
        super().__init__(stack.robot, rest, simulation.memory, simulation.seed, stack.time.steady_time)
        self._eye = BoardEye(stack.robot, self)

    def held(self) -> Held:
        """What the registers say of the twelve joints."""
        return self._eye.held()

    def height(self) -> float:
        """How high the body is over its lowest foot (m), by the servos' true angles."""
        return self._eye.height()

    def write(self, *messages: bytes, valid: Callable[[], bool] = always) -> None:
        self._fail_as_told()
        before, height = self.held(), self.height()
        super().write(*messages, valid=valid)
        self._stack.written(Write(self._stack.time.steady, before, self.held(), height))
        self._transfer()

    def remove(self) -> None:
        """Close it; the chip itself outlives every process, as a real one does."""
        self.close()

    def read(self, register: int, count: int) -> bytes:
        self._fail_as_told()
        found = super().read(register, count)
        self._transfer()
        return found

    def write_to(self, address: int, messages: Sequence[bytes]) -> None:
        self._fail_as_told(chip=False)
        super().write_to(address, messages)
        self._transfer()

    def read_from(self, address: int, register: int, count: int) -> bytes:
        self._fail_as_told(chip=False)
        found = super().read_from(address, register, count)
        self._transfer()
        return found

    def _transfer(self) -> None:
        self._wait(self._chance.uniform(*TRANSFER_TIME))

    def _fail_as_told(self, chip: bool = True) -> None:
        """`chip`: it is the PWM chip that is spoken to, and not a sensor on the same bus."""
        faults = self._stack.bus_faults
        found = self._fault()
        if not found and chip and faults.refused:
            faults.refused -= 1
            found = "no acknowledge"
        if found:
            faults.failed_at = self._stack.time.steady
            faults.failing_since = min(faults.failing_since, faults.failed_at)
            raise BoardError(found, "check the wiring")
        if chip:
            faults.failing_since = inf

    def _fault(self) -> str:
        faults, now = self._stack.bus_faults, self._stack.time.steady
        if now < faults.stuck_until:
            self._wait(STUCK_TIME)
            return "the bus is stuck: SDA is low"
        if now < faults.broken_until:
            return "no answer: a wire is broken"
        return ""


class ObservedKind(BoardKind):
    """The simulated board's entry of the table of kinds while a stack runs."""

    words = "a simulated board that is watched"

    def __init__(self, stack: SimulatedStack) -> None:
        self._stack = stack

    def open(self, robot: RobotModel, rest: Angles, simulation: SimulationOptions) -> Board:
        process = self._stack.processes[SERVO_OUTPUT].middleware
        board = ObservedBoard(self._stack, rest, simulation, process.wait)
        self._stack.boards.append(board)
        return board
