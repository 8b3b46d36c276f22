"""The simulated board: what its registers do to its servos, and that it outlives its process."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from dataclasses import replace
from math import radians
from pathlib import Path

import pytest
from sample_robots import BOTH, digger, inspector

from quadleg.commissioning.calibration.bench import QuickClock
from quadleg.errors import BoardError
from quadleg.hardware.pca9685 import PCA9685
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.servos.servo_bank import ServoBank
from quadleg.servos.simulated_board import SimulatedBoard

ALL = [True] * 12


def middle(robot: RobotModel) -> list[float]:
    return [(joint.lower + joint.upper) / 2 for joint in robot.joints]


def near(angles: list[float]) -> object:
    return pytest.approx(angles, abs=1e-9)


class SimulatedBoardRig:
    """A board with its clock, chip and bank."""

    def __init__(self, robot: RobotModel, memory: Path | None = None, seed: int = 0, now: float = 1000.0) -> None:
        self.robot = robot
        self.clock = QuickClock(now)
        self.board = SimulatedBoard(robot, middle(robot), memory, seed, self.clock)
        self.chip = PCA9685(self.board, robot.board, self.clock.sleep)
        self.bank = ServoBank(robot, self.chip)


@BOTH
def test_servos_begin_near_rest_by_seed(robot: RobotModel) -> None:
    first, same, other = (SimulatedBoardRig(robot, seed=seed).board.angles() for seed in (1, 1, 2))
    assert first == same != other
    for angle, rest, joint in zip(first, middle(robot), robot.joints):
        assert abs(angle - rest) <= radians(12)
        assert joint.lower <= angle <= joint.upper
    assert len({angle - rest for angle, rest in zip(first, middle(robot))}) == 12


def test_servos_begin_within_their_limits() -> None:
    robot = inspector()
    uppers = [joint.upper for joint in robot.joints]
    angles = SimulatedBoard(robot, uppers, seed=3).angles()
    assert all(angle <= upper for angle, upper in zip(angles, uppers))
    assert any(angle == upper for angle, upper in zip(angles, uppers))


@BOTH
def test_servos_follow_the_registers_at_their_speed(robot: RobotModel) -> None:
    bench = SimulatedBoardRig(robot)
    bench.chip.start()
    begin = bench.board.angles()
    bench.bank.write(middle(robot), ALL)
    held = bench.bank.quantised(middle(robot))
    for share in (0.25, 0.5, 10.0):
        duration = share * radians(12) / robot.no_load_speed(robot.joints[0])
        for angle, first, target, joint in zip(
            bench.board.angles(bench.clock.now + duration), begin, held, robot.joints
        ):
            servo = joint.servo
            error = target - first
            deadband = servo.kind.deadband / abs(servo.pulse_per_radian)
            way = min(max(abs(error) - deadband, 0), robot.no_load_speed(joint) * duration)
            assert angle == pytest.approx(first + (way if error > 0 else -way), abs=1e-9)


@BOTH
def test_the_driver_relies_on_nothing_that_the_chip_refuses(robot: RobotModel) -> None:
    bench = SimulatedBoardRig(robot)
    assert bench.chip.start() is False
    bench.bank.write(middle(robot), ALL)
    assert bench.board.powered() == (True,) * 12
    bench.bank.write(middle(robot), [False] * 12)
    bench.bank.all_off()
    assert bench.board.refused == []


def test_a_driver_that_does_not_wait_gets_no_pulses_yet() -> None:
    robot = inspector()
    bench = SimulatedBoardRig(robot)
    hasty = PCA9685(bench.board, robot.board, sleep=lambda seconds: None)
    hasty.start()
    hasty.write({0: 300})
    assert not any(bench.board.powered())
    bench.clock.now += 500e-6
    assert bench.board.powered() == (True,) + (False,) * 11


def test_pulses_are_whole_counts_of_the_true_period() -> None:
    bench = SimulatedBoardRig(inspector())
    bench.chip.start()
    bench.chip.write({0: 300, 11: 307})
    period = 4096 * 122 / 25e6
    pulses = bench.board.pulses()
    assert pulses[0] == pytest.approx(300 / 4096 * period)
    assert pulses[11] == pytest.approx(307 / 4096 * period)
    assert pulses[1:11] == (None,) * 10


def test_a_limp_servo_keeps_its_angle() -> None:
    bench = SimulatedBoardRig(inspector())
    bench.chip.start()
    begin = bench.board.angles()
    lowers = [joint.lower for joint in bench.robot.joints]
    bench.bank.write(lowers, [name.endswith("knee") for name in JOINT_NAMES])
    bench.clock.now += 5
    for name, angle, first in zip(JOINT_NAMES, bench.board.angles(), begin):
        assert (angle != first) == name.endswith("knee")


@pytest.mark.parametrize(
    "stop",
    [
        pytest.param(lambda bench: bench.bank.all_off(), id="all off"),
        pytest.param(lambda bench: bench.board.write(bytes((0x00, 0x30))), id="asleep"),
        pytest.param(lambda bench: bench.board.power_loss(), id="power loss"),
    ],
)
def test_servos_stop_where_they_are_when_the_pulses_do(stop) -> None:  # type: ignore[no-untyped-def]
    bench = SimulatedBoardRig(inspector())
    bench.chip.start()
    begin = bench.board.angles()
    bench.bank.write([joint.lower for joint in bench.robot.joints], ALL)
    bench.clock.now += 0.02
    stop(bench)
    bench.clock.now += 5
    assert not any(bench.board.powered())
    assert bench.board.angles() == near([angle - 6.5 * 0.02 for angle in begin])


def test_angles_before_the_pulses_begin_do_not_move() -> None:
    bench = SimulatedBoardRig(inspector())
    bench.board.write(bytes((0x00, 0x20)))
    # 400 counts of the period after reset are 0.5 ms: the knee turns to its lower end.
    bench.board.write(bytes((0x0E, 0, 0, 0x90, 0x01)))
    begin = bench.board.angles()
    assert bench.board.angles(bench.clock.now + 500e-6) == begin
    assert bench.board.angles(bench.clock.now + 500e-6 + 1e-3)[2] == pytest.approx(begin[2] - 6.5e-3, abs=1e-9)


def test_a_chip_after_a_power_loss_is_as_after_reset() -> None:
    bench = SimulatedBoardRig(inspector())
    bench.chip.start()
    bench.bank.write(middle(bench.robot), ALL)
    bench.board.power_loss()
    assert not bench.chip.running()
    # Still without auto-increment, a frame lands in one register.
    ServoBank(bench.robot, bench.chip).write(middle(bench.robot), ALL)
    assert not any(bench.board.powered())
    assert len(bench.board.refused) == 1


@BOTH
def test_a_new_process_finds_the_chip_and_the_angles(robot: RobotModel, tmp_path: Path) -> None:
    first = SimulatedBoardRig(robot, tmp_path / "board")
    first.chip.start()
    first.bank.write(middle(robot), ALL)
    first.board.close()
    second = SimulatedBoardRig(robot, tmp_path / "board", seed=99, now=1002.0)
    assert second.chip.start() is True
    assert second.bank.read_back() == near(list(first.bank.quantised(middle(robot))))
    deadbands = [joint.servo.kind.deadband / abs(joint.servo.pulse_per_radian) for joint in robot.joints]
    for angle, target, deadband in zip(second.board.angles(), first.bank.quantised(middle(robot)), deadbands):
        assert abs(angle - target) <= deadband + 1e-12


def test_a_file_from_before_the_machine_started_anew(tmp_path: Path) -> None:
    first = SimulatedBoardRig(inspector(), tmp_path / "board", now=5000.0)
    first.chip.start()
    first.bank.write(middle(first.robot), ALL)
    angles = first.board.angles()
    second = SimulatedBoardRig(inspector(), tmp_path / "board", now=30.0)
    assert second.chip.running() is False
    assert second.board.angles() == angles


def test_a_file_belongs_to_its_robot(tmp_path: Path) -> None:
    SimulatedBoardRig(inspector(), tmp_path / "board")
    with pytest.raises(BoardError, match=r"'greenhouse_inspector' on channels 0, 1, .* not of the robot 'digger'"):
        SimulatedBoardRig(digger(), tmp_path / "board")


def test_a_file_stays_right_through_a_calibration(tmp_path: Path) -> None:
    robot = inspector()
    before = SimulatedBoardRig(robot, tmp_path / "board").board.angles()
    leg = robot.legs[0]
    servo = replace(leg.joints[0].servo, pulse_at_zero=leg.joints[0].servo.pulse_at_zero + 30e-6)
    joints = (replace(leg.joints[0], servo=servo), *leg.joints[1:])
    calibrated = replace(robot, legs=(replace(leg, joints=joints), *robot.legs[1:]))
    assert SimulatedBoardRig(calibrated, tmp_path / "board").board.angles() == before


def test_remove_deletes_the_file(tmp_path: Path) -> None:
    bench = SimulatedBoardRig(inspector(), tmp_path / "board")
    bench.board.remove()
    assert list(tmp_path.iterdir()) == []
    SimulatedBoardRig(inspector()).board.remove()


CHILD = """
import sys
from pathlib import Path
from sample_robots import inspector
from quadleg.servos.servo_bank import ServoBank
from quadleg.commissioning.calibration.bench import QuickClock
from quadleg.hardware.pca9685 import PCA9685
from quadleg.servos.simulated_board import SimulatedBoard

