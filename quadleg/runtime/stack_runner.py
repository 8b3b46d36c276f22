"""`quadleg run`: starts the processes of the graph, keeps them, and ends them in order.

The parent alone takes the terminal's signals. Each child lives in a session of its own and hears the
parent over a socket, whose end means that the parent died. The parent needs no ROS.
"""

from __future__ import annotations

import argparse
import json
import os
import selectors
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from quadleg.errors import AlreadyRunning, QuadlegError, RosMissing
from quadleg.hardware.pca9685 import PCA9685
from quadleg.kinematics.body_pose import stance_angles
from quadleg.middleware.ipc import END, OFF, READY
from quadleg.private_folder import locked, private_folder, stack_name
from quadleg.robot.model import RobotModel
from quadleg.runtime import node_table
from quadleg.servos.board_kinds import open_board

MOST_DEATHS = 3  # of one process
DEATHS_WITHIN = 20.0  # s
END_TIME = 25.0  # s that lowering and switching off may take before the children are ended hard
OFF_TIME = 2.0
LINGER_TIME = 5.0  # s that a process may take to end after its line has; then it is ended hard
KILL_TIME = 1.0  # s after a SIGKILL; what is still there waits for hardware in the kernel
FULL_OFF_TIME = 3.0  # that a board is tried for, where the parent has to switch the pulses off
SAID_READY = "ready after"


@dataclass(frozen=True)
class StackPlan:
    """What to run: the robot, the parameters that all nodes share, and how."""

    robot: RobotModel
    namespace: str = ""
    frame_prefix: str = ""
    board: str = ""
    rate_hz: float | None = None
    seed: int = 0
    separate: bool = False
    beside: Sequence[str] = ()
    record: Path | None = None
    physics: bool = False
    memory: Path | None = None
    params_file: Path | None = None

    def board_memory(self) -> Path:
        """Where the simulated board keeps its registers: one file a user, domain, namespace and robot."""
        return self.memory or self._file(f"{self.robot.name}.board")

    def lock(self) -> Path:
        """The file whose lock says that a stack runs under these names: one a user, domain and namespace."""
        return self._file("running.lock")

    def _file(self, name: str) -> Path:
        stack = stack_name(os.environ.get("ROS_DOMAIN_ID"), self.namespace)
        return Path(private_folder()) / f"{stack}-{name}"

    def parameters(self) -> dict[str, Any]:
        """The parameters that every node takes."""
        shared: dict[str, Any] = {"robot": str(self.robot.path), "frame_prefix": self.frame_prefix}
        if self.rate_hz:
            shared["rate_hz"] = float(self.rate_hz)
        if self.board:
            shared["board"] = self.board
        return shared


@dataclass
class Child:
    """One process of the graph, as its parent sees it."""

    name: str
    entries: Sequence[node_table.NodeEntry]
    process: subprocess.Popen[bytes] | None = None
    line: socket.socket | None = None
    line_ended: float | None = None  # when, by the steady clock (s)
    ready: bool = False
    was_ready: bool = False  # once in this run
    deaths: list[float] = field(default_factory=list)

    @property
    def needed(self) -> bool:
        """Whether the robot cannot do without it."""
        return any(entry in node_table.GRAPH for entry in self.entries)

    def hear(self) -> bytes:
        """The child's word; empty when its line has ended."""
        try:
            return self.line.recv(1) if self.line else b""
        except ConnectionResetError:  # it died with words unread
            return b""

    def tell(self, word: bytes) -> None:
        """Says a word to the child; one that died hears nothing."""
        if self.line:
            with suppress(OSError):
                self.line.send(word)


