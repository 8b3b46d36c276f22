"""The `quadleg` command. `quadleg stop` cuts the pulses before anything heavy is imported here."""

from __future__ import annotations

import sys

TYPE_CHECKING = False
if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable, Sequence


def parser() -> argparse.ArgumentParser:
    """The command line, with all its help."""
    import argparse

    from quadleg.cautions import BEFORE_MOVING
    from quadleg.cli import (
        bench_commands,
        measure_commands,
        recording_commands,
        robot_commands,
        teleop_commands,
        walk_command,
    )

    top = argparse.ArgumentParser(
        prog="quadleg",
        description="Stands, moves and watches over a small four-legged robot with twelve hobby servos.",
        epilog=f"Start with `quadleg demo`: it needs no hardware. {BEFORE_MOVING}",
    )
    commands = top.add_subparsers(metavar="COMMAND", required=True)

    def command(
        name: str, act: Callable[[argparse.Namespace], int], summary: str, more: str = ""
    ) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=summary, description=f"{summary[0].upper()}{summary[1:]}. {more}".strip())
        sub.set_defaults(act=act, parser_of_command=sub)
        return sub

    for group in (robot_commands, walk_command, teleop_commands, recording_commands, measure_commands, bench_commands):
        group.add(command)
    return top


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs one command; errors of quadleg are said without a traceback. The exit code."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    namespace = _stop_namespace(given)
    if namespace is not None:
        from quadleg.cli.stop_command import stop

        return stop(namespace)
    from quadleg.cli.arguments import warn
    from quadleg.errors import QuadlegError, SearchInterrupted

    options, unknown = parser().parse_known_args(given)
    if unknown:
        _refuse(options.parser_of_command, unknown)
    try:
        return options.act(options)
    except QuadlegError as error:
        warn(str(error))
        return 130 if isinstance(error, SearchInterrupted) else 1
    except KeyboardInterrupt:
        warn("interrupted; the robot goes on with what it was asked for. `quadleg sit` lowers it")
        return 130


def _refuse(command: argparse.ArgumentParser, unknown: list[str]) -> None:
    """Exit with the usage of the command that was given what it does not know, and the option most likely meant."""
    import difflib
    import re

    options = sorted(set(re.findall(r"--[a-z][a-z-]*", command.format_usage())))
    meant = difflib.get_close_matches(unknown[0].split("=")[0], options, n=1)
    command.error(f"unknown: {' '.join(unknown)}{f'. Did you mean {meant[0]}?' if meant else ''}")


def _stop_namespace(given: list[str]) -> str | None:
    """The namespace of a plain `quadleg stop`; None for whatever else, which the parser takes."""
    match given:
        case ["stop"]:
            return ""
        case ["stop", "--namespace", namespace] if not namespace.startswith("-"):
            return namespace
        case ["stop", option] if option.startswith("--namespace="):
            return option.removeprefix("--namespace=")
    return None


if __name__ == "__main__":
    sys.exit(main())
