"""The simulated board with a world behind it: the same bytes, true angles from outside, in real time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from sample_robots import inspector

from quadleg.commissioning.calibration.bench import QuickClock
from quadleg.hardware.pca9685 import PCA9685
from quadleg.kinematics.body_pose import stance_angles
from quadleg.servos.pulse_conversion import pulse_from_angle
from quadleg.servos.servo_bank import ServoBank
from quadleg.servos.simulated_board import SimulatedBoard
from quadleg.simulation.realtime_world import RealTimeWorld
from quadleg.simulation.world import World

ROBOT = inspector()
REST = stance_angles(ROBOT, ROBOT.resting)
STANDING = stance_angles(ROBOT, ROBOT.standing)
ALL = (True,) * 12
FRAME = 0.02


def bank_on(board: SimulatedBoard) -> ServoBank:
    chip = PCA9685(board, ROBOT.board, sleep=lambda _: None)
    chip.start()
    return ServoBank(ROBOT, chip)


# The board alone


def test_a_driven_board_has_the_angles_that_it_is_told_and_gives_its_pulses() -> None:
    clock = QuickClock(100.0)
    board = SimulatedBoard(ROBOT, REST, clock=clock)
    bank = bank_on(board)
    assert not board.was_driven()
    clock.now += FRAME
    assert board.drive(REST) == (None,) * 12
    assert board.was_driven()
    bank.write(STANDING, ALL)
    clock.now += FRAME
    assert board.angles() == pytest.approx(REST)
    wanted = [pulse_from_angle(joint.servo, angle) for joint, angle in zip(ROBOT.joints, STANDING)]
    assert board.drive([0.1] * 12) == pytest.approx(wanted, abs=3e-6)
    clock.now += 0.5
    assert board.angles() == pytest.approx([0.1] * 12)


def test_when_the_world_is_gone_the_board_s_own_servos_go_on() -> None:
    clock = QuickClock(100.0)
    board = SimulatedBoard(ROBOT, REST, clock=clock)
    bank = bank_on(board)
    clock.now += FRAME
    board.drive(REST)
    bank.write(STANDING, ALL)
    clock.now += 3.0
    assert board.angles() == pytest.approx(STANDING, abs=0.01)


def test_a_driven_board_still_loses_its_power_and_its_bus() -> None:
    clock = QuickClock(100.0)
    board = SimulatedBoard(ROBOT, REST, clock=clock)
    bank_on(board).write(STANDING, ALL)
    clock.now += FRAME
    assert None not in board.drive(REST)
    board.break_bus(0.5)
    assert None not in board.drive(REST)  # the outputs go on
    board.power_loss()
    assert board.drive(REST) == (None,) * 12


def test_another_process_sees_the_world_s_angles(tmp_path: Path) -> None:
    with (
        SimulatedBoard(ROBOT, REST, tmp_path / "board") as board,
        SimulatedBoard(ROBOT, REST, tmp_path / "board") as other,
    ):
        bank_on(board).write(STANDING, ALL)
        board.drive([0.2] * 12)
        assert other.angles() == pytest.approx([0.2] * 12)
        assert other.was_driven()


# With a world


class PhysicsBoardRig:
    """A world behind a board that may be replaced, on a clock that the test moves."""

    def __init__(self) -> None:
        self.now = 100.0
        self.board = self.new_board()
        self.world = World(ROBOT)
        self.ends: list[float] = []
        self.physics = RealTimeWorld(self.world, lambda: self.board, self.ends.append, self.now)

    def new_board(self) -> SimulatedBoard:
        return SimulatedBoard(ROBOT, REST, clock=lambda: self.now)

    def frames(self, count: int) -> None:
        """So many frames, each when it is due."""
        for _ in range(count):
            self.now = self.physics.due
            self.physics.step(self.now)


@pytest.fixture
def bench() -> PhysicsBoardRig:
    return PhysicsBoardRig()


def test_registers_move_the_body(bench: PhysicsBoardRig) -> None:
    bank = bank_on(bench.board)
    bench.frames(5)
    assert bench.world.belly_down
    # As fast as the servos go: all at once it would jump.
    for share in np.linspace(0, 1, 40):
        bank.write([r + share * (s - r) for r, s in zip(REST, STANDING)], ALL)
        bench.frames(1)
    bench.frames(10)
    assert bench.world.pose[0][2] == pytest.approx(ROBOT.standing.height, abs=0.01)
    assert bench.board.angles() == pytest.approx(STANDING, abs=0.06)
    bank.all_off()
    bench.frames(round(5.0 / FRAME))
    assert bench.world.pose[0][2] < 0.1


def test_frames_follow_the_clock(bench: PhysicsBoardRig) -> None:
    begun = bench.now
    bench.frames(10)
    assert np.diff([begun, *bench.ends]) == pytest.approx(FRAME, abs=1e-6)
    assert bench.world.time == pytest.approx(len(bench.ends) * FRAME, abs=1.5 * FRAME)


def test_a_computer_that_is_far_behind_lets_the_world_stand_still(bench: PhysicsBoardRig) -> None:
    bench.frames(2)
    bench.now += 10.0
    bench.physics.step(bench.now)
    assert bench.ends[-1] == bench.now
    assert bench.physics.due == pytest.approx(bench.now + FRAME)
    assert bench.world.time == pytest.approx(3 * FRAME, abs=1.5 * FRAME)


def test_a_closed_board_stops_no_clock(bench: PhysicsBoardRig) -> None:
    bench.frames(2)
    old, bench.board = bench.board, bench.new_board()
    old.close()
    bench.board.close()
    bench.frames(5)
    bench.board = bench.new_board()
    bench.frames(3)
    assert bench.board.was_driven()


def test_a_hand_puts_the_body_down(bench: PhysicsBoardRig) -> None:
    bench.frames(2)
    bench.physics.put_at_rest(STANDING)
    assert bench.world.pose[0][2] > 0.1
    bench.frames(3)
    assert bench.board.angles() == pytest.approx(STANDING, abs=0.3)
