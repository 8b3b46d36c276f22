"""The commands of `quadleg` for recordings: keep, report, compare, export, replay."""

from __future__ import annotations

import argparse
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from quadleg.cli.arguments import Command, find_running, say, speed, takes_namespace, warn
from quadleg.cli.output_folder import fresh, names_in, replaced
from quadleg.errors import RecordMissing
from quadleg.recording.time_columns import MODELLED_END
from quadleg.robot.model import RobotModel
from quadleg.robot_file.load import find_robot, load_robot

if TYPE_CHECKING:
    from quadleg.recording.reader import Recording
    from quadleg.report.report import Report


def _keep(options: argparse.Namespace) -> int:
    with find_running(options.namespace) as robot:
        say(f"kept: {robot.keep()}")
    return 0


def _report(options: argparse.Namespace) -> int:
    path = _repaired(options.recording)
    from quadleg.report.report import write_report

    folder = options.out or fresh(path.with_name(f"{path.stem}_report"))
    before = names_in(folder)
    return _told(write_report(path, folder, _another_robot(options)), before)


def _compare(options: argparse.Namespace) -> int:
    a, b = _repaired(options.a), _repaired(options.b)
    from quadleg.report.comparison import write_comparison

    folder = options.out or fresh(Path(f"{a.stem}_and_{b.stem}"))
    before = names_in(folder)
    return _told(write_comparison(a, b, folder, _another_robot(options)), before)


def _export(options: argparse.Namespace) -> int:
    recording = _opened(options.recording)
    from quadleg.recording.table_export import export

    path = options.out or recording.path.with_suffix(".csv")
    say(f"{path}: {export(recording, path, warn)} rows")
    return 0


def _replay(options: argparse.Namespace) -> int:
    recording = _opened(options.recording)
    from quadleg.client.replay import replay

    replay(recording, options.namespace, options.speed, say, warn)
    return 0


def _opened(path: Path) -> Recording:
    _need("mcap")
    from quadleg.recording.open_recording import opened

    return opened(path, say)


def _repaired(path: Path) -> Path:
    """The path of a recording that has its end now."""
    _need("mcap", "matplotlib", "jinja2")
    from quadleg.recording.open_recording import repair

    repair(path, say)
    return path


def _need(*libraries: str) -> None:
    for library in libraries:
        if not find_spec(library):
            raise RecordMissing(library)


def _told(report: Report, before: frozenset[str]) -> int:
    for sentence in report.sentences:
        say(sentence)
    say(f"Page: {report.page}, and {len(report.pictures)} pictures beside it")
    if words := replaced((report.page, *report.pictures), before):
        say(words)
    return 0


def _takes_another_robot(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--robot", default="", metavar="FILE", help="in place of the robot file that was recorded")


def _another_robot(options: argparse.Namespace) -> RobotModel | None:
    return load_robot(find_robot(options.robot)) if options.robot else None


def add(command: Command) -> None:
    takes_namespace(
        command(
            "keep",
            _keep,
            "save the last minute of the running stack",
            "It is in memory at any time, and is saved by itself on every fault. Needs the extra log.",
        )
    )
    page = command(
        "report",
        _report,
        "show what happened in a recording, as a page and pictures",
        "What was asked and what was done, joints, gait, path, torque and current, supply, what the watchdog did, "
        "and timing. Works on any recording with joint_states, and says what is missing. Needs the extra log.",
    )
    page.add_argument("recording", type=Path, help="a recording, .mcap")
    page.add_argument("--out", type=Path, metavar="DIR", help="where to write (default: a new folder, <name>_report)")
    _takes_another_robot(page)
    both = command(
        "compare",
        _compare,
        "lay two recordings over each other, as a page and pictures",
        "As a run on hardware over its replay on physics. Needs the extra log.",
    )
    both.add_argument("a", type=Path, help="a recording, .mcap")
    both.add_argument("b", type=Path, help="another")
    both.add_argument("--out", type=Path, metavar="DIR", help="where to write (default: a new folder, <a>_and_<b>)")
    _takes_another_robot(both)
    table = command(
        "export",
        _export,
        "write a recording as a table, a row a frame",
        f"Units are in the columns' names, and `{MODELLED_END}` where it was not measured. Needs the extra log.",
    )
    table.add_argument("recording", type=Path, help="a recording, .mcap")
    table.add_argument(
        "--out", type=Path, metavar="FILE", help="the table, .csv or .parquet (default: beside it, .csv)"
    )
    again = command(
        "replay",
        _replay,
        "ask a running stack for what a recording was asked for",
        "Publishes the velocities and base targets as they came; a simulated robot stands up before, and sits down in "
        "the end. Joint commands are never replayed: limits and watchdog judge as always.",
    )
    again.add_argument("recording", type=Path, help="a recording, .mcap")
    again.add_argument(
        "--speed", type=speed, default=1.0, metavar="X", help="so many times faster, 0.2 to 5; velocities too"
    )
    takes_namespace(again)
