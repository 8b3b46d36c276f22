"""`quadleg calibrate --walk` with a running stack: what is walked, what is told of it, and what is refused."""

from __future__ import annotations

from contextlib import nullcontext
from math import radians
from pathlib import Path

import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")
pytest.importorskip("mujoco", reason="mujoco does not import: install the extra `sim`")

from sound_stack import running_stack
from tape_robots import tape_answers

from quadleg.cli import bench_commands, main
from quadleg.client.tape_driver import TapeDriver
from quadleg.commissioning.calibration import tape_walk
from quadleg.errors import Refused
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot

BEFORE = (0.8, 0.9, 0.9)
TEXT = find_robot(DEFAULT_ROBOT).read_text(encoding="utf-8")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "robot.yaml"
    path.write_text(f"{TEXT}\ngaits:\n  trot: {{way_scale: {list(BEFORE)}}}  # by hand\n", encoding="utf-8")
    return path


def test_a_stack_is_walked_along_the_tape(path: Path, monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    """Its legs do as they are told; the tape is said to read 90 % of the way that was planned."""
    runs = 2
    monkeypatch.setattr(tape_walk, "RUNS", runs)
    monkeypatch.setattr(tape_walk, "TAPE_WAYS", (0.4, 0.3, radians(120)))
    answers = tape_answers(path, "trot", (36, 27, 108), runs)
    with running_stack(path.parent, str(path)) as stack, stack.client() as robot:
        with pytest.raises(Refused, match=r"the robot is off .*`stand` first"):
            TapeDriver(robot, path).go((0.1, 0.0, 0.0), 1.0)
        robot.stand()
        monkeypatch.setattr(bench_commands, "find_running", lambda namespace: nullcontext(robot))
        set_parameter, kept = robot.set_parameter, []

        def setting(node: str, name: str, value: object) -> None:
            kept.extend([value] if name == "keep_course" else [])
            set_parameter(node, name, value)

        monkeypatch.setattr(robot, "set_parameter", setting)
        assert main.main(["calibrate", str(path), "--walk", "--answers", str(answers)]) == 0
        assert robot.parameters("gait", "keep_course") == [True]
    assert kept == [False, True] * 3 * runs, "each run without path feedback, and with it afterwards"
    said = capsys.readouterr().out
    assert "not taken" not in said
    assert "`quadleg run` takes it up when it is started again" in said
    trot = load_robot(path).gait("trot")
    assert trot.way_scale == pytest.approx([0.9 * before for before in BEFORE], rel=0.02)
    assert trot.odometry_scale_deviation is None, "joint angles are measured"
    assert "# by hand" in path.read_text(encoding="utf-8")


def test_a_stack_of_another_robot_file_is_refused(path: Path) -> None:
    refused = pytest.raises(Refused, match=r"the stack runs .*greenhouse_inspector\.yaml, and .*robot\.yaml is to be")
    with running_stack(path.parent) as stack, stack.client() as robot, refused:
        TapeDriver(robot, path)


@pytest.mark.parametrize("more", [["rear_left_knee"], ["--fit-horns"], ["--imu"]])
def test_the_tape_is_walked_by_the_whole_robot_alone(more: list[str], path: Path, capsys) -> None:
    assert main.main(["calibrate", str(path), *more, "--walk"]) == 1
    assert "is of the whole robot, alone" in capsys.readouterr().err
