"""The main job: all of it in simulated time, and as a person runs it, in processes."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import replace
from pathlib import Path

import pytest
import sample_robots
from conftest import Stack
from ruamel.yaml import YAML

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from sound_stack import running_stack

from quadleg.cli import main
from quadleg.client import Robot
from quadleg.demo import demo, own_stack
from quadleg.errors import NotReached, Refused, SimMissing, StackNotFound
from quadleg.kinematics.body_pose import legs_inverse
from quadleg.kinematics.clearance import Clearance
from quadleg.robot.model import RobotModel
from quadleg.robot_file.load import find_robot, load_robot
from quadleg.shipped import config_folder

BOTH = pytest.mark.parametrize(
    "model", [sample_robots.inspector(), sample_robots.digger()], ids=lambda model: model.name
)


def real(model: RobotModel) -> RobotModel:
    """The same robot on a real board."""
    return replace(model, board=replace(model.board, kind="i2c"))


def figure(name: str, said: str, pattern: str) -> list[float]:
    """The numbers of a line of the demo's tables."""
    found = re.search(rf"{name} +{pattern}", said)
    assert found, name
    return [float(number.replace("−", "-")) for number in found.groups()]


@pytest.fixture
def on_simulated_stack(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., AbstractContextManager[None]]:
    """While it is open the demo has a stack in simulated time as its own; `parameters` are servo_output's."""

    @contextmanager
    def opened(**parameters: object) -> Iterator[None]:
        with running_stack(tmp_path, seed=3, parameters={"servo_output": parameters}) as stack:
            monkeypatch.setattr(demo, "own_stack", lambda *_: nullcontext((stack.namespace, stack.memory)))
            monkeypatch.setattr(demo, "Robot", lambda _: stack.client())
            yield

    return opened


