"""`Robot.walk_to` in physics, where the truth is known."""

from __future__ import annotations

from math import degrees, hypot, radians
from pathlib import Path

import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from nav_msgs.msg import Odometry
from sound_stack import running_stack

from quadleg.client import EstimateSource
from quadleg.geometry.planar import Planar, to_frame
from quadleg.geometry.transforms import Pose
from quadleg.middleware.topics import LATEST
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot


def test_in_physics_it_comes_to_where_it_was_sent(tmp_path: Path) -> None:
    with (
        running_stack(tmp_path, seed=3, parameters={"servo_output": {"physics": True}}) as stack,
        stack.client() as robot,
    ):
        truth = stack.probe().hear(Odometry, "truth/odom", LATEST)

        def place() -> Planar:
            pose = truth[-1].pose.pose
            p, q = pose.position, pose.orientation
            return p.x, p.y, Pose((0.0, 0.0, 0.0), (q.w, q.x, q.y, q.z)).rpy[2]

        robot.stand()
        robot.choose_gait("trot")
        began = place()
        came = robot.walk_to(x_mm=300, heading_deg=degrees(0.5))
        x, y, heading = place()
        went = (*to_frame(began, x, y), heading - began[2])
        distance, turn = hypot(went[0] - 0.3, went[1]), abs(went[2] - 0.5)
        # By the plan alone the trot ends 0.08 m short.
        assert distance < 0.02, f"{went}, said {came}"
        assert turn < radians(3.5), f"{went}, said {came}"


def test_what_a_tape_has_told_counts_in_plan_and_odometry(tmp_path: Path) -> None:
    """A board without physics: joints do as they are told, and strides that are longer by it have to lead as far."""
    text = find_robot(DEFAULT_ROBOT).read_text(encoding="utf-8")
    parameters = {"gait": {"keep_course": False}, "state_estimator": {"joint_angles": "modelled"}}
    ways = []
    scales = "way_scale: [0.8, 0.9, 0.9], way_scale_deviation: [0.05, 0, 0.01], odometry_scale: [0.8, 0.9, 0.9]"
    for number, section in enumerate(("", f"gaits:\n  trot: {{{scales}}}\n")):
        folder = tmp_path / str(number)
        folder.mkdir()
        path = folder / "robot.yaml"
        path.write_text(f"{text}\n{section}", encoding="utf-8")
        with running_stack(folder, str(path), parameters=parameters) as stack, stack.client() as robot:
            odom = stack.probe().hear(Odometry, "odom")
            robot.stand()
            robot.choose_gait("trot")
            fastest = robot.gait_report().forward[0]
            began = odom[-1].pose.pose.position.x
            planned = robot.walk(forward_m_s=0.1, seconds=4.0).reached.forward_mm
            ways.append((planned, odom[-1].pose.pose.position.x - began, fastest))
            placed = robot.walk_to(x_mm=200)
            assert placed.source is EstimateSource.PLAN
            assert placed.reached.forward_mm == pytest.approx(200, abs=15)
            assert ("± 10 mm and 0.0° by a tape" in str(placed)) == bool(section)
    (planned, found, fastest), (planned_by_it, found_by_it, fastest_by_it) = ways
    assert planned_by_it == pytest.approx(planned, rel=0.02)
    assert found_by_it == pytest.approx(found, rel=0.02)
    assert fastest_by_it == pytest.approx(0.8 * fastest, rel=0.02)
