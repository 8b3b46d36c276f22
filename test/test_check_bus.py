"""The bus' time against UM10204 and the bytes that the driver sends; resolution against the data sheet."""

from __future__ import annotations

from dataclasses import replace
from math import degrees

import numpy as np
import pytest
import sample_robots
from random_robots import with_torque
from register_recorder import RegisterRecorder

from quadleg.commissioning.feasibility.bus_load import Bus
from quadleg.commissioning.feasibility.check import check
from quadleg.commissioning.feasibility.resolution import Resolution
from quadleg.commissioning.feasibility.stride_effort import GaitUse
from quadleg.commissioning.feasibility.verdict import FAILS, GOOD, TIGHT
from quadleg.hardware.bus_timing import frame_messages
from quadleg.hardware.pca9685 import PCA9685
from quadleg.kinematics.body_pose import stance_angles
from quadleg.kinematics.leg import forward
from quadleg.robot.model import RobotModel
from quadleg.servos.servo_bank import ServoBank

INSPECTOR, DIGGER = sample_robots.inspector(), sample_robots.digger()


def wired(robot: RobotModel, **board) -> RobotModel:
    return replace(robot, board=replace(robot.board, **board))


@pytest.mark.parametrize("robot", [INSPECTOR, DIGGER], ids=lambda robot: robot.name)
def test_a_frame_is_what_the_driver_sends(robot: RobotModel) -> None:
    board = RegisterRecorder()
    bank = ServoBank(robot, PCA9685(board, robot.board))
    bank.write(stance_angles(robot, robot.standing), (True,) * 12)
    ours = frame_messages(robot)
    sent = [message for transaction in board.transactions for message in transaction]
    assert [len(message) for message in sent] == [len(message) for message in ours]
    assert [message[0] for message in sent] == [message[0] for message in ours]
    assert len(ours) == bank.runs


@pytest.mark.parametrize(("speed", "milliseconds"), [(400e3, 1.13), (100e3, 4.52)])
def test_a_frame_takes_nine_clocks_a_byte(speed: float, milliseconds: float) -> None:
    """UM10204, 3.1.5 and 3.1.6: eight bits and an acknowledge; a start before and a stop after.

    50 bytes (the address, a register, 48 of twelve channels) are 450 clocks, start and stop two.
    """
    bus = Bus.of(wired(INSPECTOR, bus_speed=speed), ())
    assert bus.seconds == pytest.approx((9 * 50 + 2) / speed)
    assert 1000 * bus.seconds == pytest.approx(milliseconds, abs=0.005)
    assert (bus.size, bus.messages) == (49, 1)
    assert bus.most == pytest.approx(1 / bus.seconds)


def test_a_serial_frame_is_119_bytes_and_takes_24_ms_at_57600_baud() -> None:
    """As hardware/serial_board.py works it out: 63 and 47 bytes and 9 to ask, ten bits each; then the reply and I2C."""
    bus = Bus.of(wired(INSPECTOR, kind="serial", bus_speed=100e3), ())
    assert bus.size == 63 + 47 + 9
    assert 1000 * bus.seconds == pytest.approx(24, abs=0.5)
    row = bus.verdicts()[0]
    assert row.word == TIGHT
    assert "control.rate_hz of 41 at most" in row.cure
    fast = Bus.of(wired(INSPECTOR, kind="serial", baud=115200), ())
    assert fast.verdicts()[0].word == TIGHT


def test_the_bytes_of_a_serial_frame_are_those_that_the_board_sends() -> None:
    pytest.importorskip("serial")
    from firmata_device import FirmataDevice

    from quadleg.hardware.serial_board import SerialBoard
    from quadleg.servos.simulated_board import SimulatedBoard

    device = FirmataDevice(SimulatedBoard(DIGGER, stance_angles(DIGGER, DIGGER.resting)), address=0x41)
    try:
        with SerialBoard(device.settings(DIGGER.board)) as board:
            before = len(device.received)
            board.write(*frame_messages(DIGGER))
            sent = len(device.received) - before
    finally:
        device.vanish()
    assert Bus.of(wired(DIGGER, kind="serial"), ()).size == sent


