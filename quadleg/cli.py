"""The `quadleg` command."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence

from quadleg.commands import bench, measure, operator, recordings, robot
from quadleg.commands.arguments import CAUTION, warn
from quadleg.errors import QuadlegError


def parser() -> argparse.ArgumentParser:
    """The command line, with all its help."""
    top = argparse.ArgumentParser(
        prog="quadleg",
        description="Stands, moves and watches over a small four-legged robot with twelve hobby servos.",
        epilog=f"Start with `quadleg demo`: it needs no hardware. {CAUTION}",
    )
    commands = top.add_subparsers(metavar="COMMAND", required=True)

    def command(
        name: str, act: Callable[[argparse.Namespace], int], summary: str, more: str = ""
    ) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=summary, description=f"{summary[0].upper()}{summary[1:]}. {more}".strip())
        sub.set_defaults(act=act)
        return sub

    for group in (robot, operator, recordings, measure, bench):
        group.add(command)
    return top


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs one command; errors of quadleg are said without a traceback. The exit code."""
    options = parser().parse_args(arguments)
    try:
        return options.act(options)
    except QuadlegError as error:
        warn(str(error))
        return 1
    except KeyboardInterrupt:
        warn("interrupted; the robot goes on with what it was asked for. `quadleg sit` lowers it")
        return 130


if __name__ == "__main__":
    sys.exit(main())
