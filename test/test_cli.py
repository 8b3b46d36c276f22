"""The command line, most of it without a running stack."""

from __future__ import annotations

import builtins
import re
import sys
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from xml.etree import ElementTree

import pytest
import sample_robots
from conftest import Stack

from quadleg.cautions import BEFORE_MOVING, LEGS_PLACED
from quadleg.cli import main
from quadleg.cli import robot_commands as commands
from quadleg.client import EstimateSource, GroundMove, PoseResult, Robot, WalkResult
from quadleg.errors import NotReached, Overridden, Refused, RosMissing
from quadleg.geometry.transforms import Pose
from quadleg.plotting import resting_pose
from quadleg.robot_file.load import find_robot
from quadleg.runtime import stack_runner

COMMANDS = (
    *("run", "stand", "pose", "sit", "stop", "reset", "status", "walk", "demo", "urdf", "timing", "rollout"),
    *("new", "check", "calibrate", "drive", "joystick", "keep", "export", "replay", "report", "compare"),
)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_that_says_what_it_does(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main.main([command, "--help"])
    assert end.value.code == 0
    said = capsys.readouterr().out
    assert f"usage: quadleg {command}" in said
    assert said.split("\n\n")[1]


def test_the_help_lists_every_command_and_the_caution(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main.main(["--help"])
    said = capsys.readouterr().out
    for command in COMMANDS:
        assert re.search(rf"\n    {command}\s", said)
    assert "switch" in said


def test_urdf_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main.main(["urdf"]) == 0
    assert ElementTree.fromstring(capsys.readouterr().out).tag == "robot"


def test_a_faulty_robot_file_is_told_without_a_traceback(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    faulty = tmp_path / "faulty.yaml"
    faulty.write_text("name: [\n")
    assert main.main(["urdf", str(faulty)]) == 1
    said = capsys.readouterr().err
    assert said.startswith("quadleg: ")
    assert "faulty.yaml" in said


def test_a_robot_on_a_real_board_runs_calibrated_and_possible_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Both are told before anything starts; on the simulated board nothing can be hurt."""
    text = find_robot("greenhouse_inspector").read_text(encoding="utf-8").replace("kind: simulated", "kind: i2c")
    path = tmp_path / "robot.yaml"
    path.write_text(re.sub(r"(rear_left_knee: .*), pulse_at_zero_us.*", r"\1}", text))
    assert main.main(["run", str(path), "--despite-check"]) == 1
    assert f"not calibrated: rear_left_knee. `quadleg calibrate {path}`" in capsys.readouterr().err
    path.write_text(text.replace("stall_torque_kg_cm: 10", "stall_torque_kg_cm: 1"))
    assert main.main(["run", str(path)]) == 1
    said = capsys.readouterr().err
    assert "torque, four feet: rear_left_knee" in said
    assert "--despite-check" in said


@pytest.mark.parametrize("rate", ["0", "500", "nan", "fast"])
def test_a_rate_out_of_range_is_refused(rate: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main.main(["run", "--rate", rate])
    assert end.value.code == 2
    assert "10 to 200 Hz" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("height", "words"),
    [
        *((height, "is not a number") for height in ("nan", "inf", "high", "150mm")),
        ("-5", "cannot be negative"),
        ("0.14", "did you mean 140 mm?"),
    ],
)
@pytest.mark.parametrize("command", [["stand"], ["pose", "--height"]])
def test_a_height_that_makes_no_sense_is_refused_before_anything_moves(
    command: list[str], height: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as end:
        main.main([*command, height])
    assert end.value.code == 2
    said = " ".join(capsys.readouterr().err.split())
    assert words in said
    assert "height_mm" not in said  # a name of the Python interface


class FakeWalkingRobot:
    """A robot that walks as it is told to, without a stack."""

    def __init__(self, outcome: WalkResult | NotReached) -> None:
        self.outcome = outcome
        self.asked: list[dict[str, object]] = []

    def walk(self, **asked: object) -> WalkResult:
        self.asked.append(asked)
        if isinstance(self.outcome, NotReached):
            raise self.outcome
        return self.outcome

    walk_to = walk


THERE = WalkResult(GroundMove(200, 0, 10), GroundMove(197, 4, 9.5), EstimateSource.ODOMETRY, "creep")


@pytest.mark.parametrize(
    ("options", "asked"),
    [
        (
            ["--forward-m-s", "0.05", "--seconds", "4", "--exact"],
            {"forward_m_s": 0.05, "left_m_s": 0.0, "turn_deg_s": 0.0, "seconds": 4.0, "exact": True},
        ),
        (
            ["--turn-deg-s", "-10"],
            {"forward_m_s": 0.0, "left_m_s": 0.0, "turn_deg_s": -10.0, "seconds": 2.0, "exact": False},
        ),
        (["--to-mm", "200", "-30", "--heading-deg", "10"], {"x_mm": 200.0, "y_mm": -30.0, "heading_deg": 10.0}),
        (["--heading-deg", "-90"], {"x_mm": 0.0, "y_mm": 0.0, "heading_deg": -90.0}),
    ],
)
def test_walk_says_what_was_asked_and_reached_and_by_what_it_knows(
    options: list[str], asked: dict[str, object], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    robot = FakeWalkingRobot(THERE)
    monkeypatch.setattr("quadleg.client.Robot", lambda _: nullcontext(robot))
    assert main.main(["walk", *options]) == 0
    assert robot.asked == [asked]
    said = capsys.readouterr().out
    for line in (
        "asked     200.0 mm forward, 0.0 mm to the left, 10.0° to the left",
        "reached   197.0 mm forward",
        "error     5 mm and 0.5°, by odometry",
        "gait      creep",
    ):
        assert line in said
    assert ("scaled    no" in said) == ("--to-mm" not in options and "--heading-deg" not in options)


def test_a_velocity_of_its_own_on_the_way_to_a_place_fails_nothing(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("quadleg.client.Robot", lambda _: nullcontext(FakeWalkingRobot(replace(THERE, scale=0.7))))
    assert main.main(["walk", "--to-mm", "200", "0"]) == 0
    assert "scaled" not in capsys.readouterr().out


@pytest.mark.parametrize(("came", "off"), [(172, True), (155, False)])
def test_a_walk_by_time_that_ends_off_its_place_says_so(
    came: float, off: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    result = WalkResult(GroundMove(150, 0, 0), GroundMove(came, 0, 0), EstimateSource.ODOMETRY, "creep")
    monkeypatch.setattr("quadleg.client.Robot", lambda _: nullcontext(FakeWalkingRobot(result)))
    assert main.main(["walk", "--forward-m-s", "0.05", "--seconds", "3"]) == 0
    assert ("a walk by time does not correct" in capsys.readouterr().out) == off


def test_a_velocity_that_is_scaled_by_a_rounding_was_reached(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("quadleg.client.Robot", lambda _: nullcontext(FakeWalkingRobot(replace(THERE, scale=0.9996))))
    assert main.main(["walk", "--forward-m-s", "0.05"]) == 0


@pytest.mark.parametrize(
    ("outcome", "said", "warned"),
    [
        (replace(THERE, scale=0.4), "to 40 % of the velocity asked for", "too fast for the gait creep"),
        (NotReached("still 60 mm away", replace(THERE, scale=1.0)), "reached   197.0", "not reached: still 60 mm away"),
        (Overridden("by a pad", replace(THERE, overridden_by="teleop/cmd_vel")), "overridden by teleop/cmd_vel", "pad"),
        (NotReached("the robot is in hold"), "", "the robot is in hold"),
    ],
)
def test_walk_ends_with_an_exit_code_where_it_was_not_reached(
    outcome: WalkResult | NotReached,
    said: str,
    warned: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr("quadleg.client.Robot", lambda _: nullcontext(FakeWalkingRobot(outcome)))
    assert main.main(["walk", "--forward-m-s", "0.2"]) == 1
    printed = capsys.readouterr()
    assert said in printed.out
    assert warned in printed.err


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ([], "where to?"),
        (["--forward-m-s", "0.05", "--to-mm", "1", "2"], "not both"),
        (["--to-mm", "1", "2", "--seconds", "2"], "not both"),
    ],
)
def test_walk_wants_either_a_velocity_or_a_place(
    options: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main.main(["walk", *options]) == 1
    assert words in capsys.readouterr().err


@pytest.mark.parametrize("seed", ["-1", "1.5", "x", str(2**31)])
def test_a_seed_out_of_range_is_refused(seed: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main.main(["run", "--seed", seed])
    assert "is not a seed" in capsys.readouterr().err


@pytest.mark.parametrize("command", [["run"], ["status"], ["stop"]])
@pytest.mark.parametrize("namespace", ["a b", "a-b", "7up", "left//bench"])
def test_a_namespace_that_ros_refuses_is_told_in_words(
    command: list[str], namespace: str, domain: int, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main.main([*command, "--namespace", namespace]) == 1
    assert "is no ROS namespace" in capsys.readouterr().err


def test_a_picture_that_cannot_be_written_is_told_before_the_demo(capsys: pytest.CaptureFixture[str], domain) -> None:
    assert main.main(["demo", "--picture", "/nonexistent/demo.png"]) == 1
    assert "cannot be written" in capsys.readouterr().err


@pytest.mark.parametrize("place", ["missing/walk.mcap", "file/walk.mcap", "folder", "file"])
def test_a_recording_that_cannot_be_written_is_told_before_the_stack_starts(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("mcap")
    monkeypatch.setattr(stack_runner.Runner, "run", lambda _: pytest.fail("the stack was started"))
    (tmp_path / "file").touch()
    (tmp_path / "folder").mkdir()
    assert main.main(["run", "--record", str(tmp_path / place)]) == 1
    assert re.search("cannot be written|is there already", capsys.readouterr().err)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file", "folder"]


def test_without_ros_the_cure_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(RosMissing, match="source one"):
        stack_runner.need_ros()


# The legs are asked for before a real robot is powered


class FakeRobotClient:
    """A client of a stack with a real board, that keeps what it was asked for."""

    board_kind = "i2c"
    model = sample_robots.inspector()

    def __init__(self, state: str | None = "off") -> None:
        self.state = state
        self.stood: list[float | None] = []

    def status(self) -> SimpleNamespace:
        return SimpleNamespace(state=self.state)

    def stand(self, height_mm: float | None) -> PoseResult:
        if self.state == "fault":
            raise Refused("`reset` first")
        self.stood.append(height_mm)
        pose = Pose((0.0, 0.0, 0.15))
        return PoseResult(pose, pose, EstimateSource.MODELLED_JOINTS)


class FakeTerminal:
    """Where `quadleg stand` asks: gives its answer, or raises it, and counts the seconds slept."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
        self.robot = FakeRobotClient()
        self.answer: str | type[BaseException] = "yes"
        self.asked: list[str] = []
        self.slept = 0.0
        self.interrupted_after = 1000
        monkeypatch.chdir(folder)
        monkeypatch.setattr(commands, "find_running", lambda _: nullcontext(self.robot))
        monkeypatch.setattr(commands, "time", SimpleNamespace(sleep=self._sleep))
        monkeypatch.setattr(builtins, "input", self._input)
        monkeypatch.setattr("sys.stdin", SimpleNamespace(isatty=lambda: True))

    def _input(self, question: str) -> str:
        self.asked.append(question)
        if isinstance(self.answer, str):
            return self.answer
        raise self.answer

    def _sleep(self, seconds: float) -> None:
        assert not self.robot.stood
        self.slept += seconds
        if self.slept >= self.interrupted_after:
            raise KeyboardInterrupt


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> FakeTerminal:
    return FakeTerminal(monkeypatch, tmp_path)


@pytest.mark.parametrize("arguments", [["stand"], ["sit"], ["walk", "--forward-m-s", "0.03"], ["status"]])
def test_an_interrupt_before_a_stack_is_found_tells_nothing_of_a_robot(
    arguments: list[str], monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    def search(namespace: str) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("quadleg.client.Robot", search)
    assert main.main(arguments) == 130
    said = capsys.readouterr().err
    assert said == "quadleg: interrupted: no stack was found so far, and nothing was asked of a robot\n"


@pytest.mark.parametrize("answer", ["yes", "y", " YES "])
def test_a_real_robot_is_powered_after_a_yes_and_a_countdown(terminal: FakeTerminal, answer: str, capsys) -> None:
    terminal.answer = answer
    assert main.main(["stand", "150"]) == 0
    (question,) = terminal.asked
    assert question == f"{LEGS_PLACED} [yes/no] "
    assert terminal.slept == pytest.approx(3.0)
    assert terminal.robot.stood == [150.0]
    said = capsys.readouterr().out
    assert "\n".join(resting_pose.described(FakeRobotClient.model, "utf-8")) in said
    assert BEFORE_MOVING in said
    assert "in 1 s" in said


@pytest.mark.parametrize("answer", ["no", "", "n", "ja", "yes please", EOFError, KeyboardInterrupt])
def test_without_a_yes_nothing_is_powered(terminal: FakeTerminal, answer: str | type[BaseException], capsys) -> None:
    terminal.answer = answer
    assert main.main(["stand"]) == 1
    assert terminal.asked
    assert not terminal.robot.stood
    assert "nothing is powered" in capsys.readouterr().err


def test_an_interrupted_countdown_powers_nothing(terminal: FakeTerminal, capsys) -> None:
    terminal.interrupted_after = 2
    assert main.main(["stand", "--legs-placed"]) == 1
    assert not terminal.robot.stood
    assert "nothing is powered" in capsys.readouterr().err


def test_without_a_terminal_the_flag_that_answers_is_named(terminal: FakeTerminal, monkeypatch, capsys) -> None:
    monkeypatch.setattr("sys.stdin", SimpleNamespace(isatty=lambda: False))
    assert main.main(["stand"]) == 1
    assert not terminal.robot.stood
    assert "--legs-placed" in capsys.readouterr().err
    assert main.main(["stand", "--legs-placed"]) == 0
    assert not terminal.asked
    assert terminal.slept == pytest.approx(3.0)
    assert terminal.robot.stood == [None]


def test_a_robot_that_is_not_heard_to_be_up_is_asked_about(terminal: FakeTerminal) -> None:
    terminal.robot.state = None
    assert main.main(["stand"]) == 0
    assert terminal.asked


@pytest.mark.parametrize("state", ["rising", "active", "hold", "lowering"])
def test_a_robot_that_is_powered_is_not_asked_about(terminal: FakeTerminal, state: str) -> None:
    terminal.robot.state = state
    assert main.main(["stand"]) == 0
    assert terminal.robot.stood
    assert not terminal.asked
    assert not terminal.slept


def test_a_fault_is_told_before_anybody_places_legs(terminal: FakeTerminal, capsys) -> None:
    terminal.robot.state = "fault"
    assert main.main(["stand"]) == 1
    assert not terminal.asked
    assert "reset" in capsys.readouterr().err


def test_a_simulated_robot_is_not_asked_about(terminal: FakeTerminal) -> None:
    terminal.robot.board_kind = "simulated"
    assert main.main(["stand"]) == 0
    assert terminal.robot.stood
    assert not terminal.asked


@pytest.mark.parametrize(
    ("options", "name"), [([], "greenhouse_inspector_resting.png"), (["--picture", "mine.png"], "mine.png")]
)
def test_the_resting_pose_is_saved_as_a_picture(
    terminal: FakeTerminal, tmp_path: Path, options: list[str], name: str, capsys
) -> None:
    pytest.importorskip("matplotlib")
    assert main.main(["stand", *options]) == 0
    assert (tmp_path / name).read_bytes().startswith(b"\x89PNG")
    assert str(tmp_path / name) in capsys.readouterr().out


def test_a_picture_that_cannot_be_written_stops_nothing(terminal: FakeTerminal, capsys) -> None:
    pytest.importorskip("matplotlib")
    assert main.main(["stand", "--picture", "nowhere/rest.png"]) == 0
    assert "nowhere/rest.png cannot be written" in capsys.readouterr().out
    assert terminal.robot.stood


def test_without_matplotlib_the_cure_is_said_and_nothing_stopped(terminal: FakeTerminal, monkeypatch, capsys) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    assert main.main(["stand"]) == 0
    assert "pip install matplotlib" in capsys.readouterr().out
    assert terminal.robot.stood


def test_the_kind_of_board_is_that_of_the_stack_not_of_the_file(start, tmp_path: Path) -> None:
    real = tmp_path / "real.yaml"
    demo = find_robot("greenhouse_inspector").read_text(encoding="utf-8")
    real.write_text(demo.replace("kind: simulated", "kind: i2c"), encoding="utf-8")
    stack: Stack = start("--board", "simulated", robot=str(real))
    assert stack.model.board.kind == "i2c"
    stack.wait_for_line("ready after")
    with Robot() as robot:
        assert robot.board_kind == "simulated"


def test_parameters_from_a_file_reach_their_node(start, tmp_path: Path) -> None:
    file = tmp_path / "mine.yaml"
    lines = (
        "/**/base_motion: {ros__parameters: {speed: 0.03}}",
        "/**/servo_output: {ros__parameters: {joint_angles: modelled}}",
    )
    file.write_text("\n".join(lines), encoding="utf-8")
    start("--params-file", str(file)).wait_for_line("ready after")
    with Robot() as robot:
        assert robot.board_kind == "simulated"
        assert robot.parameters("base_motion", "speed", "turn_speed") == [0.03, 0.6]
        # The estimator needs no line of its own.
        robot.wait(
            lambda: robot.last.values("state_estimator").get("joint_angles") == "modelled", 5.0, lambda: "modelled"
        )


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("base_motion:\n  ros__parameters:\n    speed: [\n", r"mine.yaml:\d+: "),
        ("base_motion: &a\n  ros__parameters: {speed: 0.03}\ngait: *a\n", r"mine.yaml:3: `\*a` refers to another"),
        ("# comment\n" * 30_000, "more than 200 kB"),
        ("base_motion:\n  speed: 0.03\n", "base_motion has no ros__parameters"),
        ("- 1\n", "the file has no ros__parameters"),
        ("", "the file has no ros__parameters"),
        ("base_mtion:\n  ros__parameters: {speed: 0.03}\n", "there is no node base_mtion; there are servo_output,"),
        (None, "cannot be read: .*No such file"),
    ],
)
def test_a_parameter_file_that_ros_would_not_understand_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: str | None, told: str
) -> None:
    file = tmp_path / "mine.yaml"
    if content is not None:
        file.write_text(content)
    with pytest.raises(SystemExit):
        main.main(["run", "--params-file", str(file)])
    assert re.search(told, capsys.readouterr().err)


def test_the_shipped_parameter_file_is_taken() -> None:
    file = Path(__file__).parents[1] / "config" / "parameters.yaml"
    assert main.parser().parse_args(["run", "--params-file", str(file)]).params_file == file


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["pose", "--hieght", "65"], "unknown: --hieght 65. Did you mean --height?"),
        (["walk", "--forwrad-m-s=0.03"], "Did you mean --forward-m-s?"),
        (["stand", "70", "80"], "unknown: 80\n"),
    ],
)
def test_what_a_command_does_not_know_is_told_with_its_own_usage(
    arguments: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as end:
        main.main(arguments)
    said = capsys.readouterr().err
    assert end.value.code == 2
    assert said.startswith(f"usage: quadleg {arguments[0]} ")
    assert told in said
