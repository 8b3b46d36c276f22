"""The commands of `quadleg` for recordings: keep, report, compare, export, replay."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

from quadleg.commands.arguments import Command, say, speed, takes_namespace
from quadleg.errors import QuadlegError


def add(command: Command) -> None:
    """Add them."""

    def keep(options: argparse.Namespace) -> int:
        from quadleg.client import Robot

        with Robot(options.namespace) as robot:
            say(f"kept: {robot.keep()}")
        return 0

    def export(options: argparse.Namespace) -> int:
        from quadleg.recording.opened import opened
        from quadleg.recording.table import export as write

        path = options.out or options.recording.with_suffix(".csv")
        rows = write(opened(options.recording, say), path)
        say(f"{path}: {rows} rows")
        return 0

    def replay(options: argparse.Namespace) -> int:
        from quadleg.recording.opened import opened
        from quadleg.replay import replay as play

        play(opened(options.recording, say), options.namespace, options.speed, say)
        return 0

    takes_namespace(
        command(
            "keep",
            keep,
            "save the last minute of the running stack",
            "It is in memory at any time, and is saved by itself on every fault. Needs the extra log.",
        )
    )
    table = command(
        "export",
        _with_mcap(export),
        "write a recording as a table, a row a frame",
        "Units are in the columns' names, and `_modelled` where it is none that was measured. Needs the extra log.",
    )
    table.add_argument("recording", type=Path, help="a recording, .mcap")
    table.add_argument(
        "--out", type=Path, metavar="FILE", help="the table, .csv or .parquet (default: beside it, .csv)"
    )
    again = command(
        "replay",
        _with_mcap(replay),
        "ask a running stack for what a recording was asked for",
        "Publishes the velocities and base targets as they came; a simulated robot stands up before, and sits down in "
        "the end. Joint commands are never replayed: limits and watchdog judge as always.",
    )
    again.add_argument("recording", type=Path, help="a recording, .mcap")
    again.add_argument(
        "--speed", type=speed, default=1.0, metavar="X", help="so many times faster, 0.2 to 5; velocities too"
    )
    takes_namespace(again)


def _with_mcap(act: Callable[[argparse.Namespace], int]) -> Callable[[argparse.Namespace], int]:
    def checked(options: argparse.Namespace) -> int:
        if not find_spec("mcap"):
            raise QuadlegError("recordings need mcap: pip install 'quadleg[log]'")
        return act(options)

    return checked
