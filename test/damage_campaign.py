"""Reads damaged recordings and robot files in each way that a command does, and counts what comes of it.

`python test/damage_campaign.py --recordings 5000 --files 5000 --seed 7` prints JSON: the errors by their kinds, the
slowest case in processor time, the most memory, and each case that ended otherwise than by an error of quadleg.
`--only "file 7-123"` repeats one.
"""

from __future__ import annotations

import argparse
import json
import resource
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from types import FrameType

from damaged_files import damaged_recording, damaged_text, numbered, sound

from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.analysis.recording_metrics import metrics
from quadleg.cli.arguments import params_file
from quadleg.client.replay import asked_for
from quadleg.commissioning.answer_file import FileAnswers
from quadleg.errors import QuadlegError, RobotFileError
from quadleg.recording.open_recording import opened
from quadleg.recording.table_export import export
from quadleg.report.comparison import write_comparison
from quadleg.report.report import sentences, write_report
from quadleg.robot.urdf import urdf
from quadleg.robot_file.editor import changed
from quadleg.robot_file.load import find_robot, load_robot
from quadleg.teleop.velocity_scale import VelocityScale

LIMIT = 10.0  # s of the processor's time that reading one file in one way may take
MOST_MEMORY = 4 << 30  # bytes of addresses, so that a bomb ends this process and not the computer
EVERY_REPORT = 100  # cases of which one is drawn, too: that takes seconds


ANSWERS = "# of a calibration\n- legs_placed: yes\n- moved: [yes, no, 12.5]\n- angle: 30\n" * 3
LIMITS = "gait: creep\ngaits: [creep, trot]\nmax_velocity: [0.1, 0.05, 0.3]\nmin_velocity: [-0.1, -0.05, -0.3]\n"


class TooSlow(BaseException):
    """No `except Exception` may swallow it."""


def recording_ways(data: bytes, folder: Path, whole: Path, drawn: bool) -> Iterator[Callable[[], None]]:
    """Each command that reads a recording, on a file with this content."""
    path = folder / "damaged.mcap"
    path.write_bytes(data)
    yield lambda: _export(path)
    yield lambda: _replay(path)
    yield lambda: _figures(path)
    if drawn:
        yield lambda: write_report(path, folder / "report") and None
        yield lambda: write_comparison(path, whole, folder / "comparison") and None


def _export(path: Path) -> None:
    recording = opened(path, lambda words: None)
    table = path.with_suffix(".csv")
    table.unlink(missing_ok=True)
    export(recording, table)


def _replay(path: Path) -> None:
    list(asked_for(opened(path, lambda words: None)))


def _figures(path: Path) -> None:
    analysis = RecordingAnalysis(path)
    sentences(analysis, metrics(analysis))
    assert analysis.events is not None
    assert analysis.complaints is not None


def file_ways(text: str, folder: Path) -> Iterator[Callable[[], None]]:
    """Each way in which a YAML file is read, on one with this text."""
    path = folder / "damaged.yaml"
    path.write_text(text, encoding="utf-8", errors="surrogatepass")
    yield lambda: _robot(path, text)
    yield lambda: params_file(str(path)) and None
    yield lambda: FileAnswers(path) and None
    yield lambda: VelocityScale.of(text) and None


def _robot(path: Path, text: str) -> None:
    try:
        urdf(load_robot(path))
    except RobotFileError as error:
        assert str(path) in str(error)
        assert all(len(fault.remedy) > 10 for fault in error.faults)
        raise
    changed(text, {"servos": {"front_left_hip": {"pulse_at_zero_us": 1512.0, "stops_us": [512, 2498]}}})


def too_slow(_: int, frame: FrameType | None) -> None:
    raise TooSlow(f"still at work after {LIMIT} s")


class Campaign:
    """Runs cases one after the other, and keeps what is worth telling."""

    def __init__(self) -> None:
        self.failures: list[dict[str, str]] = []
        self.slowest: tuple[float, str] = (0.0, "")
        self.ended: Counter[str] = Counter()

    def run(self, name: str, ways: Iterable[Callable[[], None]]) -> None:
        """Read one file in each way; an error of quadleg is what a person is told, each other one is a failure."""
        for number, way in enumerate(ways):
            begun = time.process_time()
            signal.setitimer(signal.ITIMER_PROF, LIMIT)
            try:
                way()
                self.ended["read"] += 1
            except (QuadlegError, argparse.ArgumentTypeError) as error:
                self.ended[type(error).__name__] += 1
            except (Exception, TooSlow):
                trace = traceback.format_exc().strip().splitlines()
                self.failures.append({"case": name, "error": trace[-1][:300], "trace": "\n".join(trace[-7:])})
            finally:
                signal.setitimer(signal.ITIMER_PROF, 0)
            self.slowest = max(self.slowest, (round(time.process_time() - begun, 2), f"{name}, way {number}"))


def peak_memory() -> int:
    """The largest resident set in kB since this program started: ru_maxrss also counts what its parent had."""
    status = Path("/proc/self/status").read_text()
    return int(next(line for line in status.splitlines() if line.startswith("VmHWM:")).split()[1])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--recordings", type=int, default=100)
    parser.add_argument("--files", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="one case, by its name")
    options = parser.parse_args()
    warnings.simplefilter("ignore")
    signal.signal(signal.SIGPROF, too_slow)
    robot = find_robot("greenhouse_inspector")
    parameters = robot.with_name("parameters.yaml").read_text(encoding="utf-8")
    campaign, texts = Campaign(), [*[robot.read_text(encoding="utf-8")] * 6, parameters, ANSWERS, LIMITS]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        whole = sound(folder)
        resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
        for number, seed in enumerate(numbered(options.seed, options.recordings)):
            if options.only in ("", f"recording {seed}"):
                drawn = number % EVERY_REPORT == EVERY_REPORT - 1 or bool(options.only)
                data = damaged_recording(seed, whole)
                campaign.run(f"recording {seed}", recording_ways(data, folder, folder / "ours.mcap", drawn))
        for number, seed in enumerate(numbered(options.seed, options.files)):
            if options.only in ("", f"file {seed}"):
                text = texts[number % len(texts)]
                campaign.run(f"file {seed}", file_ways(damaged_text(seed, text), folder))
    told = {
        "failures": campaign.failures,
        "slowest_s": campaign.slowest,
        "most_memory_mb": peak_memory() // 1024,
        "ended": dict(campaign.ended),
    }
    with suppress(BrokenPipeError):
        json.dump(told, sys.stdout, indent=1)
    return bool(campaign.failures)


if __name__ == "__main__":
    sys.exit(main())
