"""`quadleg trim`: it stands, is nudged, saves its zeros, and sits down whatever ends it."""

from __future__ import annotations

import shutil
import threading
import time
from math import degrees, radians
from pathlib import Path

import pytest
from calibration_rig import uncalibrated_file

from quadleg.cli import main
from quadleg.commissioning.calibration import bench
from quadleg.commissioning.calibration.in_process_robot import InProcessRobot
from quadleg.commissioning.calibration.trim import Trim
from quadleg.commissioning.dialog import Question, run_dialog
from quadleg.errors import Refused
from quadleg.hardware.pca9685 import PCA9685
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import JOINT_NAMES
from quadleg.robot_file.load import find_robot, load_robot
from quadleg.safety.state_machine import State
from quadleg.servos.simulated_board import SimulatedBoard

KNEE = JOINT_NAMES.index("front_left_knee")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return Path(shutil.copy(find_robot("greenhouse_inspector"), tmp_path / "mine.yaml"))


def test_a_nudge_moves_the_standing_joint_and_becomes_its_zero(path: Path) -> None:
    work = Trim(path, quick=True)
    given = iter(["yes", "yes", "next", "next", "+45", "-5", "save"])
    read = []

    def answer(question: Question) -> str:
        if question.key == "trim":
            assert work.standing.state is State.ACTIVE
            for _ in range(20):  # frames for it to get there, in the robot's own time
                until = work.bench.clock() + 0.05
                while work.bench.clock() < until:
                    pass
            read.append(degrees(work.bench.protractor(JOINT_NAMES[KNEE])))
        return next(given)

    before = load_robot(path).joints[KNEE].servo.pulse_at_zero
    assert run_dialog(work.dialog(), answer)
    assert read[-1] - read[2] == pytest.approx(40 / 11.111, abs=0.6)  # a count, and the deadband
    assert load_robot(path).joints[KNEE].servo.pulse_at_zero == pytest.approx(before + 40e-6, abs=1e-7)
    assert work.said[:2] == ["It rises.", "Saved: front_left_knee"]
    assert work.said[-2:] == ["It sits down.", "The pulses are off."]


@pytest.mark.parametrize("how", ["end", "interrupt"])
def test_whatever_ends_it_it_sits_down_first(path: Path, how: str, monkeypatch: pytest.MonkeyPatch) -> None:
    work = Trim(path, quick=True)
    given = iter(["yes", "yes"])
    cut_from, close = [], SimulatedBoard.close

    def closing(board: SimulatedBoard) -> None:
        cut_from.append((work.standing.state, any(board.powered()), board.angles()))
        close(board)

    monkeypatch.setattr(SimulatedBoard, "close", closing)

    def answer(question: Question) -> str:
        if question.key != "trim":
            return next(given)
        if how == "interrupt":
            raise KeyboardInterrupt
        return "end"

    before = path.read_text()
    if how == "interrupt":
        with pytest.raises(KeyboardInterrupt):
            run_dialog(work.dialog(), answer)
    else:
        assert not run_dialog(work.dialog(), answer)
    ((state, powered, angles),) = cut_from
    assert (state, powered) == (State.OFF, False)
    # At rest, not dropped from the height at which it stood.
    rest = stance_angles(work.robot, work.robot.resting)
    assert max(abs(a - b) for a, b in zip(angles, rest)) < radians(14)  # the horns went on anywhere
    assert path.read_text() == before


def test_a_stop_is_limp_at_once_and_saves_nothing(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    work = Trim(path, quick=True)
    boards: list[SimulatedBoard] = []

    def board(*arguments: object) -> SimulatedBoard:
        boards.append(SimulatedBoard(*arguments))
        return boards[-1]

    monkeypatch.setattr(bench, "SimulatedBoard", board)
    given = iter(["yes", "yes"])

    def answer(question: Question) -> str:
        if question.key != "trim":
            return next(given)
        work.cut()
        assert not any(boards[-1].powered())
        return "+5"

    with pytest.raises(Refused, match="stopped by a key"):
        run_dialog(work.dialog(), answer)


def test_a_clock_that_runs_on_between_two_looks_at_it_does_not_end_the_standing() -> None:
    """As on a busy computer; a negative sleep is an error, which would leave the robot to its last pulses."""
    robot = load_robot(find_robot("greenhouse_inspector"))
    turn, now = threading.Lock(), [0.0]

    def clock() -> float:
        with turn:
            # Three looks a tick, longer than its period. The test itself, which only waits, takes no time.
            now[0] += 0.0 if threading.current_thread() is threading.main_thread() else 0.008
            return now[0]

    def sleep(seconds: float) -> None:
        if seconds < 0:
            raise ValueError("sleep length must be non-negative")
        with turn:
            now[0] += seconds
        time.sleep(0.001)  # twenty times as fast as it would be: whoever waits for it has to keep up

    board = SimulatedBoard(robot, stance_angles(robot, robot.resting), clock=clock)
    standing = InProcessRobot(robot, lambda: board, clock, sleep)
    try:
        standing.rise()
        assert standing.state is State.ACTIVE
    finally:
        assert standing.sit()


def test_a_board_that_makes_pulses_already_is_refused(path: Path) -> None:
    robot = load_robot(path)
    board = SimulatedBoard(robot, stance_angles(robot, robot.resting))
    chip = PCA9685(board, robot.board)
    chip.start()
    chip.write({3: 300})
    with pytest.raises(Refused, match="makes pulses already"):
        InProcessRobot(robot, lambda: board)


def test_what_is_too_far_off_is_to_be_calibrated(path: Path) -> None:
    work = Trim(path, quick=True)
    given = iter(["yes", "yes", "to 100", "save"])
    before = path.read_text()
    assert run_dialog(work.dialog(), lambda question: next(given))
    assert any("calibrate front_left_abduction anew" in sentence for sentence in work.said)
    assert path.read_text() == before


def test_an_uncalibrated_robot_is_refused_by_its_joints(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    answers = tmp_path / "answers.yaml"
    answers.write_text("- cautions: yes\n")
    assert main.main(["trim", str(uncalibrated_file(tmp_path)), "--answers", str(answers)]) == 1
    assert "not calibrated: front_left_abduction" in capsys.readouterr().err


def test_the_command_trims_by_a_file_of_answers(path: Path) -> None:
    answers = path.with_name("answers.yaml")
    answers.write_text("- cautions: yes\n- placed: yes\n- trim: [+25, save]\n")
    assert main.main(["trim", str(path), "--answers", str(answers)]) == 0
    assert load_robot(path).joints[0].servo.pulse_at_zero == pytest.approx(1525e-6)
    assert load_robot(next(path.with_name("mine.yaml.versions").iterdir())).joints[0].servo.pulse_at_zero == 1500e-6