class Runner:
    """The parent of the graph's processes. `say` takes its sentences."""

    def __init__(self, plan: StackPlan, say: Callable[[str], None] = print) -> None:
        node_table.check_namespace(plan.namespace)
        self._plan = plan
        self._say = say
        self._memory = plan.board_memory()
        table = node_table.processes(plan.separate, plan.beside)
        self._children = [Child(name, entries) for name, entries in table.items()]
        self._selector = selectors.DefaultSelector()
        self._interrupts = 0
        self._ending_since: float | None = None
        self._exit_code = 0

    def run(self) -> int:
        """Runs until the end is asked for and done; the exit code. Raises AlreadyRunning, RosMissing."""
        need_ros()
        with self._only_one():
            for number in (signal.SIGINT, signal.SIGTERM):
                signal.signal(number, self._interrupt)
            begun = time.monotonic()
            self._say_network()
            for child in self._children:
                self._start(child)
            was_ready = False
            while any(child.process for child in self._children):
                self._look()
                if not was_ready and all(child.ready for child in self._children if child.needed):
                    was_ready = True
                    self._say_ready(time.monotonic() - begun)
            return self._exit_code

    # The parts of `run`

    @contextmanager
    def _only_one(self) -> Iterator[None]:
        with locked(str(self._plan.lock())) as free:
            if not free:
                raise AlreadyRunning(
                    "a robot already runs on this computer under the same ROS names; end that `quadleg run` first, "
                    "or give this one its own --namespace"
                )
            yield

    def _say_network(self) -> None:
        node_table.find_each_other_soon()
        if node_table.stay_local():
            self._say(f"ROS traffic stays on this computer; {node_table.DISCOVERY}=SUBNET opens it to the network")

    def _say_ready(self, seconds: float) -> None:
        height = 1000 * self._plan.robot.standing.height
        self._say(
            f"{SAID_READY} {seconds:.1f} s, and off: no servo is powered. "
            f"In another terminal: quadleg stand {height:.0f}. Here Ctrl-C lowers the robot and ends."
        )

    def _start(self, child: Child) -> None:
        ours, theirs = socket.socketpair()
        parameters = self._plan.parameters()
        own = {
            node_table.SERVO_OUTPUT: {
                "board_memory": str(self._memory),
                "seed": self._plan.seed,
                "physics": self._plan.physics,
            },
            node_table.RECORDER: {"file": str(self._plan.record.absolute()) if self._plan.record else ""},
        }.get(child.name, {})
        command = [
            sys.executable,
            "-m",
            "quadleg.runtime.stack_runner",
            f"--nodes={','.join(entry.name for entry in child.entries)}",
            f"--parent={theirs.fileno()}",
            f"--parameters={json.dumps({**parameters, **own})}",
            f"--namespace={self._plan.namespace}",
            f"--params-file={self._plan.params_file or ''}",
        ]
        child.process = subprocess.Popen(
            command, pass_fds=[theirs.fileno()], start_new_session=True, stdin=subprocess.DEVNULL
        )
        theirs.close()
        child.line, child.line_ended, child.ready = ours, None, False
        self._selector.register(ours, selectors.EVENT_READ, child)

    def _interrupt(self, *_: object) -> None:
        self._interrupts += 1

    def _look(self) -> None:
        leaving = any(child.line_ended is not None for child in self._children)
        for key, _ in self._selector.select(timeout=0.01 if leaving else 0.1):
            child: Child = key.data
            if child.hear() == READY:
                child.ready = child.was_ready = True
            else:
                self._close_line(child)
        for child in self._children:
            if child.line_ended is not None:
                self._see_out(child, child.line_ended)
        if self._interrupts and self._ending_since is None:
            self._end("ending: a robot that is powered is lowered first; Ctrl-C again switches off at once")
        if self._interrupts > 1:
            self._interrupts = 1
            self._say("switching off at once")
            self._off()
        if self._ending_since and time.monotonic() - self._ending_since > END_TIME:
            self._say(f"no orderly end within {END_TIME:g} s; switching off")
            self._off()

    def _end(self, why: str) -> None:
        self._say(why)
        self._ending_since = time.monotonic()
        for child in self._children:
            child.tell(END)

    def _off(self) -> None:
        """Tells all to switch off, and ends hard what does not obey."""
        for child in self._children:
            child.tell(OFF)
        deadline = time.monotonic() + OFF_TIME
        for child in self._children:
            if not child.process:
                continue
            try:
                child.process.wait(max(0.0, deadline - time.monotonic()))
            except subprocess.TimeoutExpired:
                self._end_hard(child)
                if child.name == node_table.SERVO_OUTPUT:
                    self._write_full_off()

    def _close_line(self, child: Child) -> None:
        assert child.line is not None
        self._selector.unregister(child.line)
        child.line.close()
        child.line, child.line_ended = None, time.monotonic()

    def _see_out(self, child: Child, since: float) -> None:
        """Buries a child without a line once it has ended; one that stays too long is ended hard."""
        assert child.process is not None
        if child.process.poll() is None:
            if time.monotonic() - since < LINGER_TIME:
                return
            self._end_hard(child)
        if child.process:
            self._bury(child)

    def _end_hard(self, child: Child) -> None:
        """SIGKILL. One that survives it is given up: it waits in the kernel, and nothing may wait for it."""
        assert child.process is not None
        child.process.kill()
        try:
            child.process.wait(KILL_TIME)
        except subprocess.TimeoutExpired:
            if child.line:
                self._close_line(child)
            child.process = child.line_ended = None
            self._exit_code = 1
            self._say(
                f"{child.name} does not end, not even by SIGKILL: it waits for hardware in the kernel. If a servo is "
                f"powered, open the supply's switch"
            )
            if self._ending_since is None:
                self._end("ending")

    def _bury(self, child: Child) -> None:
        """A child without a line has ended: it died, or it ended as it was told."""
        assert child.process is not None
        code = child.process.wait(0)
        child.process = child.line_ended = None
        if self._ending_since is not None:
            if code and child.name == node_table.SERVO_OUTPUT:
                self._write_full_off()
            return
        how = f"was ended by signal {-code}" if code < 0 else f"ended with exit code {code}"
        now = time.monotonic()
        child.deaths = [death for death in child.deaths if now - death < DEATHS_WITHIN] + [now]
        never_ready = not child.was_ready and code > 0
        if never_ready or len(child.deaths) > MOST_DEATHS:
            self._say(f"{child.name} {how} and will not start")
            if not child.needed:
                return
            if child.name == node_table.SERVO_OUTPUT:
                self._write_full_off()
            self._exit_code = 1
            self._end("ending")
            return
        self._say(f"{child.name} {how}; it is started again")
        self._start(child)

    def _write_full_off(self) -> None:
        robot = self._plan.robot.on_board(self._plan.board)
        deadline = time.monotonic() + FULL_OFF_TIME
        while True:
            try:
                with open_board(robot, stance_angles(robot, robot.resting), self._memory) as board:
                    PCA9685(board, robot.board).all_off()
            except QuadlegError as error:
                if time.monotonic() < deadline:
                    time.sleep(0.1)
                    continue
                self._say(
                    f"the pulses could not be switched off: {error}. If a servo is powered, open the supply's switch"
                )
            else:
                self._say("pulses switched off by the parent")
            return


def need_ros() -> None:
    """Raises RosMissing where rclpy does not import."""
    from importlib.util import find_spec

    if find_spec("rclpy") is None:
        raise RosMissing(
            "this needs ROS 2: source one (Jazzy or later), or `make demo` in the checkout installs it from "
            "wheels (x86-64 Linux, Python 3.10 to 3.13)"
        )


def child_main() -> int:
    """The process that a Runner starts."""
    parser = argparse.ArgumentParser()
    for name in ("nodes", "parent", "parameters", "namespace", "params-file"):
        parser.add_argument(f"--{name}")
    options = parser.parse_args()
    from quadleg.middleware.process_host import host

    parameters = json.loads(options.parameters)
    chosen = node_table.entries(options.nodes.split(","))
    makers = [lambda middleware, entry=entry: entry.make(middleware, parameters) for entry in chosen]
    args = ["--ros-args"]
    if options.namespace:
        args += ["-r", f"__ns:=/{options.namespace.strip('/')}"]
    if options.params_file:
        args += ["--params-file", options.params_file]
    return host(makers, args, socket.socket(fileno=int(options.parent)))


if __name__ == "__main__":
    sys.exit(child_main())