def test_the_rate_against_the_bus() -> None:
    assert Bus.of(INSPECTOR, ()).verdicts()[0].word == GOOD
    slow = wired(INSPECTOR, bus_speed=100e3)
    assert Bus.of(replace(slow, control_rate=150.0), ()).verdicts()[0].word == TIGHT
    assert Bus.of(replace(slow, control_rate=250.0), ()).verdicts()[0].word == TIGHT
    assert Bus.of(replace(slow, control_rate=450.0), ()).verdicts()[0].word == FAILS


def test_a_gait_that_no_servo_follows_will_not_work_and_says_the_remedy() -> None:
    hop = replace(INSPECTOR.gait("trot"), name="hop", stride_period=0.2, foot_clearance=0.09)
    use = GaitUse.of(INSPECTOR, hop)
    row = Bus.of(INSPECTOR, [use]).verdicts()[1]
    assert (row.about, row.word) == ("speed, hop", FAILS)
    assert "90 mm and back in 0.076 s" in row.why
    assert row.cure == "lower foot_clearance_mm, or raise stride_period_s"


def test_a_slow_gait_is_cured_by_what_limits_it_and_none_is_good_that_does_not_walk() -> None:
    weak = check(with_torque(INSPECTOR, 0.65))
    rows = {row.about: row for row in weak.verdicts["bus"]}
    walks = {row.about: row for row in weak.verdicts["walk"]}
    assert [walks[f"walk, {gait}"].word for gait in ("creep", "trot")] == [TIGHT, FAILS]
    creep, trot = rows["speed, creep"], rows["speed, trot"]
    assert creep.word == TIGHT
    assert "kg·cm" in creep.cure
    assert "lower stance" not in creep.cure
    assert trot.word != GOOD
    assert "does not walk in this gait" in trot.why


def test_a_count_is_a_4096th_of_the_true_period() -> None:
    """NXP, PCA9685 data sheet rev. 4, 7.3.5: 200 Hz at 25 MHz gives PRE_SCALE 0x1E; 4096 counts a period (7.3.3)."""
    found = Resolution.of(wired(INSPECTOR, frequency=200.0))
    assert found.pulse == pytest.approx((0x1E + 1) / 25e6)
    # At 50 Hz: round(25 MHz / (4096 · 50)) − 1 = 121.
    found = Resolution.of(INSPECTOR)
    assert found.pulse == pytest.approx(122 / 25e6)
    assert degrees(found.angles.max()) == pytest.approx(4.88 / (2000 / 180), rel=1e-3)


@pytest.mark.parametrize("robot", [INSPECTOR, DIGGER], ids=lambda robot: robot.name)
def test_a_count_of_each_joint_moves_its_foot_so_high(robot: RobotModel) -> None:
    found = Resolution.of(robot)
    standing = np.array(stance_angles(robot, robot.standing))
    for joint in range(12):
        turned = standing.copy()
        turned[joint] += found.angles[joint]
        leg, own = robot.legs[joint // 3], slice(3 * (joint // 3), 3 * (joint // 3) + 3)
        rise = forward(leg, turned[own])[2] - forward(leg, standing[own])[2]
        assert abs(rise) == pytest.approx(found.heights[joint], abs=1e-5)


def test_a_wide_deadband_and_coarse_counts_are_tight() -> None:
    assert [row.word for row in Resolution.of(INSPECTOR).verdicts()] == [GOOD, GOOD]
    kind = replace(INSPECTOR.joints[0].servo.kind, deadband=6e-6)
    legs = tuple(
        replace(
            leg,
            joints=tuple(
                replace(j, servo=replace(j.servo, kind=kind, pulse_per_radian=j.servo.pulse_per_radian / 2))
                for j in leg.joints
            ),
        )
        for leg in INSPECTOR.legs
    )
    rows = Resolution.of(replace(INSPECTOR, legs=legs)).verdicts()
    assert [row.word for row in rows] == [TIGHT, TIGHT]
    assert "board.frequency_hz" in rows[0].cure
