"""`quadleg calibrate --walk` with a running stack: what is walked, what is told of it, and which stack is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from sound_stack import running_stack
from tape_robots import reader

from quadleg.client.tape_driver import TapeDriver
from quadleg.commissioning.calibration.session import TapeSession
from quadleg.commissioning.calibration.tape_walk import WalkedWay
from quadleg.commissioning.dialog import run_dialog
from quadleg.errors import Refused
from quadleg.geometry.planar import ZERO_TWIST, Planar
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot

BEFORE = (0.8, 0.9, 0.9)
SHARE = 0.9  # of the planned way, that it truly goes


class WatchedDriver(TapeDriver):
    """Keeps where the last walk truly led: a share of the planned way."""

    came: Planar = ZERO_TWIST

    def go(self, twist: Planar, seconds: float) -> WalkedWay:
        way = super().go(twist, seconds)
        x, y, yaw = way.planned
        self.came = SHARE * x, SHARE * y, SHARE * yaw
        return way


def test_a_stack_is_walked_along_the_tape(tmp_path: Path) -> None:
    path = tmp_path / "robot.yaml"
    text = find_robot(DEFAULT_ROBOT).read_text(encoding="utf-8")
    path.write_text(f"{text}\ngaits:\n  trot: {{way_scale: {list(BEFORE)}}}  # by hand\n", encoding="utf-8")
    with running_stack(tmp_path, str(path)) as stack, stack.client() as robot:
        driver = WatchedDriver(robot, path)
        with pytest.raises(Refused, match=r"the robot is off .*`stand` first"):
            driver.go((0.1, 0.0, 0.0), 1.0)
        robot.stand()
        session = TapeSession(path, walker=driver)
        assert run_dialog(session.dialog(), reader(driver))
    assert not [line for line in session.said if "not taken" in line]
    trot = load_robot(path).gait("trot")
    assert trot.way_scale == pytest.approx([SHARE * before for before in BEFORE], rel=0.02)
    assert trot.odometry_scale_deviation is None, "joint angles are measured"
    assert "# by hand" in path.read_text(encoding="utf-8")


def test_a_stack_of_another_robot_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "robot.yaml"
    path.write_text(find_robot(DEFAULT_ROBOT).read_text(encoding="utf-8"), encoding="utf-8")
    refused = pytest.raises(Refused, match=r"the stack runs .*greenhouse_inspector\.yaml, and .*robot\.yaml is to be")
    with running_stack(tmp_path) as stack, stack.client() as robot, refused:
        TapeDriver(robot, path)
