"""`quadleg calibrate --walk`: how far each gait truly goes, from walks along a tape that a person reads."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import radians, tau
from typing import Protocol

from quadleg.cautions import TAPE_WALKING
from quadleg.commissioning.calibration.bench import confirm
from quadleg.commissioning.calibration.bench_servo import until_saved
from quadleg.commissioning.calibration.tape_scale import (
    TURN,
    WAYS,
    TapeFault,
    TapeRun,
    TapeScale,
    check_run,
    odometry_scale,
    way_scale,
)
from quadleg.commissioning.dialog import Choice, Dialog, Ended, Number, Question, ask
from quadleg.errors import NotReached, Refused, TapeError
from quadleg.geometry.planar import Planar
from quadleg.robot.model import RobotModel
from quadleg.robot_file.editor import RobotFileEditor

RUNS = 3  # each way
SPEED_SHARE = 0.6  # of the gait's limit: a usual speed (our own choice)
TAPE_WAYS: Planar = (1.0, 0.6, tau)  # m, m, rad: how far a run is to lead
_FARTHEST = 3000.0  # mm
_GO = Choice("go", "g", "marked, and free: walk")
_SLIPPED = Choice("slipped", "s", "it slipped, bumped into something or was held: walk this run again")
MARK_TEXT = (
    "Mark on the floor where the middle of the body is, and draw or tape a line from there along the body.\n"
    "It walks from where it stands. Drive it back to a free place with `quadleg drive` before you answer, if need be."
)
_WALKS = ("It walks 1 m ahead.", "It steps 0.6 m to the left.", "It turns once around to the left, on the spot.")


@dataclass(frozen=True)
class WalkedWay:
    """Where a walk led, seen from where it began (m, m, rad): by the plan, and by odometry with modelled joints; None
    without.
    """

    planned: Planar
    estimated: Planar | None


class TapeRobot(Protocol):
    """A robot that stands and walks. Each call raises Refused or NotReached where the robot does not do that."""

    def choose_gait(self, gait: str) -> None: ...
    def fastest(self) -> Planar:
        """The chosen gait's limits: m/s forward, m/s to the left, rad/s turning left."""

    def scales(self) -> tuple[Planar, Planar]:
        """The way's and odometry's scales that it takes for right now."""

    def go(self, twist: Planar, seconds: float) -> WalkedWay:
        """Walk so, without path feedback, whose strides would be others, and stop square."""

    def stop(self) -> None:
        """Emergency stop, from any thread."""


