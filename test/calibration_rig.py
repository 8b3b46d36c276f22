"""A made-up bench: a robot file, its simulated board with hidden errors, and a person who reads angles there."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import degrees, radians
from pathlib import Path

from quadleg.commissioning.calibration.bench import QuickClock, on_bench
from quadleg.commissioning.calibration.bench_servo import BenchServo
from quadleg.commissioning.calibration.servo_calibration import Calibration
from quadleg.commissioning.calibration.servo_pulses import Pulses
from quadleg.commissioning.dialog import Dialog, Question, run_dialog
from quadleg.hardware.pca9685 import PCA9685
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import JOINT_NAMES, Angles, RobotModel
from quadleg.robot_file.editor import RobotFileEditor
from quadleg.robot_file.load import find_robot, load_robot
from quadleg.servos.servo_bank import ServoBank
from quadleg.servos.simulated_board import SimulatedBoard

NONE = [0.0] * 12


def uncalibrated_file(folder: Path, name: str = "my_robot.yaml") -> Path:
    """The demo robot's file, as before its calibration."""
    lines = find_robot("greenhouse_inspector").read_text(encoding="utf-8").splitlines()
    lines = [line.split(", pulse_at_zero_us")[0] + "}" if ", pulse_at_zero_us" in line else line for line in lines]
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


class PersistentBoard(SimulatedBoard):
    """A board that is still there after the session that closed it."""

    def close(self) -> None:
        pass


@dataclass
class CalibrationRig:
    """`truth` is the robot as it is built, which the file need not know; hidden errors in rad and as shares.

    A second session on a board that is running is given it with its clock.
    """

    path: Path
    horns: Angles = field(default_factory=lambda: NONE)
    turns: Angles = field(default_factory=lambda: NONE)
    truth: RobotModel | None = None
    clock: QuickClock = field(default_factory=QuickClock)
    board: PersistentBoard | None = None

    def __post_init__(self) -> None:
        self.said: list[str] = []
        self.robot = load_robot(self.path)
        truth = on_bench(self.truth or self.robot)
        rest = stance_angles(self.robot, self.robot.resting)
        self.board = self.board or PersistentBoard(truth, rest, None, 1, self.clock, self.horns, self.turns)
        self.file = RobotFileEditor(self.path)
        self.sleep = self.clock.sleep
        self.fails: Callable[[], None] = lambda: None
        self.pulses = Pulses(self.robot.board, self.open, self._sleep)
        self.session = Calibration(BenchServo(self.robot, self.file, self.pulses, self.said.append, self.angle))

    def _sleep(self, seconds: float) -> None:
        self.sleep(seconds)

    def open(self) -> PersistentBoard:
        self.fails()
        return self.board

    def angle(self, name: str) -> float:
        return self.board.angles()[JOINT_NAMES.index(name)]

    def worst_error(self, only: str = "") -> float:
        """The worst error in rad of any joint, sent by the robot file to angles all over its limits and left alone."""
        calibrated = load_robot(self.path)
        chip = PCA9685(self.board, calibrated.board, self.clock.sleep)
        chip.start()
        bank = ServoBank(calibrated, chip)
        worst = 0.0
        places = 120
        for k in [*range(places + 1), *range(places, -1, -1)]:
            angles = [joint.lower + k / places * (joint.upper - joint.lower) for joint in calibrated.joints]
            bank.write(angles, [True] * 12)
            self.clock.sleep(2.0)
            errors = [abs(is_at - angle) for is_at, angle in zip(self.board.angles(), angles)]
            worst = max(worst, *(error for name, error in zip(JOINT_NAMES, errors) if only in name))
        bank.all_off()
        return worst

    def count(self, name: str) -> float:
        """The angle in rad that one count turns a joint."""
        servo = self.robot.joints[JOINT_NAMES.index(name)].servo
        return self.pulses.count / abs(servo.pulse_per_radian)


@dataclass
class SimulatedUser:
    """Answers as a careful person would, who reads angles with an error of up to `error_deg`, to `step_deg`."""

    bench: CalibrationRig
    error_deg: float = 0.5
    seed: int = 0
    planned: dict[str, list[str]] = field(default_factory=dict)
    asked: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)  # the texts of the questions

    def __post_init__(self) -> None:
        self.draw = random.Random(self.seed)
        self.away = 0.0

    def reads(self) -> str:
        read = degrees(self.bench.angle(self.bench.session.servo.name)) + self.draw.uniform(
            -self.error_deg, self.error_deg
        )
        return f"{read:.4f}"

    def __call__(self, question: Question) -> str:
        assert not question.complaint, question.complaint
        self.asked.append(question.key)
        self.told.append(question.text)
        if self.planned.get(question.key):
            return self.planned[question.key].pop(0)
        words = [choice.word for choice in question.choices]
        if question.key == "mark":
            return self.mark(question, words)
        if question.key in ("check", "horn"):
            return self.reads()
        usual = {"end": "none", "ready": "go", "running": "off", "copy": "yes", "mirror": "no", "drop": "yes"}
        return usual.get(question.key, words[0])

    def mark(self, question: Question, words: list[str]) -> str:
        target = float(question.text.split(" to ")[1].split("°")[0])
        away = radians(target) - self.bench.angle(self.bench.session.servo.name)
        still = abs(away - self.away) < 1e-6  # the servo's own end is nearer
        self.away = away
        if abs(away) < radians(1) or still:
            return f"at {self.reads()}"
        if "near" in words and "near" not in self.asked[-2:]:
            self.asked.append("near")
            return "near"
        servo = self.bench.robot.joints[JOINT_NAMES.index(self.bench.session.servo.name)].servo
        true = replace(servo, stops=servo.kind.pulse_range)
        return f"{1e6 * true.pulse_per_radian * away:+.0f}"


def hold(dialog: Dialog[bool], person: Callable[[Question], str]) -> bool:
    """Whether the dialog came to its good end; one that goes round and round fails."""
    asked: list[str] = []

    def answer(question: Question) -> str:
        asked.append(question.key)
        assert len(asked) < 1500, f"goes round and round: {asked[-12:]}"
        return person(question)

    return run_dialog(dialog, answer)
