"""What `quadleg calibrate` and `quadleg trim` do around a dialog: file, board, who answers, and a sure end."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from quadleg.cautions import OPEN_THE_SWITCH
from quadleg.commissioning.answer_file import FileAnswers
from quadleg.commissioning.calibration.bench import Bench, BenchCommand, on_bench, own_file
from quadleg.commissioning.calibration.bench_servo import BenchServo, spoken
from quadleg.commissioning.calibration.calibration_fit import TEETH
from quadleg.commissioning.calibration.imu_calibration import ImuCalibration
from quadleg.commissioning.calibration.servo_calibration import Calibration
from quadleg.commissioning.calibration.servo_pulses import Pulses
from quadleg.commissioning.calibration.tape_walk import TapeRobot, TapeWalk
from quadleg.commissioning.calibration.tilt_recorder import TiltRecorder
from quadleg.commissioning.calibration.trim import Trim
from quadleg.commissioning.dialog import Dialog, run_dialog
from quadleg.errors import BoardError, QuadlegError, Refused
from quadleg.hardware.board import Board
from quadleg.hardware.pca9685 import PCA9685
from quadleg.hardware.sensor_kinds import IMU
from quadleg.interrupts import ended_by_signals
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.robot_file.editor import RobotFileEditor, installed
from quadleg.robot_file.load import load_robot


@dataclass
class BenchSession(BenchCommand):
    """One `quadleg calibrate`: of which joints."""

    names: Sequence[str] = JOINT_NAMES
    fit_horns: bool = False
    teeth: int = TEETH
    cut_at_end: bool = True
    session: Calibration | None = None
    pulses: Pulses | None = None

    def dialog(self) -> Dialog[bool]:
        """The whole dialog; whether all was done. Raises QuadlegError where the file or the board are no good."""
        self.path = yield from own_file(self.path)
        robot = load_robot(self.path).on_board(self.board)
        bench = Bench(on_bench(robot), self.seed, self.quick)
        self.pulses = Pulses(robot.board, bench.open, bench.sleep)
        servo = BenchServo(robot, RobotFileEditor(self.path), self.pulses, self.say, bench.protractor, self.teeth)
        self.session = Calibration(servo)
        dialog = self.session.fit_horns if self.fit_horns else self.session.calibrate
        return (yield from dialog(self.names))

    def cut(self) -> None:
        """Pulses off at once, from any thread. Raises BoardError where the board does not take that."""
        if self.pulses:
            self.pulses.cut()

    @property
    def title(self) -> str:
        """What is being done, and to which joint."""
        done = "fit the horns of" if self.fit_horns else "calibrate"
        joint = ""
        if self.session and self.session.servo.name:
            joint = f"   {spoken(self.session.servo.name)}: {self.session.number} of {self.session.count}"
        return f"{done} {self.path.name}{joint}"

    def facts(self) -> list[tuple[str, str]]:
        """What is known of the joint at hand, as pairs of a heading and words."""
        return self.session.servo.facts() if self.session else []


@dataclass
class ImuSession(BenchCommand):
    """One `quadleg calibrate --imu`. No servo is powered, so that there are no pulses to cut."""

    cut_at_end: bool = True  # a recording ends at once
    recorder: TiltRecorder | None = None
    session: ImuCalibration | None = None

    def dialog(self) -> Dialog[bool]:
        """The whole dialog; whether a mounting is saved. Raises QuadlegError where file, board or IMU are no good."""
        self.path = yield from own_file(self.path)
        robot = load_robot(self.path).on_board(self.board)
        kind = IMU.kind(robot)
        if robot.imu is None or kind is None:
            raise Refused(
                f"{self.path} names no IMU that quadleg reads itself: add a line as `imu: {{kind: mpu6050, address: "
                f"0x68}}`"
            )
        bench = Bench(robot, self.seed, self.quick)
        with bench.open() as board:
            self._check_no_pulses(board, robot)
            imu = kind.driver(board.neighbour(robot.imu.address), robot.imu)
            self.recorder = TiltRecorder(imu, bench.clock, bench.sleep)
            self.session = ImuCalibration(
                robot, RobotFileEditor(self.path), self.recorder, self.say, bench.tilting_hand()
            )
            return (yield from self.session.calibrate())

    def _check_no_pulses(self, board: Board, robot: RobotModel) -> None:
        """Raise Refused where servos have power; reads registers only."""
        chip = PCA9685(board, robot.board)
        if chip.running() and any(chip.read().values()):
            raise Refused(
                "the board makes pulses, and a robot that holds itself must not be tilted: lower it with `quadleg "
                "sit`, or open the switch in its servo supply and cut the board's power once"
            )

    def cut(self) -> None:
        """End a recording, from any thread."""
        if self.recorder:
            self.recorder.stop()

    @property
    def title(self) -> str:
        return f"mount the IMU of {self.path.name}   no servo is powered"

    def facts(self) -> list[tuple[str, str]]:
        """What is known, as pairs of a heading and words."""
        return self.session.facts() if self.session else []


@dataclass
class TapeSession(BenchCommand):
    """One `quadleg calibrate --walk`, with a robot that stands in a running stack."""

    walker: TapeRobot
    cut_at_end: bool = False  # it stands on
    session: TapeWalk | None = None
    interrupted: ClassVar[str] = "the robot stops in its square stance; nothing is saved"

    def dialog(self) -> Dialog[bool]:
        """The whole dialog; whether scales are saved. Raises QuadlegError where file or stack are no good."""
        if why := installed(self.path):
            raise Refused(f"{why}. Copy it to a folder of yours, and `quadleg run` that copy")
        self.session = TapeWalk(load_robot(self.path), RobotFileEditor(self.path), self.walker, self.say)
        return (yield from self.session.calibrate())

    def cut(self) -> None:
        """Emergency stop, from any thread. Raises BoardError where nothing takes that."""
        try:
            self.walker.stop()
        except QuadlegError as error:
            raise BoardError(str(error), OPEN_THE_SWITCH) from error

    @property
    def title(self) -> str:
        return f"walk a tape with {self.path.name}   the robot stands with power"

    def facts(self) -> list[tuple[str, str]]:
        """What is known, as pairs of a heading and words."""
        return self.session.facts() if self.session else []


BenchWork = BenchSession | ImuSession | TapeSession | Trim


def by_file(work: BenchWork, answers: Path) -> bool:
    """Hold the dialog with a file of answers. Raises AnswerError where they do not fit."""
    given = FileAnswers(answers)
    with sure_end(work):
        done = run_dialog(work.dialog(), given)
    given.check_all_used()
    return done


def on_screen(work: BenchWork) -> bool:
    """Hold the dialog on the whole terminal. Raises QuadlegError where that or textual is missing."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise QuadlegError("this takes keys from a terminal, and here is none; --answers FILE needs none")
    try:
        from quadleg.commissioning.dialog_screen import Screen
    except ImportError:
        raise QuadlegError(
            "the screen needs textual: pip install -e '.[calibrate]' in quadleg's folder; --answers needs none"
        ) from None
    screen = Screen(work)
    with sure_end(work):
        return screen.hold()


@contextmanager
def sure_end(work: BenchWork) -> Iterator[None]:
    """A closed terminal and a SIGTERM end all as Ctrl-C does; what does not sit down by itself is cut at once."""

    def cut() -> None:
        if work.cut_at_end:
            with suppress(BoardError):
                work.cut()

    with ended_by_signals(cut):
        yield
