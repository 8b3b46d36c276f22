"""`quadleg calibrate --imu`: a simulated hand tilts the robot; what is found, refused and saved, without a pulse."""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator
from math import degrees, radians
from pathlib import Path

import pytest
from i2c_bus import FakeBus
from sample_robots import sensor_robot_file

from quadleg.cli import main
from quadleg.commissioning.calibration import bench
from quadleg.commissioning.calibration.bench import QuickClock, hidden_mounting
from quadleg.commissioning.calibration.imu_calibration import ImuCalibration
from quadleg.commissioning.calibration.imu_mounting import turn_between
from quadleg.commissioning.calibration.session import ImuSession
from quadleg.commissioning.calibration.tilt_recorder import PATIENCE, TiltRecorder
from quadleg.commissioning.dialog import Question, run_dialog
from quadleg.errors import MountingError, Refused
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import ZERO_VECTOR
from quadleg.hardware.i2c_board import I2cBoard
from quadleg.hardware.mpu6050 import Mpu6050
from quadleg.robot.model import RobotModel
from quadleg.robot_file.editor import RobotFileEditor
from quadleg.robot_file.load import load_robot
from quadleg.servos.simulated_board import SimulatedBoard
from quadleg.servos.simulated_pca9685 import reset_registers
from quadleg.servos.simulated_sensors import Motion, SimulatedMpu6050
from quadleg.servos.tilting_hand import TiltingHand

ALL = ["cautions: yes", "level: go", "forward: go", "left: go", "save: yes"]
MISALIGNED = radians(3)  # the hand's 2° about the vertical, and noise


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return sensor_robot_file(tmp_path)


@pytest.fixture
def registers(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[bytes]]:
    """The PWM chip's registers of each simulated board, as they are when it is closed: those after a reset."""
    seen: list[bytes] = []

    class WatchedBoard(SimulatedBoard):
        def close(self) -> None:
            seen.append(self.registers())
            super().close()

    monkeypatch.setattr(bench, "SimulatedBoard", WatchedBoard)
    yield seen
    assert seen == [bytes(reset_registers())] * len(seen)


def calibrated(path: Path, lines: list[str], *more: str) -> int:
    answers = path.with_name("answers.yaml")
    answers.write_text("".join(f"- {line}\n" for line in lines))
    return main.main(["calibrate", str(path), "--imu", "--answers", str(answers), *more])


def mounting_of(path: Path) -> Pose:
    frame = next(frame for frame in load_robot(path).frames if frame.name == "imu_link")
    return Pose.from_rpy(*ZERO_VECTOR, *frame.rpy)


@pytest.mark.parametrize("seed", range(6))
def test_the_hidden_mounting_is_found_and_saved_without_a_pulse(
    seed: int, path: Path, registers: list[bytes], capsys
) -> None:
    before = path.read_text()
    assert calibrated(path, ALL, "--seed", str(seed)) == 0
    assert turn_between(mounting_of(path), hidden_mounting(seed)) < MISALIGNED
    assert len(registers) == 1
    said = capsys.readouterr().out
    assert "misaligned by" in said
    assert "The robot file as it was before is kept as" in said
    after = path.read_text()
    assert [line for line in before.splitlines() if "rpy_deg" not in line] == [
        line for line in after.splitlines() if "rpy_deg" not in line
    ]
    assert "# roll, pitch and yaw of its axes against the body's" in after
    (version,) = path.with_name(f"{path.name}.versions").iterdir()
    assert version.read_text() == before


@pytest.mark.parametrize(("last", "said"), [("no", "is not changed"), ("end", "Ended. The robot file is not changed")])
def test_nothing_is_overwritten_unless_it_is_asked_for(
    last: str, said: str, path: Path, registers: list[bytes], capsys
) -> None:
    before = path.read_text()
    assert calibrated(path, [*ALL[:-1], f"save: {last}"]) == 1
    assert path.read_text() == before
    assert said in capsys.readouterr().out
    assert registers


