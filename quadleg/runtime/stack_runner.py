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
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quadleg.errors import AlreadyRunning, RosMissing
from quadleg.hardware.pca9685 import PCA9685
from quadleg.kinematics.body_pose import stance_angles
from quadleg.middleware.ipc import READY
from quadleg.private_folder import locked, private_folder, stack_name
from quadleg.robot.model import RobotModel
from quadleg.runtime import node_table
from quadleg.runtime.supervisor import Child, ChildProcess, Supervisor
from quadleg.servos.board_kinds import open_board

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
    spread: str = "none"
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


class _SpawnedProcess:
    """A `ChildProcess` of this computer, whose line a selector watches."""

    def __init__(self, command: list[str], selector: selectors.BaseSelector, child: Child) -> None:
        self._line, theirs = socket.socketpair()
        self._process = subprocess.Popen(
            [*command, f"--parent={theirs.fileno()}"],
            pass_fds=[theirs.fileno()],
            start_new_session=True,
            stdin=subprocess.DEVNULL,
        )
        theirs.close()
        self._selector = selector
        selector.register(self._line, selectors.EVENT_READ, (child, self))

    def hear(self) -> bytes:
        """The child's word; empty when its line has ended."""
        try:
            return self._line.recv(1)
        except ConnectionResetError:  # it died with words unread
            return b""

    def tell(self, word: bytes) -> None:
        with suppress(OSError):
            self._line.send(word)

    def exit_code(self) -> int | None:
        return self._process.poll()

    def kill(self) -> None:
        self._process.kill()

    def hang_up(self) -> None:
        self._selector.unregister(self._line)
        self._line.close()


class Runner:
    """The parent of the graph's processes. `say` takes its sentences."""

    def __init__(self, plan: StackPlan, say: Callable[[str], None] = print) -> None:
        node_table.check_namespace(plan.namespace)
        self._plan = plan
        self._say = say
        self._memory = plan.board_memory()
        table = node_table.processes(plan.separate, plan.beside)
        self._supervisor = Supervisor(table, self._start, self._write_full_off, say)
        self._selector = selectors.DefaultSelector()

    def run(self) -> int:
        """Runs until the end is asked for and done; the exit code. Raises AlreadyRunning, RosMissing."""
        need_ros()
        supervisor = self._supervisor
        with self._only_one():
            for number in (signal.SIGINT, signal.SIGTERM):
                signal.signal(number, lambda *_: supervisor.interrupt())
            begun = time.monotonic()
            self._say_network()
            supervisor.begin()
            was_ready = False
            while supervisor.running:
                self._listen(0.01 if supervisor.leaving else 0.1)
                supervisor.tick(time.monotonic())
                if not was_ready and supervisor.all_ready:
                    was_ready = True
                    self._say_ready(time.monotonic() - begun)
            return supervisor.exit_code

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

    def _start(self, child: Child) -> ChildProcess:
        parameters = self._plan.parameters()
        own: dict[str, dict[str, Any]] = {
            node_table.SERVO_OUTPUT: {
                "board_memory": str(self._memory),
                "seed": self._plan.seed,
                "physics": self._plan.physics,
                "spread": self._plan.spread,
            },
            node_table.RECORDER: {"file": str(self._plan.record.absolute()) if self._plan.record else ""},
        }
        command = [
            sys.executable,
            "-m",
            "quadleg.runtime.stack_runner",
            f"--nodes={','.join(entry.name for entry in child.entries)}",
            f"--parameters={json.dumps({**parameters, **own.get(child.name, {})})}",
            f"--namespace={self._plan.namespace}",
            f"--params-file={self._plan.params_file or ''}",
        ]
        return _SpawnedProcess(command, self._selector, child)

    def _listen(self, seconds: float) -> None:
        """Hear what the children say, waiting for so long at most."""
        for key, _ in self._selector.select(seconds):
            child, process = key.data
            if process.hear() == READY:
                self._supervisor.is_ready(child)
            else:
                self._supervisor.line_ends(child, time.monotonic())

    def _write_full_off(self) -> None:
        robot = self._plan.robot.on_board(self._plan.board)
        with open_board(robot, stance_angles(robot, robot.resting), self._memory) as board:
            PCA9685(board, robot.board).all_off()


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