robot = inspector()
rest = [(joint.lower + joint.upper) / 2 for joint in robot.joints]
board = SimulatedBoard(robot, rest, Path(sys.argv[1]))
chip = PCA9685(board, robot.board)
chip.start()
bank = ServoBank(robot, chip)
bank.write(rest, [True] * 12)
print("started", flush=True)
"""


def child(memory: Path, then: str) -> subprocess.Popen[str]:
    """Another process with the board started and all servos at rest, which goes on with `then`."""
    process = subprocess.Popen(
        [sys.executable, "-c", CHILD + then, str(memory)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "started\n"
    return process


def test_a_killed_process_leaves_the_board_as_it_was(tmp_path: Path) -> None:
    # Killed amid writes without a pause, so most likely within one.
    with child(tmp_path / "board", "while True: bank.write(rest, [True] * 12)") as process:
        process.send_signal(signal.SIGKILL)
    assert process.returncode == -signal.SIGKILL
    robot = inspector()
    with SimulatedBoard(robot, middle(robot), tmp_path / "board") as board:
        chip = PCA9685(board, robot.board)
        assert chip.start() is True
        bank = ServoBank(robot, chip)
        assert bank.read_back() == near(list(bank.quantised(middle(robot))))
        assert board.powered() == (True,) * 12
        for angle, rest in zip(board.angles(), middle(robot)):
            assert abs(angle - rest) <= radians(12)
        assert board.angles()[0] != middle(robot)[0]


def test_the_parent_writes_full_off_while_the_child_has_the_board_open(tmp_path: Path) -> None:
    robot = inspector()
    with child(tmp_path / "board", "input(); print(any(board.powered()))") as process:
        with SimulatedBoard(robot, middle(robot), tmp_path / "board") as board:
            assert all(board.powered())
            PCA9685(board, robot.board).all_off()
        answer, _ = process.communicate("\n")
    assert answer == "False\n"


def test_the_largest_step_of_a_joint_in_one_transaction_is_noted(tmp_path: Path) -> None:
    bench = SimulatedBoardRig(inspector(), tmp_path / "board")
    bench.chip.start()
    angles = list(middle(bench.robot))
    bench.bank.write(angles, [False] * 12)
    bench.bank.write(angles, ALL)  # first pulses are no steps
    assert bench.board.largest_step() == 0.0
    angles[4] += 0.2
    bench.bank.write(angles, ALL)
    # 0.2 rad at 6.5 rad/s, to a count.
    assert bench.board.largest_step() == pytest.approx(0.2 / 6.5, abs=0.001)
    angles[4] -= 0.1
    bench.bank.write(angles, ALL)
    assert bench.board.largest_step() == pytest.approx(0.2 / 6.5, abs=0.001)


@BOTH
def test_hidden_errors_turn_the_joints_and_not_the_registers(robot: RobotModel) -> None:
    horns, turns = [0.01 * i for i in range(12)], [0.002 * i for i in range(12)]
    true, hidden = SimulatedBoardRig(robot), SimulatedBoardRig(robot)
    hidden.board = SimulatedBoard(robot, middle(robot), None, 0, hidden.clock, horns, turns)
    hidden.chip = PCA9685(hidden.board, robot.board, hidden.clock.sleep)
    hidden.bank = ServoBank(robot, hidden.chip)
    for bench in (true, hidden):
        bench.chip.start()
        bench.bank.write(middle(robot), ALL)
        bench.clock.sleep(5.0)
    assert hidden.board.registers() == true.board.registers()
    for i, (is_at, meant, joint) in enumerate(zip(hidden.board.angles(), middle(robot), robot.joints)):
        servo = joint.servo
        sent = true.bank.quantised(middle(robot))[i]
        expected = (servo.pulse_per_radian * sent) / (servo.pulse_per_radian / (1 + turns[i])) + horns[i]
        slack = servo.kind.deadband / abs(servo.pulse_per_radian) * (1 + turns[i]) + 1e-9
        assert abs(is_at - expected) <= slack
        assert i == 0 or abs(is_at - meant) > 0.001
