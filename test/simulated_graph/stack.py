"""A whole stack in simulated time: its processes and their parent, on one simulated board whose every write is seen."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from math import inf
from pathlib import Path
from typing import Any

from quadleg.errors import QuadlegError
from quadleg.hardware.pca9685 import PCA9685
from quadleg.kinematics.body_pose import stance_angles
from quadleg.middleware.hosted_nodes import HostedNodes, ShutdownRequests
from quadleg.middleware.ipc import OFF
from quadleg.middleware.process_host import WAKE_PERIOD
from quadleg.middleware.simulated_bus import NetworkConditions, SimulatedBus
from quadleg.middleware.simulated_endpoints import ThreadEnded
from quadleg.middleware.simulated_middleware import SimulatedMiddleware
from quadleg.middleware.simulated_time import SimulatedTime
from quadleg.robot.model import SIMULATED, RobotModel
from quadleg.runtime.node_table import SERVO_OUTPUT, NodeEntry, processes
from quadleg.runtime.supervisor import Child, Supervisor
from quadleg.servos.board_kinds import BOARD_KINDS, SimulationOptions
from quadleg.servos.board_link import LONGEST_PAUSE
from simulated_graph.observed_board import BusFaults, ObservedBoard, ObservedKind, Write

START_TIME = (0.6, 2.5)  # s from a process's start to its nodes: imports, on the computer of the campaign
PARENT_PERIOD = 0.1  # s
LINE_DELAY = (1e-4, 2e-3)  # s that a word between parent and child takes


class SimulatedProcess:
    """One process of nodes: a `ChildProcess` of the parent."""

    def __init__(self, stack: SimulatedStack, child: Child) -> None:
        self._stack = stack
        self._child = child
        self._code: int | None = None
        self._nodes: list[Any] = []
        self._hosted: HostedNodes | None = None
        self._requests = ShutdownRequests()
        self._signalled = False
        self._chance = stack.bus.random_for(f"process {child.name}")
        self.name = child.name
        self.middleware = SimulatedMiddleware(stack.bus, child.name, stack.namespace)
        self.made_at = inf  # s, when its nodes were made
        stack.time.after(self._chance.uniform(*START_TIME), self._make)

    @property
    def alive(self) -> bool:
        """Whether it runs and is not frozen."""
        return self._code is None and self.middleware.frozen_until <= self._stack.time.steady

    def awake_since(self) -> float:
        """Since when (s) it has been running without a pause; infinite where it does not."""
        return max(self.made_at, self.middleware.frozen_until) if self._code is None else inf

    # What the parent does with it

    def tell(self, word: bytes) -> None:
        if word == OFF:
            self._stack.excuse("the parent switches off")
        self._when_awake(lambda: self._requests.hear(word))

    def exit_code(self) -> int | None:
        return self._code

    def kill(self) -> None:
        if self._code is None:
            self.middleware.kill()
            self._end(-9)

    def hang_up(self) -> None:
        """Nothing to close."""

    def parent_dies(self) -> None:
        """The line to it ends."""
        self._when_awake(self._requests.line_ends)

    def signal(self) -> None:
        """A SIGTERM to it alone; a second one switches off at once."""
        if self._signalled:
            self._stack.excuse("a second SIGTERM", inf)
        self._signalled = True
        self._when_awake(self._requests.signal)

    # Its life

    def _make(self) -> None:
        if self._code is not None:
            return
        if self.middleware.frozen_until > self._stack.time.steady:
            self._stack.time.at(self.middleware.frozen_until, self._make)
            return
        try:
            for entry in self._child.entries:
                self._nodes.append(entry.make(self.middleware, self._stack.parameters_of(entry)))
        except ThreadEnded:  # killed while it opened the board
            return
        except (QuadlegError, ValueError) as error:
            self._stack.log.append((self._stack.time.steady, "error", self.name, f"did not start: {error}"))
            self._end(2)
            return
        self.made_at = self._stack.time.steady
        self._hosted = HostedNodes(self._nodes, self._requests, self._say_ready)
        self.middleware.after_callback = self._look
        self._wake()

    def _wake(self) -> None:
        if self._code is None:
            self._stack.time.after(WAKE_PERIOD, self._wake)
            self.middleware.run_soon(lambda: None)

    def _look(self) -> None:
        assert self._hosted
        self._hosted.look()
        if self._hosted.finished:
            self.middleware.stop()
            for node in self._nodes:
                node.close()
            self.middleware.close()
            self._end(0)

    def _end(self, code: int) -> None:
        self._code = code
        self._stack.log.extend(self.middleware.log)
        self._later(lambda: self._stack.line_ends(self._child, self))

    def _say_ready(self) -> None:
        self._later(lambda: self._stack.is_ready(self._child))

    def _later(self, action: Callable[[], None]) -> None:
        self._stack.time.after(self._chance.uniform(*LINE_DELAY), action)

    def _when_awake(self, action: Callable[[], None]) -> None:
        self._stack.time.at(max(self.middleware.frozen_until, self._stack.time.steady), action)


@dataclass
class Excuse:
    """Why the power may be cut above the resting pose: from when until when (s)."""

    cause: str
    since: float
    until: float


@dataclass(frozen=True)
class StackOptions:
    """What runs: robot, control rate (Hz), whether each node has a process of its own, nodes `beside` the
    robot's own, nodes left out, further parameters by node."""

    robot: RobotModel
    rate: float = 50.0
    separate: bool = False
    beside: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    idle_time: float = 0.0
    conditions: NetworkConditions | None = None
    parameters: dict[str, dict[str, Any]] = field(default_factory=dict)


