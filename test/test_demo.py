"""The main job as a person runs it, in a process of its own."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
import robots
from conftest import Stack
from ruamel.yaml import YAML

from quadleg import demo
from quadleg.client import Robot
from quadleg.errors import NotHeard
from quadleg.kinematics.body import legs_inverse
from quadleg.kinematics.clearance import Clearance
from quadleg.robot.load import find_robot, load_robot
from quadleg.robot.model import Robot as Model
from quadleg.shipped import config_folder

BOTH = pytest.mark.parametrize("model", [robots.inspector(), robots.digger()], ids=lambda model: model.name)


def real(model: Model) -> Model:
    """The same robot on a real board."""
    return replace(model, board=replace(model.board, kind="i2c"))


def test_the_demo_plays_every_step_and_draws_its_picture(domain: int, tmp_path: Path) -> None:
    picture = tmp_path / "demo.png"
    done = subprocess.run(
        [sys.executable, "-m", "quadleg.cli", "demo", "--picture", str(picture), "--seed", "3"],
        capture_output=True,
        text=True,
        timeout=280,  # the demo takes 95 s on a quiet computer
        check=False,
    )
    assert done.returncode == 0, done.stderr
    for act in demo.acts(load_robot(find_robot("greenhouse_inspector"))):
        assert re.search(rf"✓ .*{act.name}", done.stdout), act.name
    worst = re.search(r"largest height error, within reach +(\d+\.\d+) mm", done.stdout)
    assert worst
    assert float(worst[1]) < 1.5
    # The servos stand within 12° of rest before their first pulse, by their seed.
    moved = re.search(r"power-up movement, largest of the twelve joints +(\d+\.\d+)°", done.stdout)
    assert moved
    assert 1.0 < float(moved[1]) < 12.5
    for drawn in (picture, tmp_path / "demo_walk.png"):
        assert drawn.read_bytes().startswith(b"\x89PNG")
    # By what the servos did: the square and the turn come back to where they began, turned by a quarter.
    ends = re.search(r"turned +(\d+\.\d+)° by the plan, +(\d+\.\d+)°", done.stdout)
    assert ends
    assert float(ends[1]) == pytest.approx(90, abs=2)
    assert float(ends[2]) == pytest.approx(90, abs=4)


@BOTH
def test_all_poses_but_one_are_within_the_reach_of_any_size(model: Model) -> None:
    clearance = Clearance(model)
    for act in demo.acts(model):
        if act.asked and act.name != "out of reach":
            angles = legs_inverse(model, act.asked, model.standing.feet)  # raises where a leg cannot
            assert not clearance.gaps_below(angles, model.clearance), act.name


@BOTH
def test_a_real_board_is_spared_the_provoked_faults_and_the_trot(model: Model) -> None:
    left_out = {act.name for act in demo.acts(model)} - {act.name for act in demo.acts(real(model))}
    assert left_out == {"paused", "emergency stop", "reset", "rise again", "trot: square", "trot: turn"}
    assert demo.acts(real(model))[-1].name == "sit"


def real_on_a_simulated_board() -> Model:
    """What the demo takes for a real board; the stack reads the file and simulates it."""
    return real(load_robot(find_robot("greenhouse_inspector")))


def test_on_a_real_board_it_lists_its_steps_asks_once_and_goes_slowly(
    domain: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    some = [act for act in demo.acts(real_on_a_simulated_board()) if act.name in ("power up, rise", "lowest", "sit")]
    monkeypatch.setattr(demo, "acts", lambda _: some)
    listed: list[str] = []

    def placed() -> bool:
        listed.append(capfd.readouterr().out)
        with Robot() as robot:  # in no namespace: `quadleg stop` is heard
            assert robot.status().values("servo_output")["joints_powered"] == "0"
            assert robot._parameters("base_motion", "speed", "turn_speed") == [0.02, 0.2]
        return True

    assert demo.demo(real_on_a_simulated_board(), tmp_path / "demo.png", 0, placed) == 0
    assert len(listed) == 1
    for act in some:
        assert act.name in listed[0]
    assert "height 120.0 mm" in listed[0]
    said = " ".join(capfd.readouterr().out.split())
    assert "modelled from the commands: the board (i2c) is real" in said
    assert "simulated" not in said


def test_on_a_real_board_nothing_moves_while_the_legs_are_not_placed(
    domain: int, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    assert demo.demo(real_on_a_simulated_board(), tmp_path / "demo.png", 0, lambda: False) == 1
    assert "✓" not in capfd.readouterr().out


def test_an_interrupted_demo_ends_with_the_robot_off(domain: int, tmp_path: Path, capfd) -> None:
    def interrupt() -> bool:
        raise KeyboardInterrupt

    assert demo.demo(real_on_a_simulated_board(), tmp_path / "demo.png", 0, interrupt) == 130
    said = capfd.readouterr()
    assert "lowering the robot" in said.err
    assert "the robot is off" in said.out


def test_a_real_board_that_is_in_use_is_left_alone(stack: Stack, tmp_path: Path) -> None:
    with pytest.raises(NotHeard, match="did not start"):
        demo.demo(real_on_a_simulated_board(), tmp_path / "demo.png", 0, lambda: True)
    assert stack.powered() == 0


def test_a_slow_demo_goes_at_a_third_of_the_usual_speed() -> None:
    usual = YAML(typ="safe").load(config_folder() / "parameters.yaml")["/**/base_motion"]["ros__parameters"]
    slow = YAML(typ="safe").load(demo.SLOW_PARAMETERS)["/**/base_motion"]["ros__parameters"]
    for name, value in slow.items():
        assert value * demo.SLOWNESS == pytest.approx(usual[name])
