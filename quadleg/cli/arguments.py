"""What the commands of `quadleg` share: their arguments, and how they speak."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from contextlib import suppress
from math import isfinite, nan
from pathlib import Path
from typing import TYPE_CHECKING

from ruamel.yaml.error import YAMLError

from quadleg.cli.console import say, warn
from quadleg.errors import Refused, SearchInterrupted
from quadleg.robot_file.load import DEFAULT_ROBOT
from quadleg.robot_file.plain_yaml import bounded_text, plain_yaml
from quadleg.robot_file.yaml_errors import syntax_fault
from quadleg.servos.board_kinds import BOARD_KINDS
from quadleg.simulation.spread_kinds import Spread

if TYPE_CHECKING:
    from quadleg.client import Robot

__all__ = ["say", "warn"]  # used by all commands, defined where nothing heavy is

Command = Callable[..., argparse.ArgumentParser]  # adds one: its name, what it does, a summary, and more


def find_running(namespace: str) -> Robot:
    """The robot of a running stack. Raises StackNotFound, and SearchInterrupted on a Ctrl-C while it is looked for."""
    try:
        from quadleg.client import Robot

        return Robot(namespace)
    except KeyboardInterrupt:
        raise SearchInterrupted from None


def number(text: str) -> float:
    """A finite number."""
    try:
        number = float(text)
    except ValueError:
        number = nan
    if not isfinite(number):
        raise argparse.ArgumentTypeError(f"{text} is not a number, as 150 or -4.5 would be")
    return number


def _number_within(low: float, high: float, fault: str) -> Callable[[str], float]:
    """The type of an argument from `low` to `high`; `fault` says of another number what it is not."""

    def read(text: str) -> float:
        with suppress(argparse.ArgumentTypeError):  # what is no number at all is told with the range too
            if low <= (value := number(text)) <= high:
                return value
        raise argparse.ArgumentTypeError(f"{text} {fault}")

    return read


def _count_within(low: int, high: int, fault: str) -> Callable[[str], int]:
    """The same of a whole number."""

    def read(text: str) -> int:
        if not text.isdecimal() or not low <= int(text) <= high:
            raise argparse.ArgumentTypeError(f"{text} {fault}")
        return int(text)

    return read


rate = _number_within(10, 200, "is not a control rate: 10 to 200 Hz")
dead_man = _number_within(0.5, 10, "is no dead-man time: 0.5 to 10 s")
speed = _number_within(0.2, 5, "is no speed: 0.2 to 5 times that of the recording")
distance = _number_within(0.5, 14, "is no distance to walk: 0.5 to 14 m, as far as the ground goes")
seed = _count_within(0, 2**31 - 1, f"is not a seed: a whole number from 0 to {2**31 - 1}")
count = _count_within(1, 10_000, "is no number of runs: 1 to 10000")
teeth = _count_within(10, 60, "is no number of teeth: 10 to 60; 25 where the data sheet is silent")


def params_file(text: str) -> Path:
    """A parameter file that ROS can read and whose nodes are there; ROS itself passes over unknown ones."""
    from quadleg.runtime.node_table import GRAPH, OPTIONAL

    path, known = Path(text), [entry.name for entry in GRAPH + OPTIONAL]
    try:
        document = bounded_text(path)
        nodes = plain_yaml().load(document)
    except (OSError, UnicodeDecodeError) as error:
        raise argparse.ArgumentTypeError(f"{text} cannot be read: {error}") from None
    except YAMLError as error:
        line, remedy = syntax_fault(error, document)
        raise argparse.ArgumentTypeError(f"{text}:{line}: {remedy}") from None
    for name, content in nodes.items() if isinstance(nodes, dict) else [("the file", nodes)]:
        if not isinstance(content, dict) or not isinstance(content.get("ros__parameters"), dict):
            raise argparse.ArgumentTypeError(
                f"{text}: {name} has no ros__parameters with values below it; config/parameters.yaml shows the form"
            )
        if str(name).rpartition("/")[2] not in ("**", *known):
            raise argparse.ArgumentTypeError(f"{text}: there is no node {name}; there are {', '.join(known)}, and /**")
    return path


def height(text: str) -> float:
    """A height of the hip axes above the ground in mm."""
    from quadleg.client.keywords import check_height

    millimetres = number(text)
    try:
        check_height(millimetres, "the height")
    except Refused as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    return millimetres


def takes_robot(sub: argparse.ArgumentParser) -> None:
    sub.add_argument(
        "robot", nargs="?", default=DEFAULT_ROBOT, help="robot file, or the name of one that comes with quadleg"
    )


def takes_namespace(sub: argparse.ArgumentParser) -> None:
    """Takes the namespace of a running stack."""
    sub.add_argument("--namespace", default="", help="ROS namespace of the running stack")


def takes_board(sub: argparse.ArgumentParser) -> None:
    """A command that may run the robot on another kind of board."""
    sub.add_argument("--board", default="", choices=sorted(BOARD_KINDS), help="in place of the robot file's board")


def takes_spread(sub: argparse.ArgumentParser, default: Spread | None) -> None:
    """Takes the spread of robots that a world is drawn from by the seed; None: whatever the command makes of it."""
    sub.add_argument(
        "--spread",
        choices=[spread.value for spread in Spread],
        default=default and default.value,
        help="how far the robots in physics differ from the robot file: as builders' robots do as built or after "
        f"`quadleg calibrate`, or not at all; docs/spread.md has the table (default: {Spread.NONE.value})",
    )


def takes_legs_placed(sub: argparse.ArgumentParser) -> None:
    """Takes the answer to the question before the first pulses."""
    sub.add_argument(
        "--legs-placed",
        action="store_true",
        help="on a real board: the legs are in the resting pose and fingers clear; do not ask",
    )
