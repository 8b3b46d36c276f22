"""What `quadleg calibrate` and `quadleg trim` do around a conversation: file, board, who answers, and a sure end."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from quadleg.commissioning.answers import FileAnswers
from quadleg.commissioning.bench import Bench, on_bench, own_file
from quadleg.commissioning.calibrate import Calibration
from quadleg.commissioning.fit import TEETH
from quadleg.commissioning.pulses import Pulses
from quadleg.commissioning.save import RobotFile
from quadleg.commissioning.talk import Talk, converse
from quadleg.commissioning.trim import Trim
from quadleg.errors import BoardError, QuadlegError
from quadleg.interrupts import ended_by_signals
from quadleg.robot.load import load_robot


@dataclass
class Work:
    """One `quadleg calibrate`: of which file and joints, on which board. `said` keeps all its sentences.

    `quick` lets a simulated robot's time run ahead; nobody watches it then.
    """

    path: Path
    names: Sequence[str]
    fit_horns: bool = False
    teeth: int = TEETH
    board: str = ""
    seed: int = 0
    quick: bool = False
    said: list[str] = field(default_factory=list)
    hear: Callable[[str], None] | None = None
    cut_at_end: bool = True
    session: Calibration | None = None
    pulses: Pulses | None = None

    def talk(self) -> Talk[bool]:
        """The whole conversation; whether all was done. Raises QuadlegError where the file or the board are no good."""
        self.path = yield from own_file(self.path)
        robot = load_robot(self.path).on_board(self.board)
        bench = Bench(on_bench(robot), self.seed, self.quick)
        self.pulses = Pulses(robot.board, bench.open, bench.sleep)
        self.session = Calibration(robot, RobotFile(self.path), self.pulses, self.say, bench.protractor, self.teeth)
        conversation = self.session.fit_horns if self.fit_horns else self.session.calibrate
        return (yield from conversation(self.names))

    def say(self, sentence: str) -> None:
        """Keep a sentence, and show it."""
        self.said.append(sentence)
        if self.hear:
            self.hear(sentence)

    def cut(self) -> None:
        """Pulses off at once, from any thread. Raises BoardError where the board does not take that."""
        if self.pulses:
            self.pulses.cut()

    @property
    def over(self) -> str:
        """Why nothing is left to ask: nothing ends a calibration but the person."""
        return ""

    @property
    def title(self) -> str:
        """What is being done, and to which joint."""
        done = "fit the horns of" if self.fit_horns else "calibrate"
        joint = ""
        if self.session and self.session.name:
            joint = f"   {self.session.name.replace('_', ' ')}: {self.session.number} of {self.session.count}"
        return f"{done} {self.path.name}{joint}"

    def facts(self) -> list[tuple[str, str]]:
        """What is known of the joint at hand, as pairs of a heading and words."""
        return self.session.facts() if self.session else []


def by_file(work: Work | Trim, answers: Path) -> bool:
    """Hold the conversation with a file of answers. Raises BadAnswer where they do not fit."""
    given = FileAnswers(answers)
    with sure_end(work):
        done = converse(work.talk(), given)
    given.check_all_used()
    return done


def on_screen(work: Work | Trim) -> bool:
    """Hold the conversation on the whole terminal. Raises QuadlegError where that or textual is missing."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise QuadlegError("this takes keys from a terminal, and here is none; --answers FILE needs none")
    try:
        from quadleg.commissioning.screen import Screen
    except ImportError:
        raise QuadlegError(
            "the screen needs textual: pip install -e '.[calibrate]' in quadleg's folder; --answers needs none"
        ) from None
    screen = Screen(work)
    with sure_end(work):
        return screen.hold()


@contextmanager
def sure_end(work: Work | Trim) -> Iterator[None]:
    """A closed terminal and a SIGTERM end all as Ctrl-C does; what does not sit down by itself is cut at once."""

    def cut() -> None:
        if work.cut_at_end:
            with suppress(BoardError):
                work.cut()

    with ended_by_signals(cut):
        yield
