"""An hour at 100 Hz with the body moving: memory, latency and frames, minute by minute.

In the folder test: python -m faults.soak [--minutes N]. Ends with 1 where memory grew by more than 1 MB an hour
after the first minute, a frame was lost, or the latency drifted.
"""

from __future__ import annotations

import argparse
import sys
import threading
import time
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

from conftest import Stack

from faults.round import move
from quadleg.client import Robot

RATE_HZ = 100
MOST_GROWTH = 1.0  # MB an hour
MOST_DRIFT = 1.5  # of the median latency, the last third of the time by the first


def main() -> int:
    """Runs the soak; the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=int, default=60)
    minutes = parser.parse_args().minutes
    with TemporaryDirectory() as folder:
        stack = Stack(Path(folder), "greenhouse_inspector", "--namespace", "soak", "--rate", str(RATE_HZ))
        try:
            stack.wait_for_line("ready after")
            with Robot("soak") as robot:
                robot.stand()
                rows = _minutes(stack, robot, minutes)
        finally:
            stack.end_hard()
    return _judged(rows)


def _minutes(stack: Stack, robot: Robot, minutes: int) -> list[tuple[float, float, int, int]]:
    """For each minute: memory in MB, median latency in ms, frames sent and frames lost so far."""
    ended = threading.Event()
    mover = threading.Thread(target=move, args=(robot, ended), daemon=True)
    mover.start()
    pids = [stack.process.pid, *stack.children()]
    rows = []
    for minute in range(minutes + 1):
        now = robot.status()
        output, watchdog = now.values("servo_output"), now.values("joint_watchdog")
        lost = int(watchdog["frames_dropped"]) + int(watchdog["targets_late"]) + int(watchdog["holds"])
        used = sum(map(_allocated_mb, pids))
        rows.append((used, float(output["tick_to_bytes_p50_ms"]), int(watchdog["frames_sent"]), lost))
        p99 = output["tick_to_bytes_p99_ms"]
        print(f"{minute:3} min  {used:.2f} MB  p50 {rows[-1][1]} ms  p99 {p99} ms  {rows[-1][2]} frames, {lost} lost")
        sys.stdout.flush()
        if minute < minutes:
            time.sleep(60)
    ended.set()
    mover.join()
    return rows


def _allocated_mb(pid: int) -> float:
    """What a process has allocated, shared memory too; its share of the pages of files depends on who else runs."""
    pages = dict(line.split()[:2] for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()[1:])
    return (int(pages["Pss_Anon:"]) + int(pages["Pss_Shmem:"])) * 1024e-6


def _judged(rows: list[tuple[float, float, int, int]]) -> int:
    later = rows[1:]
    growth = (later[-1][0] - later[0][0]) * 60 / max(len(later) - 1, 1)
    third = max(len(later) // 3, 1)
    drift = median(row[1] for row in later[-third:]) / median(row[1] for row in later[:third])
    lost = rows[-1][3] - rows[0][3]
    print(f"memory {growth:+.2f} MB an hour after the first minute; latency x {drift:.2f}; {lost} frames lost")
    return int(growth > MOST_GROWTH or drift > MOST_DRIFT or lost > 0)


if __name__ == "__main__":
    sys.exit(main())