def test_a_file_without_the_frame_gets_it(path: Path, capsys) -> None:
    text = path.read_text()
    begin = text.index("  imu_link:")
    path.write_text(text[:begin] + text[text.index("  camera_link:") :])
    assert calibrated(path, ALL, "--seed", "3") == 0
    assert turn_between(mounting_of(path), hidden_mounting(3)) < MISALIGNED
    assert "measure xyz_mm" in capsys.readouterr().out


def test_a_robot_without_an_imu_and_words_that_do_not_fit_are_told(path: Path, capsys) -> None:
    text = path.read_text()
    path.write_text(text[: text.index("\nimu:")] + "\n")
    assert calibrated(path, ALL) == 1
    assert "add a line as `imu: {kind: mpu6050, address: 0x68}`" in capsys.readouterr().err
    assert main.main(["calibrate", str(path), "rear_left_knee", "--imu"]) == 1
    assert "--imu is of the whole robot" in capsys.readouterr().err


class ImuRig:
    """A robot on a made-up I2C bus with an IMU that sits at `mounting`, and a hand that tilts it."""

    def __init__(self, path: Path, mounting: Pose) -> None:
        self.clock = QuickClock()
        self.said: list[str] = []
        self.bus = FakeBus(clock=self.clock)
        robot = load_robot(path).on_board("i2c")
        assert robot.imu
        self.hand = TiltingHand(mounting, self.clock, 1)
        self.chip = SimulatedMpu6050(self.feel, robot.imu.gyro_bias)
        self.bus.others[robot.imu.address] = self.chip
        self.change: Callable[[Motion], Motion] = lambda felt: felt
        board = I2cBoard(robot.board, lambda path, address: self.bus)
        imu = Mpu6050(board.neighbour(robot.imu.address), robot.imu)
        self.recorder = TiltRecorder(imu, self.clock, self.clock.sleep)
        self.session = ImuCalibration(robot, RobotFileEditor(path), self.recorder, self.said.append, self.hand)

    def feel(self) -> Motion:
        return self.change(self.hand.feel())

    def hold(self, person: Callable[[Question], str]) -> bool:
        """The dialog's result; the PWM chip is untouched, whatever happened."""
        asked: list[str] = []

        def answer(question: Question) -> str:
            asked.append(question.key)
            assert len(asked) < 30, asked
            return person(question)

        try:
            return run_dialog(self.session.calibrate(), answer)
        finally:
            assert bytes(self.bus.chip.registers) == bytes(reset_registers())


def first_answer(question: Question) -> str:
    return question.choices[0].word


@pytest.fixture
def rig(path: Path) -> ImuRig:
    return ImuRig(path, Pose.from_rpy(0, 0, 0, radians(178), radians(-3), radians(95)))


def test_an_imu_on_i2c_is_mounted(rig: ImuRig, path: Path) -> None:
    assert rig.hold(first_answer)
    true = Pose.from_rpy(0, 0, 0, radians(178), radians(-3), radians(95))
    assert turn_between(mounting_of(path), true) < MISALIGNED


