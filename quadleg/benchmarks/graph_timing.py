"""How near the graph comes to the floor that rclpy sets: its processes beside those of the bare skeleton.

Both are started anew for each block, in turn, so that whatever else the computer does meets both alike, and
both hear the same base targets. The median of the blocks is taken.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from math import cos, sin, tau
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

from quadleg.client import Robot
from quadleg.errors import QuadlegError
from quadleg.geometry.transforms import Pose
from quadleg.interrupts import ended_by_signals
from quadleg.middleware.frame_latency import FRAMES
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot
from quadleg.runtime import node_table

BLOCKS = 4
RATE_HZ = 100.0
READY_WITHIN = 30.0  # s
TARGET_PERIOD = 0.05  # s
CIRCLE = 0.02  # m, radius of the way that the body follows
CIRCLE_PERIOD = 4.0  # s

Figures = dict[str, float]


def measure(rate_hz: float = RATE_HZ, blocks: int = BLOCKS) -> tuple[Figures, Figures]:
    """Medians of the graph with the demo robot's body moving, and of the skeleton, by the names of their rows.

    `tick_to_wire` (99th percentile) and `tick_to_wire_p50` in ms, `graph_cpu` in percent of a core,
    `graph_memory` in MB (proportional set size), `start_to_ready` in s. A block lasts as many frames as the
    latencies are kept: 5 s at 100 Hz. Needs ROS and Linux's /proc. Raises QuadlegError where a side does not
    come up.
    """
    node_table.stay_local()
    node_table.find_each_other_soon()
    ours, bare = [], []
    for _ in range(blocks):
        bare.append(_block(_skeleton(rate_hz), rate_hz))
        with TemporaryDirectory() as folder:
            ours.append(_block(running_graph(rate_hz, Path(folder)), rate_hz))
    return _medians(ours), _medians(bare)


def _medians(blocks: Sequence[Figures]) -> Figures:
    return {name: median(block[name] for block in blocks) for name in blocks[0]}


def namespace() -> str:
    return f"timing_{os.getpid()}"


def running_graph(rate_hz: float, folder: Path) -> list[list[str]]:
    run = ["run", "--no-recorder", "--board", "simulated", "--namespace", namespace(), "--rate", str(rate_hz)]
    return [[sys.executable, "-m", "quadleg.cli.main", *run, "--board-memory", str(folder / "timing.board")]]


def _skeleton(rate_hz: float) -> list[list[str]]:
    shared = [f"--namespace={namespace()}", f"--rate={rate_hz}"]
    nodes = [",".join(entry.name for entry in entries) for entries in node_table.processes(separate=False).values()]
    return [[sys.executable, "-m", "quadleg.benchmarks.skeleton", f"--nodes={names}", *shared] for names in nodes]


def _block(commands: list[list[str]], rate_hz: float) -> Figures:
    begun = time.monotonic()
    with started(commands) as processes:
        ready = time.monotonic() - begun
        with Robot(namespace()) as robot:
            stands = robot.status().state == "off"  # the skeleton is always active
            if stands:
                robot.stand()
            before = _cpu_seconds(processes)
            seconds = _lead(robot, FRAMES / rate_hz)
            cpu = _cpu_seconds(processes) - before
            latency = robot.status().values("servo_output")
            memory = sum(map(memory_mb, processes))
            if stands:
                robot.stop()
    return {
        "tick_to_wire": float(latency["tick_to_bytes_p99_ms"]),
        "tick_to_wire_p50": float(latency["tick_to_bytes_p50_ms"]),
        "graph_cpu": 100 * cpu / seconds,
        "graph_memory": memory,
        "start_to_ready": ready,
    }


def _lead(robot: Robot, seconds: float) -> float:
    """Leads the body round a circle; how long it took in s."""
    begun = time.monotonic()
    height = load_robot(find_robot(DEFAULT_ROBOT)).standing.height
    while (now := time.monotonic() - begun) < seconds:
        angle = tau * now / CIRCLE_PERIOD
        robot.send(Pose.from_rpy(CIRCLE * cos(angle), CIRCLE * sin(angle), height, 0.0, 0.0, 0.0))
        time.sleep(TARGET_PERIOD)
    return now


# Processes


@contextmanager
def started(commands: list[list[str]]) -> Iterator[list[int]]:
    """The ids of the processes and of their children, once each command has said that it is ready.

    They end with the block, also where a signal ends this process.
    """
    with ended_by_signals(), ExitStack() as stack:
        running = [stack.enter_context(_process(command)) for command in commands]
        for process in running:
            _wait_until_ready(process)
        yield [pid for process in running for pid in (process.pid, *_children(process.pid))]


@contextmanager
def _process(command: list[str]) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
    ) as process:
        try:
            yield process
        finally:
            process.terminate()


def _wait_until_ready(process: subprocess.Popen[str]) -> None:
    giving_up = threading.Timer(READY_WITHIN, process.kill)
    giving_up.start()
    said = []
    try:
        for line in process.stdout or ():
            said.append(line)
            if line.startswith("ready"):
                return
    finally:
        giving_up.cancel()
    raise QuadlegError(f"not ready within {READY_WITHIN:g} s: {''.join(said)}")


def _children(pid: int) -> list[int]:
    return list(map(int, Path(f"/proc/{pid}/task/{pid}/children").read_text().split()))


def _cpu_seconds(pids: Sequence[int]) -> float:
    ticks = 0
    for pid in pids:
        # The name in brackets may hold spaces; user and system time are fields 14 and 15 of proc(5).
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        ticks += int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int) -> float:
    """Proportional set size in MB."""
    for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
        if line.startswith("Pss:"):
            return int(line.split()[1]) * 1024e-6
    raise QuadlegError(f"/proc/{pid}/smaps_rollup has no Pss")