class SimulatedStack:
    """The processes of one robot and their parent; `run` lets time pass.

    `written` is called with each `Write` to the board. `excuses` say why power may be cut. Use it as a context manager:
    while it is open, the simulated board's kind is the observed one.
    """

    def __init__(self, options: StackOptions, seed: int, memory: Path) -> None:
        self.options = options
        self.robot = options.robot
        self.namespace = "/simulated"
        self.time = SimulatedTime()
        self.bus = SimulatedBus(self.time, seed, options.conditions)
        self.bus_faults = BusFaults()
        self.boards: list[ObservedBoard] = []
        self.log: list[tuple[float, str, str, str]] = []
        self.excuses: list[Excuse] = []
        self.written: Callable[[Write], None] = lambda _: None
        self.parent_frozen_until = self.time.steady
        self.parent_killed = self.interrupted = False
        self._seed = seed
        self._memory = memory
        self._rest = stance_angles(self.robot, self.robot.resting)
        self.eye = ObservedBoard(self, self._rest, SimulationOptions(memory, seed))
        self.processes: dict[str, SimulatedProcess] = {}
        self._table = self._left()
        self._homes = {entry.name: name for name, entries in self._table.items() for entry in entries}
        self.supervisor = self._parent()

    @contextmanager
    def running(self) -> Iterator[SimulatedStack]:
        """Run it from here on, until the end of the context."""
        kept = BOARD_KINDS[SIMULATED]
        BOARD_KINDS[SIMULATED] = ObservedKind(self)
        try:
            self.supervisor.begin()
            self._tick()
            yield self
        finally:
            BOARD_KINDS[SIMULATED] = kept
            for board in (*self.boards, self.eye):
                board.close()
            self._memory.unlink(missing_ok=True)

    def process_of(self, node: str) -> SimulatedProcess:
        """The process that a node lives in now; of a node that does not run, joint_watchdog's."""
        return self.processes[self._homes.get(node, self._homes["joint_watchdog"])]

    @property
    def levels_itself(self) -> bool:
        """Whether the body is levelled by the IMU. The simulated one does not feel it lean, so that it never rests."""
        return bool(self.robot.imu) and "state_estimator" not in self.options.without

    @property
    def now(self) -> float:
        """The steady clock (s)."""
        return self.time.steady

    def run(self, seconds: float) -> None:
        """Let so much time pass."""
        self.time.run(self.now + seconds)

    def parameters_of(self, entry: NodeEntry) -> dict[str, Any]:
        """The parameters of a node."""
        options = self.options
        shared = {"robot": str(self.robot.path), "rate_hz": options.rate, "idle_time": options.idle_time}
        if entry.name == SERVO_OUTPUT:
            shared |= {"board_memory": str(self._memory), "seed": self._seed}
        return {**shared, **options.parameters.get(entry.name, {})}

    def excuse(self, cause: str, seconds: float = 1.0) -> None:
        """From now on, and for so long, the power may be cut."""
        self.excuses.append(Excuse(cause, self.now, self.now + seconds))

    def excused(self, time: float) -> str:
        """Why the power may be cut at a time; empty where it may not."""
        return next((one.cause for one in self.excuses if one.since <= time <= one.until), "")

    def all_logs(self) -> list[tuple[float, str, str, str]]:
        """What nodes said so far, those of ended processes too: time (s), level, node, words."""
        running = [process for process in self.processes.values() if process.exit_code() is None]
        return sorted(self.log + [line for process in running for line in process.middleware.log])

    # The parent

    def restart_parent(self) -> None:
        """A person starts the stack anew, after its parent has ended."""
        self.parent_killed = self.interrupted = False
        self.supervisor = self._parent()
        self.supervisor.begin()
        self._tick()

    def kill_parent(self) -> None:
        """The parent is gone without a word; its children hear their lines end."""
        self.parent_killed = True
        for process in self.processes.values():
            process.parent_dies()

    def interrupt(self) -> None:
        """Ctrl-C at the parent's terminal; a second one switches off at once, or as soon as the bus lets it."""
        if self.interrupted:
            self.excuse("switched off by hand", self.bus_faults.lasts(self.now) + 2 * LONGEST_PAUSE)
        self.interrupted = True
        self.supervisor.interrupt()

    def _left(self) -> dict[str, tuple[NodeEntry, ...]]:
        """The processes with those of their nodes that are not left out."""
        whole = processes(self.options.separate, self.options.beside)
        left = {
            name: tuple(entry for entry in entries if entry.name not in self.options.without)
            for name, entries in whole.items()
        }
        return {name: entries for name, entries in left.items() if entries}

    def _parent(self) -> Supervisor:
        return Supervisor(self._table, self._start, self._full_off, self._say)

    def _tick(self) -> None:
        if self.parent_killed:
            return
        if self.parent_frozen_until <= self.now:
            self.supervisor.tick(self.now)
        if self.supervisor.running:
            self.time.after(PARENT_PERIOD, self._tick)

    def _start(self, child: Child) -> SimulatedProcess:
        process = self.processes[child.name] = SimulatedProcess(self, child)
        return process

    def is_ready(self, child: Child) -> None:
        """A child says that it is ready."""
        self._as_parent(lambda: self.supervisor.is_ready(child))

    def line_ends(self, child: Child, process: SimulatedProcess) -> None:
        """A child's line ends."""

        def hear() -> None:
            if child.process is process:
                self.supervisor.line_ends(child, self.now)

        self._as_parent(hear)

    def _as_parent(self, action: Callable[[], None]) -> None:
        if self.parent_killed:
            return
        self.time.at(max(self.parent_frozen_until, self.now), action)

    def _full_off(self) -> None:
        self.excuse("the parent writes full-off")
        board = ObservedBoard(self, self._rest, SimulationOptions(self._memory, self._seed))
        with board:
            PCA9685(board, self.robot.board).all_off()

    def _say(self, sentence: str) -> None:
        self.log.append((self.now, "info", "parent", sentence))