def test_what_fails_in_a_pose_is_told_and_the_pose_is_asked_for_again(rig: ImuRig, path: Path) -> None:
    """Unplugged, tilted too far aside, stopped, moved all the time, tilted before the answer: then all goes well."""
    shaken = 0

    def shake(felt: Motion) -> Motion:
        nonlocal shaken
        shaken += 1
        (x, y, z), force = felt
        return (x + (0.5 if shaken // 40 % 2 else -0.5), y, z), force

    def person(question: Question) -> str:
        told.append(question.text)
        times = sum(question.key == key for key in keys)
        keys.append(question.key)
        rig.bus.failures, rig.bus.before, rig.change = [], lambda: None, lambda felt: felt
        if question.key == "level" and times == 0:
            rig.bus.failures = [0] * 20 + [errno.EREMOTEIO]
        elif question.key == "level" and times == 1:
            rig.change = shake
        elif question.key == "forward" and times == 0:
            rig.bus.before = lambda: rig.recorder.stop() if rig.recorder.tilt > 0.2 else None
        elif question.key == "left" and times == 0:
            rig.hand.axis_errors = [radians(-80)]
        return question.choices[0].word

    keys: list[str] = []
    told: list[str] = []
    assert rig.hold(person)
    assert keys == ["cautions", "level", "level", "level", "forward", "forward", "left", "left", "save"]
    refused = [line for line in rig.said if "not taken" in line]
    assert "no chip answers at address 0x68" in refused[0]
    assert f"did not keep still for 1.5 s within {PATIENCE:.0f} s" in refused[1]
    assert refused[2] == "forward: not taken: stopped"
    assert "about the same axis" in refused[3]
    assert told[2].startswith("Once more, since this was not taken: no chip answers")


def test_a_tilt_that_never_comes_or_came_too_early_is_told(rig: ImuRig) -> None:
    level = rig.recorder.level()
    assert level.size == pytest.approx(9.8, abs=0.1)
    with pytest.raises(MountingError, match="was not tilted within 40 s"):
        rig.recorder.tilted(level)
    rig.hand.tilt((0.0, 1.0, 0.0))
    rig.clock.sleep(5.0)
    with pytest.raises(MountingError, match=r"tilted by .* already: lay it down"):
        rig.recorder.tilted(level)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda felt: (tuple(-rate for rate in felt[0]), felt[1]), "to the opposite side"),
        (lambda felt: ((0.0, 0.0, 0.0), felt[1]), "by 0° by the gyro's turn"),
        (lambda felt: (felt[0], tuple(0.8 * force for force in felt[1])), "m/s², -20 % off"),
        (lambda felt: (felt[0], (0.0, 0.0, 0.0)), "0.00 m/s², -100 % off"),
        (lambda felt: (felt[0], tuple(-force for force in felt[1])), "clockwise from the one forward"),
    ],
)
def test_contradictions_end_it_and_nothing_is_saved(
    change: Callable[[Motion], Motion], said: str, rig: ImuRig, path: Path
) -> None:
    before = path.read_text()
    rig.change = change
    with pytest.raises(Refused, match=r"^nothing is saved: ") as told:
        rig.hold(first_answer)
    assert said in str(told.value)
    assert path.read_text() == before


def test_tilts_that_are_not_square_are_refused(rig: ImuRig, path: Path) -> None:
    before = path.read_text()
    rig.hand.axis_errors = [radians(5), radians(-5)]
    with pytest.raises(Refused, match=r"are (79|80|81)\.\d° apart, where 90° within 6°"):
        rig.hold(first_answer)
    assert path.read_text() == before


def test_an_accelerometer_with_offsets_of_its_data_sheet_will_do(rig: ImuRig, path: Path) -> None:
    """50 mg across: 2.9° of roll and pitch that belong to what the IMU says, so the mounting takes them up."""
    g = 9.80665

    def off(felt: Motion) -> Motion:
        rates, (x, y, z) = felt
        return rates, (x + 0.05 * g, y - 0.05 * g, z + 0.03 * g)

    rig.change = off
    assert rig.hold(first_answer)
    felt = Pose.from_rpy(0, 0, 0, radians(178), radians(-3), radians(95))
    assert degrees(turn_between(mounting_of(path), felt)) < 2.9 * 2**0.5 + 3


def test_a_board_that_makes_pulses_is_not_tilted(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is written to it either."""
    from quadleg.hardware.pca9685 import PCA9685

    bus = FakeBus(clock=lambda: 1.0)
    running = load_robot(path).on_board("i2c")
    chip = PCA9685(I2cBoard(running.board, lambda path, address: bus), running.board, lambda seconds: None)
    chip.start()
    chip.write({3: 300})
    registers = bytes(bus.chip.registers)

    def open_board(robot: RobotModel, *_: object) -> I2cBoard:
        return I2cBoard(robot.board, lambda path, address: bus)

    monkeypatch.setattr(bench, "open_board", open_board)
    with pytest.raises(Refused, match="the board makes pulses"):
        run_dialog(ImuSession(path, board="i2c").dialog(), first_answer)
    assert bytes(bus.chip.registers) == registers
    assert bus.closed