def test_every_step_is_played_on_a_simulated_body_and_drawn(
    on_simulated_stack: Callable[..., AbstractContextManager[None]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.setattr(demo, "COURSE_TIME", 16.0)
    with on_simulated_stack(physics=True):
        assert main.main(["demo", "--physics", "--picture", str(tmp_path / "demo.png"), "--seed", "3"]) == 0
    assert_whole_demo(capfd.readouterr().out, tmp_path / "demo.png")


@pytest.mark.alone
def test_the_demo_plays_every_step_on_a_simulated_body_and_draws_its_pictures(domain: int, tmp_path: Path) -> None:
    picture = tmp_path / "demo.png"
    done = subprocess.run(
        [sys.executable, "-m", "quadleg.cli.main", "demo", "--physics", "--picture", str(picture), "--seed", "3"],
        capture_output=True,
        text=True,
        timeout=280,  # the demo takes 100 s on a quiet computer
        check=False,
        env={**os.environ, "COLUMNS": "200"},
    )
    assert done.returncode == 0, done.stderr + done.stdout
    assert_whole_demo(done.stdout, picture)


def assert_whole_demo(said: str, picture: Path) -> None:
    """Every step did what it shows, by the figures that are printed, and the pictures are there."""
    for act in demo.acts(load_robot(find_robot("greenhouse_inspector")), physics=True):
        assert re.search(rf"✓ .*{act.name}", said), act.name
    # Under 1.5 kg every joint gives way by up to 2.5°, and the gears by their backlash: some millimetres of height.
    (worst,) = figure("largest height error, within reach", said, r"(\d+\.\d+) mm")
    assert 0.3 < worst < 4.0
    (body,) = figure("the body itself, farthest from the height asked for", said, r"(\d+\.\d+) mm below it")
    assert 0.3 < body < 6.0
    # A hand holds the legs within 12° of rest, by the seed, until their first pulses come; they give way by up to 2.5°.
    (moved,) = figure("power-up movement, largest of the twelve joints", said, r"(\d+\.\d+)°")
    assert 1.0 < moved < 14.5
    true, asked, off = figure("speed", said, r"(\d\.\d+) m/s true, (\d\.\d+) m/s asked \(([−+]\d+\.\d) %\)")
    assert asked == demo.COURSE_SPEED
    assert true == pytest.approx(asked, rel=0.1)
    assert off == pytest.approx(100 * (true / asked - 1), abs=0.2)
    way, aside = figure("way", said, r"(\d\.\d+) m true, (\d+) mm to the")
    assert way == pytest.approx(demo.COURSE_SPEED * demo.COURSE_TIME, rel=0.15)
    assert aside < 0.05 * 1000 * way
    drift, share = figure("drift of the estimate", said, r"(\d+\.\d) mm \((\d+\.\d) % of the way\)")
    assert share == pytest.approx(drift / way / 10, abs=0.06)
    assert share < 3.0
    (tilt,) = figure("largest tilt", said, r"(\d+\.\d)° true")
    assert 0.1 < tilt < 10.0
    slip, most = figure("slip of a standing foot", said, r"(\d+\.\d) mm a stride, at most (\d+\.\d) mm")
    assert 0.1 < slip < most < 30.0
    torque, percent = figure("largest torque", said, r"(\d\.\d+) N·m, (\d+) % of stall")
    assert percent == pytest.approx(100 * torque / 0.98, abs=1)
    assert 30 < percent < 130  # a motor that is turned back gives more than one that stalls
    (current,) = figure("current", said, r"\d+\.\d A in the mean, (\d+\.\d) A at most")
    assert 3.0 < current < 20.0
    for drawn in (picture, picture.with_name("demo_walk.png"), picture.with_name("demo_course.png")):
        assert drawn.read_bytes().startswith(b"\x89PNG")
    assert picture.with_name("demo_course.gif").read_bytes().startswith(b"GIF89a")
    # By the truth: the turns on the spot are a quarter, and the square is closed.
    for name, words in (
        ("creep: turn", "by 90° in place"),
        ("trot: square", "4 sides of 200 mm"),
        ("trot: turn", "by 90° in place"),
    ):
        off, turned = figure(
            name, said, rf"{words}.*; ends (\d+\.\d) mm and (\d+\.\d)° from its goal, by the simulated"
        )
        assert off < 15.0
        assert turned < 3.0


def test_the_command_plays_its_steps_on_a_simulated_body(
    domain: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    every = demo.acts
    some = ("power up, rise", "lowest", "sit")
    monkeypatch.setattr(demo, "acts", lambda *given: tuple(act for act in every(*given) if act.name in some))
    monkeypatch.setenv("COLUMNS", "200")
    assert main.main(["demo", "--physics", "--picture", str(tmp_path / "demo.png"), "--seed", "3"]) == 0
    said = capfd.readouterr().out
    for act in some:
        assert re.search(rf"✓ .*{act}", said), act
    (body,) = figure("the body itself, farthest from the height asked for", said, r"(\d+\.\d+) mm below it")
    assert 0.3 < body < 6.0
    assert (tmp_path / "demo.png").read_bytes().startswith(b"\x89PNG")


def test_physics_is_never_on_a_real_board(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="--physics is for a simulated board"):
        demo.demo(real(sample_robots.inspector()), tmp_path / "demo.png", 0, lambda: True, physics=True)


def test_physics_needs_mujoco(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(demo, "find_spec", lambda _: None)
    with pytest.raises(SimMissing, match=r"\.\[sim\]"):
        demo.demo(sample_robots.inspector(), tmp_path / "demo.png", 0, lambda: True, physics=True)


@BOTH
def test_all_poses_but_one_are_within_the_reach_of_any_size(model: RobotModel) -> None:
    clearance = Clearance(model)
    for act in demo.acts(model):
        if act.asked and act.name != "out of reach":
            angles = legs_inverse(model, act.asked, model.standing.feet)  # raises where a leg cannot
            assert not clearance.gaps_below(angles, model.clearance), act.name


@BOTH
def test_a_real_board_is_spared_the_provoked_faults_and_the_trot(model: RobotModel) -> None:
    left_out = {act.name for act in demo.acts(model)} - {act.name for act in demo.acts(real(model))}
    assert left_out == {"paused", "emergency stop", "reset", "rise again", "trot: square", "trot: turn"}
    assert demo.acts(real(model))[-1].name == "sit"


def real_on_a_simulated_board() -> RobotModel:
    """What the demo takes for a real board; the stack reads the file and simulates it."""
    return real(load_robot(find_robot("greenhouse_inspector")))


def test_on_a_real_board_it_lists_its_steps_asks_once_and_goes_slowly(
    domain: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    some = [act for act in demo.acts(real_on_a_simulated_board()) if act.name in ("power up, rise", "lowest", "sit")]
    monkeypatch.setattr(demo, "acts", lambda *_: some)
    listed: list[str] = []

    def placed() -> bool:
        listed.append(capfd.readouterr().out)
        with Robot() as robot:  # in no namespace: `quadleg stop` is heard
            assert robot.status().values("servo_output")["joints_powered"] == "0"
            assert robot.parameters("base_motion", "speed", "turn_speed") == [0.02, 0.2]
        return True

    assert demo.demo(real_on_a_simulated_board(), tmp_path / "demo.png", 0, placed) == 0
    assert len(listed) == 1
    for act in some:
        assert act.name in listed[0]
    assert "height 120.0 mm" in listed[0]
    said = " ".join(capfd.readouterr().out.split())
    assert "modelled from the commands: the board (i2c) is real" in said
    assert "simulated" not in said


def test_a_step_that_fails_comes_first_in_the_summary_and_the_exit_code_tells(
    on_simulated_stack: Callable[..., AbstractContextManager[None]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    def fails(_: demo.Demo) -> str:
        raise NotReached("ends 40.0 mm and 5.0° from its goal, by odometry")

    model = load_robot(find_robot("greenhouse_inspector"))
    rise, sit = (act for act in demo.acts(model) if act.name in ("power up, rise", "sit"))
    monkeypatch.setattr(demo, "acts", lambda *_: (rise, demo.Act("trot: square", None, fails), sit))
    with on_simulated_stack():
        assert demo.demo(model, tmp_path / "demo.png", 0, lambda: True) == 1
    said = capfd.readouterr().out
    assert "✗  2 of 3  trot: square" in said
    assert "✓  3 of 3  sit" in said  # the robot stands, so that what comes after can follow
    summary = said[said.index("FAILED: 1 of 3 steps") :]
    assert "trot: square   ends 40.0 mm and 5.0° from its goal, by odometry" in summary
    assert summary.index("40.0 mm") < summary.index("Body pose asked")


def test_on_a_real_board_nothing_moves_while_the_legs_are_not_placed(
    on_simulated_stack: Callable[..., AbstractContextManager[None]], tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    with on_simulated_stack():
        assert demo.demo(real_on_a_simulated_board(), tmp_path / "demo.png", 0, lambda: False) == 1
    assert "✓" not in capfd.readouterr().out


@pytest.mark.parametrize("number", [pytest.param(signal.SIGHUP, marks=pytest.mark.long), signal.SIGTERM])
def test_an_interrupted_demo_ends_with_the_robot_off(domain: int, tmp_path: Path, capfd, number: int) -> None:
    def interrupt() -> bool:
        os.kill(os.getpid(), number)
        return True

    assert demo.demo(real_on_a_simulated_board(), tmp_path / "demo.png", 0, interrupt) == 130
    said = capfd.readouterr()
    assert "lowering the robot" in said.err
    assert "the robot is off" in said.out


def test_a_real_board_that_is_in_use_is_left_alone(stack: Stack, tmp_path: Path) -> None:
    with pytest.raises(StackNotFound, match="did not start"):
        demo.demo(real_on_a_simulated_board(), tmp_path / "demo.png", 0, lambda: True)
    assert stack.powered() == 0


def test_a_slow_demo_goes_at_a_third_of_the_usual_speed() -> None:
    usual = YAML(typ="safe").load(config_folder() / "parameters.yaml")["/**/base_motion"]["ros__parameters"]
    slow = YAML(typ="safe").load(own_stack.SLOW_PARAMETERS)["/**/base_motion"]["ros__parameters"]
    for name, value in slow.items():
        assert value * own_stack.SLOWNESS == pytest.approx(usual[name])
