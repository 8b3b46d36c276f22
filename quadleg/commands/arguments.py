"""What the commands of `quadleg` share: their arguments, and how they speak."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from math import isfinite, nan
from pathlib import Path
from typing import TYPE_CHECKING

from ruamel.yaml.error import YAMLError

from quadleg.commands.console import say, warn
from quadleg.errors import Refused, SearchInterrupted
from quadleg.robot.load import DEFAULT_ROBOT
from quadleg.robot.plain_yaml import bounded_text, plain_yaml
from quadleg.robot.syntax import syntax_fault

if TYPE_CHECKING:
    from quadleg.client import Robot

__all__ = ["say", "warn"]  # used by all commands, defined where nothing heavy is

Command = Callable[..., argparse.ArgumentParser]  # adds one: its name, what it does, a summary, and more

CAUTION = (
    "Before anything moves: the robot on a stand with its feet free, fingers clear of knees and hips, the switch "
    "of the servo supply within reach."
)


def find_running(namespace: str) -> Robot:
    """The robot of a running stack. Raises NotHeard, and SearchInterrupted on a Ctrl-C while it is looked for."""
    try:
        from quadleg.client import Robot

        return Robot(namespace)
    except KeyboardInterrupt:
        raise SearchInterrupted from None


def rate(text: str) -> float:
    """A control rate in Hz."""
    try:
        hertz = float(text)
    except ValueError:
        hertz = 0.0
    if not 10 <= hertz <= 200:
        raise argparse.ArgumentTypeError(f"{text} is not a control rate: 10 to 200 Hz")
    return hertz


def dead_man(text: str) -> float:
    """A dead-man time in s."""
    seconds = number(text)
    if not 0.5 <= seconds <= 10:
        raise argparse.ArgumentTypeError(f"{text} is no dead-man time: 0.5 to 10 s")
    return seconds


def speed(text: str) -> float:
    """How many times faster than it was recorded."""
    times = number(text)
    if not 0.2 <= times <= 5:
        raise argparse.ArgumentTypeError(f"{text} is no speed: 0.2 to 5 times that of the recording")
    return times


def seed(text: str) -> int:
    """A seed."""
    if not text.isdecimal() or int(text) >= 2**31:
        raise argparse.ArgumentTypeError(f"{text} is not a seed: a whole number from 0 to {2**31 - 1}")
    return int(text)


def count(text: str) -> int:
    """How many runs."""
    if not text.isdecimal() or not 1 <= int(text) <= 10_000:
        raise argparse.ArgumentTypeError(f"{text} is no number of runs: 1 to 10000")
    return int(text)


def teeth(text: str) -> int:
    """How many teeth a servo's spline has."""
    if not text.isdecimal() or not 10 <= int(text) <= 60:
        raise argparse.ArgumentTypeError(f"{text} is no number of teeth: 10 to 60; 25 where the data sheet is silent")
    return int(text)


def distance(text: str) -> float:
    """A distance to walk in m."""
    distance = number(text)
    if not 0.5 <= distance <= 14:
        raise argparse.ArgumentTypeError(f"{text} is no distance to walk: 0.5 to 14 m, as far as the ground goes")
    return distance


def params_file(text: str) -> Path:
    """A parameter file that ROS can read and whose nodes are there; ROS itself passes over unknown ones."""
    from quadleg.graph import GRAPH, OPTIONAL

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


def number(text: str) -> float:
    """A finite number."""
    try:
        number = float(text)
    except ValueError:
        number = nan
    if not isfinite(number):
        raise argparse.ArgumentTypeError(f"{text} is not a number, as 150 or -4.5 would be")
    return number


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
    """Takes a robot file."""
    sub.add_argument(
        "robot", nargs="?", default=DEFAULT_ROBOT, help="robot file, or the name of one that comes with quadleg"
    )


def takes_namespace(sub: argparse.ArgumentParser) -> None:
    """Takes the namespace of a running stack."""
    sub.add_argument("--namespace", default="", help="ROS namespace of the running stack")


def takes_legs_placed(sub: argparse.ArgumentParser) -> None:
    """Takes the answer to the question before the first pulses."""
    sub.add_argument(
        "--legs-placed",
        action="store_true",
        help="on a real board: the legs are in the resting pose and fingers clear; do not ask",
    )
