"""How long an emergency stop takes: from `quadleg stop` being started, as by Enter, to a board without a pulse.

    python -m quadleg.benchmarks.stop_timing --runs 50 [--busy]

The pulses are judged by the register memory of the simulated board, looked at every 2 ms; twelve joints have power
before each stop. With `--busy` as many processes as there are processors do nothing but count meanwhile.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

from quadleg.benchmarks.graph_timing import RATE_HZ, namespace, running_graph, started
from quadleg.client import Robot
from quadleg.errors import QuadlegError, Refused, StackNotFound
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot
from quadleg.runtime import node_table
from quadleg.servos.simulated_board import SimulatedBoard

RUNS = 5
LOOK_PERIOD = 0.002  # s between looks at the board
POWER_WITHIN = 30.0  # s, twelve first pulses take 2.4 s
STOP_WITHIN = 30.0


def measure(runs: int = RUNS, busy: bool = False) -> list[float]:
    """Return the times of so many stops in s. Needs ROS. Raises QuadlegError where one is not done."""
    node_table.stay_local()
    node_table.find_each_other_soon()
    robot = load_robot(find_robot(DEFAULT_ROBOT))
    rest = stance_angles(robot, robot.resting)
    with ExitStack() as stack:
        folder = Path(stack.enter_context(TemporaryDirectory()))
        commands = running_graph(RATE_HZ, folder)
        stack.enter_context(started(commands))
        memory = Path(commands[0][commands[0].index("--board-memory") + 1])
        board = stack.enter_context(SimulatedBoard(robot, rest, memory))
        client = stack.enter_context(Robot(namespace()))
        return [_stop(client, board, busy) for _ in range(runs)]


def _stop(client: Robot, board: SimulatedBoard, busy: bool) -> float:
    _power(client, board)
    with _busy_processors() if busy else ExitStack():
        begun = time.monotonic()
        with subprocess.Popen(
            [sys.executable, "-m", "quadleg.cli.main", "stop", "--namespace", namespace()],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        ) as command:
            _wait_for(lambda: not any(board.powered()), STOP_WITHIN, "pulses off")
            taken = time.monotonic() - begun
            said, _ = command.communicate(timeout=STOP_WITHIN)
    if command.returncode:
        raise QuadlegError(f"quadleg stop failed: {said}")
    return taken


def _power(client: Robot, board: SimulatedBoard) -> None:
    """Leaves the fault of the stop before, and powers the joints one after the other."""
    client.reset()
    deadline = time.monotonic() + POWER_WITHIN
    while True:
        try:
            client.enable(True)
            break
        except (Refused, StackNotFound):  # servo_output follows again half a second after a stop
            if time.monotonic() > deadline:
                raise
            time.sleep(0.1)
    _wait_for(lambda: all(board.powered()), POWER_WITHIN, "power on all joints")


def _wait_for(true: Callable[[], bool], seconds: float, what: str) -> None:
    deadline = time.monotonic() + seconds
    while not true():
        if time.monotonic() > deadline:
            raise QuadlegError(f"not within {seconds:g} s: {what}")
        time.sleep(LOOK_PERIOD)


@contextmanager
def _busy_processors() -> Iterator[None]:
    with ExitStack() as stack:
        for _ in range(os.cpu_count() or 1):
            process = stack.enter_context(subprocess.Popen([sys.executable, "-S", "-c", "while True: pass"]))
            stack.callback(process.kill)
        yield


def main() -> int:
    """Prints the times as JSON, in s."""
    parser = argparse.ArgumentParser(description="Measure quadleg stop from Enter to pulses off.")
    parser.add_argument("--runs", type=int, default=RUNS)
    parser.add_argument("--busy", action="store_true", help="while all processors are busy")
    options = parser.parse_args()
    times = measure(options.runs, options.busy)
    figures = {"runs": len(times), "busy": options.busy, "median_s": median(times), "worst_s": max(times)}
    print(json.dumps(figures))
    return 0


if __name__ == "__main__":
    sys.exit(main())