class TapeWalk:
    """One session with a robot's file and the robot, which stands."""

    def __init__(self, robot: RobotModel, file: RobotFileEditor, walker: TapeRobot, say: Callable[[str], None]) -> None:
        self._robot = robot
        self._file = file
        self._walker = walker
        self._say = say
        self._found: list[tuple[str, str]] = []

    def calibrate(self) -> Dialog[bool]:
        """The whole dialog; whether scales are saved. Raises Refused where the runs contradict each other."""
        try:
            yield from confirm(TAPE_WALKING)
            gait = yield from self._gait()
            self._walker.choose_gait(gait)
            return (yield from self._measured(gait))
        except Ended:
            self._say("Ended. The robot file is not changed, and the robot stands: `quadleg sit` lowers it.")
            return False
        except TapeError as error:
            raise Refused(f"nothing is saved: {error}") from error

    def facts(self) -> list[tuple[str, str]]:
        """What is known, as pairs of a heading and words."""
        return self._found

    def _gait(self) -> Dialog[str]:
        names = [gait.name for gait in self._robot.gaits]
        choices = tuple(Choice(name, str(number), f"the gait {name}") for number, name in enumerate(names, 1))
        text = "In which gait shall it walk?\nEach has scales of its own; begin again for another one."
        return (yield from ask(Question("gait", text, choices)))

    def _measured(self, gait: str) -> Dialog[bool]:
        way_before, odometry_before = self._walker.scales()
        ways: list[TapeScale] = []
        estimates: list[TapeScale | None] = []
        for axis, name in enumerate(WAYS):
            if not self._walker.fastest()[axis]:
                self._say(f"{name}: left out, since the gait {gait} does not go so")
                ways.append(TapeScale(way_before[axis], 0.0))
                estimates.append(TapeScale(odometry_before[axis], 0.0))
                continue
            runs = []
            for number in range(RUNS):
                runs.append((yield from self._run(axis, f"Run {number + 1} of {RUNS}.")))
            ways.append(way_scale(runs, way_before[axis]))
            estimates.append(odometry_scale(runs, odometry_before[axis]))
            self._found.append((name, str(ways[-1])))
            self._say(f"{name}: true way by that of the strides {ways[-1]}, by odometry {estimates[-1] or 'not known'}")
        return (yield from self._saved(gait, ways, estimates))

    def _run(self, axis: int, which: str) -> Dialog[TapeRun]:
        """Walk and measure until the run makes sense."""
        again = ""
        while True:
            text = f"{again}{_WALKS[axis]} {which}\n{MARK_TEXT}"
            yield from ask(Question(f"walk_{WAYS[axis]}", text, (_GO,)))
            twist = [0.0, 0.0, 0.0]
            twist[axis] = SPEED_SHARE * self._walker.fastest()[axis]
            try:
                way = self._walker.go((twist[0], twist[1], twist[2]), TAPE_WAYS[axis] / twist[axis])
                true = yield from self._read(axis)
                run = TapeRun(axis, true, way.planned, way.estimated)
                check_run(run)
                self._say(f"{WAYS[axis]}: {100 * run.scale:.0f} % of the planned way")
                return run
            except (NotReached, Refused) as error:
                why = str(error)
            except TapeError as error:
                if not TapeFault(error.code).again:
                    raise
                why = str(error)
            self._say(f"{WAYS[axis]}: not taken: {why}")
            again = f"Once more, since this was not taken: {why}.\n"

    def _read(self, axis: int) -> Dialog[Planar]:
        """What tape and line say (m, m, rad). Raises Refused where the run is to be repeated."""
        mm, turn = Number("mm", -_FARTHEST, _FARTHEST), Number("°", -720.0, 720.0)
        questions = [
            Question("ahead", "How far ahead of the mark is its middle now, along the line?", (_SLIPPED,), mm),
            Question("left", "How far to the left of the line? To the right is negative.", (_SLIPPED,), mm),
            Question("turned", "By how much has it turned to the left, from the line?", (_SLIPPED,), turn),
        ]
        read = [0.0, 0.0, 0.0]
        for number, question in enumerate(questions):
            if axis != TURN or number == TURN:
                answer = yield from ask(question)
                if answer == _SLIPPED.word:
                    raise Refused("it slipped or was held")
                assert question.number
                read[number] = question.number.read(answer) or 0.0
        return read[0] / 1000, read[1] / 1000, radians(read[2])

    def _saved(self, gait: str, ways: list[TapeScale], estimates: list[TapeScale | None]) -> Dialog[bool]:
        keys = _keys("way_scale", ways)
        known = [scale for scale in estimates if scale]
        if len(known) == len(ways):
            keys |= _keys("odometry_scale", known)
        lines = "\n".join(f"{key}: {value}" for key, value in keys.items())
        text = f"Save these into gaits.{gait} of the robot file?\n{lines}"
        choices = (Choice("yes", "y", "save them"), Choice("no", "n", "leave the robot file as it is"))
        if (yield from ask(Question("save", text, choices))) == "no":
            self._say("The robot file is not changed.")
            return False
        changes = {"gaits": {gait: keys}}

        def write() -> None:
            self._file.save(changes)

        yield from until_saved(write, changes, self._say)
        self._say(f"Saved: gaits.{gait} {keys}. `quadleg run` takes it up when it is started again.")
        if self._file.kept:
            self._say(f"The robot file as it was before is kept as {self._file.kept}.")
        return True


def _keys(name: str, scales: list[TapeScale]) -> dict[str, object]:
    """As the robot file has them."""
    return {
        name: [round(scale.value, 3) for scale in scales],
        f"{name}_deviation": [round(scale.deviation, 3) for scale in scales],
    }
