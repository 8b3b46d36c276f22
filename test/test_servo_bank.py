"""Twelve joints on one chip."""

from __future__ import annotations

from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st
from register_recorder import RegisterRecorder
from sample_robots import BOTH, ROBOTS, digger, inspector

from quadleg.errors import BoardError
from quadleg.hardware.pca9685 import PCA9685
from quadleg.robot.model import RobotModel
from quadleg.servos.pulse_conversion import counts_from_pulse, pulse_from_angle
from quadleg.servos.servo_bank import ServoBank
from quadleg.servos.simulated_board import SimulatedBoard


def middle(robot: RobotModel) -> list[float]:
    return [(joint.lower + joint.upper) / 2 for joint in robot.joints]


def recorded(robot: RobotModel) -> tuple[ServoBank, RegisterRecorder]:
    board = RegisterRecorder()
    return ServoBank(robot, PCA9685(board, robot.board)), board


def started(robot: RobotModel) -> tuple[ServoBank, SimulatedBoard]:
    board = SimulatedBoard(robot, middle(robot))
    chip = PCA9685(board, robot.board)
    chip.start()
    return ServoBank(robot, chip), board


def test_a_frame_is_one_message_of_twelve_channels() -> None:
    bank, board = recorded(inspector())
    bank.write(middle(inspector()), [True] * 12)
    # The middle of every joint is 1500 us, at a true period of 4096 * 122 / 25 MHz: 307.4 counts = 0x133.
    assert board.transactions == [(bytes.fromhex("06" + "00003301" * 12),)]


def test_scattered_channels_are_one_transaction() -> None:
    bank, board = recorded(digger())
    bank.write(middle(digger()), [True] * 12)
    # Channels 0 to 5, 7, 9 and 10, 12 and 13, and 15.
    ((*messages,),) = board.transactions
    assert [(message[0], len(message) - 1) for message in messages] == [
        (0x06, 6 * 4),
        (0x06 + 4 * 7, 4),
        (0x06 + 4 * 9, 2 * 4),
        (0x06 + 4 * 12, 2 * 4),
        (0x06 + 4 * 15, 4),
    ]


def test_a_joint_without_power_is_full_off_and_its_angle_not_looked_at() -> None:
    bank, board = recorded(inspector())
    bank.write([nan, *middle(inspector())[1:]], [False] + [True] * 11)
    assert board.transactions == [(bytes.fromhex("06" + "00000010" + "00003301" * 11),)]


@pytest.mark.parametrize("angle", [nan, inf, -inf])
def test_an_angle_that_is_not_finite_is_refused(angle: float) -> None:
    bank, board = recorded(inspector())
    angles = middle(inspector())
    angles[5] = angle
    with pytest.raises(BoardError, match=f"front_right_knee cannot be set to {angle}"):
        bank.write(angles, [True] * 12)
    assert board.transactions == []


@pytest.mark.parametrize(("angles", "powered"), [(11, 12), (12, 11), (13, 13)])
def test_other_than_twelve_is_refused(angles: int, powered: int) -> None:
    bank, board = recorded(inspector())
    with pytest.raises(ValueError, match="zip"):
        bank.write([0.0] * angles, [True] * powered)
    assert board.transactions == []


@given(st.sampled_from(ROBOTS), st.lists(st.floats(0, 1), min_size=12, max_size=12))
def test_counts_are_those_of_the_calibration(robot: RobotModel, shares: list[float]) -> None:
    bank, _ = recorded(robot)
    period = PCA9685(RegisterRecorder(), robot.board).period
    angles = [j.lower + share * (j.upper - j.lower) for j, share in zip(robot.joints, shares)]
    for joint, angle, on_wire in zip(robot.joints, angles, bank.quantised(angles)):
        counts = counts_from_pulse(pulse_from_angle(joint.servo, angle), period)
        pulse = joint.servo.pulse_at_zero + joint.servo.pulse_per_radian * on_wire
        # Another count only where rounding would have gone beyond a stop.
        assert pulse * 4096 / period == pytest.approx(counts, abs=1e-6) or not (
            joint.servo.stops[0] <= counts * period / 4096 <= joint.servo.stops[1]
        )


@given(st.sampled_from(ROBOTS), st.floats(-4, 4))
def test_no_angle_goes_beyond_the_stops(robot: RobotModel, angle: float) -> None:
    bank, _ = recorded(robot)
    for joint, on_wire in zip(robot.joints, bank.quantised([angle] * 12)):
        low, high = joint.servo.stops
        pulse = joint.servo.pulse_at_zero + joint.servo.pulse_per_radian * on_wire
        assert low - 1e-12 <= pulse <= high + 1e-12


@BOTH
def test_what_is_written_is_read_back_quantised(robot: RobotModel) -> None:
    bank, _ = started(robot)
    assert bank.read_back() == (None,) * 12
    angles = [joint.lower + 0.3 * (joint.upper - joint.lower) for joint in robot.joints]
    powered = [True, False, True] * 4
    bank.write(angles, powered)
    expected = [angle if on else None for angle, on in zip(bank.quantised(angles), powered)]
    assert bank.read_back() == tuple(expected)


@BOTH
def test_joints_reach_the_servos_of_their_channels(robot: RobotModel) -> None:
    bank, board = started(robot)
    powered = [False] * 12
    powered[4] = True
    bank.write(middle(robot), powered)
    assert board.powered() == tuple(powered)
