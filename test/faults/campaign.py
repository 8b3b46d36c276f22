"""Many rounds of many faults, some at a time; prints the table that stands in the README.

In the folder test: python -m faults.campaign [--rounds N] [--at-once N] [FAULT ...]
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from math import inf
from pathlib import Path
from typing import Any

from conftest import next_domain

from faults.table import FAULTS

ROUND_WITHIN = 180  # s


def play(fault: str, seed: int) -> dict[str, Any]:
    """One round in a process and a ROS domain of its own; what it showed."""
    command = [sys.executable, "-m", "faults.round", fault, str(seed)]
    # Two stacks of nine processes in one domain have so much to tell each other at their start that UDP's buffers
    # overflow; now and then two nodes then did not find each other within a minute.
    env = {**os.environ, "ROS_DOMAIN_ID": str(next_domain()), "ROS_AUTOMATIC_DISCOVERY_RANGE": "LOCALHOST"}
    tests = Path(__file__).parents[1]
    done = subprocess.run(
        command, cwd=tests, env=env, capture_output=True, text=True, timeout=ROUND_WITHIN, check=False
    )
    if done.returncode:
        return {"fault": fault, "seed": seed, "troubles": [f"no result: {done.stderr[-3000:]}"]}
    result: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return result


def play_all(rounds: Iterable[tuple[str, int]], at_once: int) -> Iterable[dict[str, Any]]:
    """All rounds, `at_once` side by side, in their order."""
    with ThreadPoolExecutor(at_once) as pool:
        yield from pool.map(lambda one: play(*one), rounds)


def table(results: Sequence[dict[str, Any]]) -> str:
    """The report, as Markdown: a row a group of faults."""
    lines = [
        "| fault, in mid-move | rounds | must come of it | largest joint step¹ | longest time to it | wrong |",
        "|---|---|---|---|---|---|",
    ]
    for group in dict.fromkeys(fault.group for fault in FAULTS.values()):
        mine = [result for result in results if FAULTS[result["fault"]].group == group]
        if not mine:
            continue
        whole = [result for result in mine if "ended" in result]
        step = max((result["worst_share"] for result in whole), default=inf)
        after = max((result["safe_after"] for result in whole), default=inf)
        wrong = sum(bool(result["troubles"]) for result in mine)
        ends = next(fault.ends for fault in FAULTS.values() if fault.group == group)
        figures = f"{100 * step:.0f} % | {after:.1f} s | {wrong or 'none'}"
        lines.append(f"| {group} | {len(mine)} | {ends.value} | {figures} |")
    lines += ["", f"¹ in one frame, of what that servo can turn in a frame without load. {len(results)} rounds."]
    return "\n".join(lines)


def main() -> int:
    """Plays what was asked for; 1 where anything was wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("faults", nargs="*", metavar="FAULT", help=f"of {', '.join(FAULTS)}")
    parser.add_argument("--rounds", type=int, default=1, help="of each fault, each with a seed of its own")
    parser.add_argument("--at-once", type=int, default=2)
    options = parser.parse_args()
    if unknown := set(options.faults) - set(FAULTS):
        parser.error(f"no such fault: {', '.join(sorted(unknown))}; there are {', '.join(FAULTS)}")
    chosen = options.faults or list(FAULTS)
    results = []
    for result in play_all(((fault, seed) for seed in range(options.rounds) for fault in chosen), options.at_once):
        results.append(result)
        print(json.dumps(result), file=sys.stderr, flush=True)
    print(table(results))
    return int(any(result["troubles"] for result in results))


if __name__ == "__main__":
    sys.exit(main())
