"""`quadleg new`: any sensible answers make a file that loads, others are asked again, and nothing is overwritten."""

from __future__ import annotations

import builtins
import errno
import os
import re
import subprocess
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from math import acos, pi
from pathlib import Path

import pytest
from ground_geometry import GroundGeometry
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis_settings import examples
from pseudo_terminal import PseudoTerminal

from quadleg.cli import main
from quadleg.commissioning.wizard.pose_search import find_poses
from quadleg.commissioning.wizard.robot_measures import Measures
from quadleg.commissioning.wizard.robot_wizard import describe, say_next_steps
from quadleg.commissioning.wizard.servo_classes import READY_KINDS, usual_stall_current
from quadleg.errors import OutputPathError
from quadleg.geometry.transforms import Pose
from quadleg.hardware.ina226 import SHUNT_RANGE
from quadleg.kinematics.body_pose import lowest_of_body, stance_angles
from quadleg.robot.model import JOINT_NAMES, RobotModel, Stance
from quadleg.robot_file.load import load_robot
from quadleg.robot_file.maker_units import number_from
from quadleg.robot_file.reachable_poses import pose_fault
from quadleg.robot_file.robot_file_template import robot_file_text

# The questions in their order, by a word of ours.
QUESTIONS = (
    *("name", "along", "across", "offset", "upper", "lower", "foot_radius", "length", "width", "height", "belly"),
    *("knees", "mass", "servos", "voltage", "current", "board"),
)


class ScriptedUser:
    """Gives answers to the questions, several to one that is asked again, and Enter to all others."""

    def __init__(self, **answers: str | list[str]) -> None:
        lists = {key: [answer] if isinstance(answer, str) else answer for key, answer in answers.items()}
        last = lists.pop("last", [])
        self._answers = [answer for key in QUESTIONS for answer in lists.pop(key, [""])] + last + [""]
        assert not lists
        self.said: list[str] = []

    def ask(self, question: str) -> str:
        self.said.append(question)
        return self._answers.pop(0)

    def describe(self, path: Path) -> RobotModel:
        robot = describe(path, self.ask, self.said.append)
        assert not self._answers
        return robot

    @property
    def heard(self) -> str:
        return "\n".join(self.said)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "my_robot.yaml"


def good_on_the_way(robot: RobotModel) -> None:
    """Both poses, and those between them, are in reach and clear: the judgement of robot files."""
    low, high = robot.resting.height, robot.standing.height
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        stance = Stance(low + share * (high - low), robot.standing.feet)
        assert pose_fault(robot, stance, "height") is None
    assert low < high
    assert lowest_of_body(robot, Pose((0.0, 0.0, low))) > -1e-9


def test_a_robot_by_enter_alone_can_stand_and_waits_for_its_calibration(path: Path) -> None:
    robot = ScriptedUser().describe(path)
    assert robot == load_robot(path)
    assert robot.name == "my_robot"
    assert robot.uncalibrated == list(JOINT_NAMES)
    assert [joint.servo.channel for joint in robot.joints] == list(range(12))
    assert robot.board.kind == "simulated"
    assert robot.masses.assumed
    good_on_the_way(robot)
    # common practice, no source: a robot of such servos stands at about 150 mm
    assert robot.standing.height == pytest.approx(0.150, abs=0.01)


@pytest.mark.parametrize("knees", ["1", "2", "3", "4"])
def test_at_rest_no_knee_is_in_the_ground(knees: str, path: Path) -> None:
    """A belly 23 mm below the hips and legs of 172 mm: at that height the folded legs' knees would be 75 mm in it."""
    large = {"along": "178", "across": "86", "offset": "33", "upper": "92", "lower": "80", "foot_radius": "7"}
    box = {"length": "172", "width": "69", "height": "51", "belly": "23"}
    robot = ScriptedUser(**large, **box, knees=knees).describe(path)
    judge = GroundGeometry(robot)
    judge.place((0.0, 0.0, robot.resting.height), (1.0, 0.0, 0.0, 0.0), stance_angles(robot, robot.resting))
    assert judge.lowest_but_feet()[1] > -1e-6


def test_what_is_answered_is_what_the_file_says(path: Path) -> None:
    person = ScriptedUser(
        name="bench crawler",
        along="21,8 cm",
        across="104 mm",
        offset="38",
        upper="0.092 m",
        lower="108.5",
        foot_radius="8",
        length="200",
        width="88",
        height="70",
        belly="50",
        knees="3",
        mass="1,5 kg",
        servos="3",
        voltage="6.6 V",
        current="20",
        board="2",
        last=["4"],
    )
    robot = person.describe(path)
    leg = robot.leg("front_right")
    assert robot.name == "bench crawler"
    assert leg.hip == pytest.approx((0.109, -0.052, 0.0))
    assert (leg.hip_offset, leg.upper_length, leg.lower_length, leg.foot_radius) == (-0.038, 0.092, 0.1085, 0.008)
    assert robot.body.size == (0.2, 0.088, 0.07)
    assert robot.body.centre == (0.0, 0.0, -0.015)
    assert [leg.knee_sign for leg in robot.legs] == [1, 1, -1, -1]
    assert robot.masses.total == pytest.approx(1.5)
    assert {joint.servo.kind.name for joint in robot.joints} == {"twenty_kg"}
    assert (robot.supply.voltage, robot.supply.rated_current) == (6.6, 20.0)
    assert (robot.board.kind, robot.board.i2c_bus) == ("i2c", 4)
    assert robot.resting.height == pytest.approx(0.050)
    good_on_the_way(robot)


def test_servos_come_by_a_class_or_by_the_figures_of_their_data_sheet(path: Path) -> None:
    own = str(len(READY_KINDS) + 1)
    person = ScriptedUser(servos=own, voltage=["0.83 Nm", "58 rpm", "7.4 V", "", "7.2"], current="15")
    robot = person.describe(path)
    kind = robot.joints[0].servo.kind
    assert kind.stall_torque == pytest.approx(0.83, rel=0.002)
    assert kind.no_load_speed == pytest.approx(58 * 2 * pi / 60, rel=0.001)
    assert (kind.voltage, robot.supply.voltage) == (7.4, 7.2)
    assert kind.stall_current == usual_stall_current(0.83 / 0.0980665, 10 / 58, 7.4)
    assert "as they were given" in path.read_text(encoding="utf-8")
    assert "8.46 kg-cm, 0.1724 s/60deg at 7.4 V" in person.heard


def test_a_torque_that_no_servo_has_is_asked_again(path: Path) -> None:
    person = ScriptedUser(servos=str(len(READY_KINDS) + 1), voltage=["1000", "20", "5 V", "", "6", "", "13", "6"])
    person.describe(path)
    assert "1000 makes no sense here: 0.3 to 200 kg-cm would be right" in person.heard
    assert "'5 V' is not understood: 0.02 to 1 s/60deg, as 0.16 would be" in person.heard
    assert "13 is too much: servos of this kind would burn; 4.5 to 7.2 V would be right" in person.heard


def test_a_robot_on_a_serial_port_gets_a_rate_that_the_port_carries(path: Path) -> None:
    robot = ScriptedUser(board="3", last=["/dev/tty USB0", "/dev/ttyUSB0"]).describe(path)
    assert (robot.board.kind, robot.board.port, robot.control_rate) == ("serial", "/dev/ttyUSB0", 25.0)


def test_all_that_the_file_offers_may_be_taken(path: Path) -> None:
    ScriptedUser().describe(path)
    text = path.read_text(encoding="utf-8")
    every = re.sub(r"^( *)# ( *[a-z_0-9]+:(?: .*)?)$", r"\1\2", text, flags=re.MULTILINE)
    path.write_text(every, encoding="utf-8")
    robot = load_robot(path)
    assert robot.supply.low_share == pytest.approx(0.85)
    assert (robot.supply.fuse, robot.supply.battery, robot.supply.wire_length) == (15.0, 18000.0, 1.0)
    assert robot.supply.sensor is not None
    assert robot.imu is not None
    assert SHUNT_RANGE / robot.supply.sensor.shunt > 100
    assert robot.frames[0].name == "imu_link"
    assert not robot.masses.assumed
    assert all(joint.servo.kind.holds_without_pulses for joint in robot.joints)


@pytest.mark.parametrize(
    ("figures", "key"), [({}, "name"), ({"name": "Bee", "body": {"length_mm": 1}}, "body.width_mm")]
)
def test_a_required_key_without_a_figure_is_named(figures: dict[str, object], key: str) -> None:
    with pytest.raises(ValueError, match=f"{re.escape(key)} is a required key without a figure"):
        robot_file_text(figures, {}, {})


def test_others_may_read_the_file_as_the_umask_says(path: Path) -> None:
    before = os.umask(0o027)
    try:
        ScriptedUser().describe(path)
    finally:
        os.umask(before)
    assert path.stat().st_mode & 0o777 == 0o640


def whole(low: float, high: float) -> st.SearchStrategy[str]:
    return st.integers(int(low), int(high)).map(str)


@st.composite
def persons(draw: st.DrawFn) -> ScriptedUser:
    """Persons with robots of all sorts, most of them odd ones."""
    m = Measures(
        along=draw(st.integers(150, 600)),
        across=draw(st.integers(20, 300)),
        offset=draw(st.integers(5, 100)),
        upper=draw(st.integers(40, 200)),
    )
    m = replace(m, lower=int(m.upper * draw(st.floats(0.8, 1.4))), foot_radius=draw(st.integers(2, 4)))
    m = replace(m, width=draw(st.integers(10, int(m.widest))))
    m = replace(m, length=draw(st.integers(20, 700)), height=draw(st.integers(10, 200)))
    m = replace(m, belly=draw(st.integers(1, int(min(0.5 * m.straight, m.height + 20)))))
    lengths = {key: f"{getattr(m, key):g}" for key in QUESTIONS[1:11]}
    number = draw(st.integers(1, len(READY_KINDS)))
    low, high = READY_KINDS[number - 1].voltages_v
    board = draw(st.sampled_from(["1", "2", "3"]))
    return ScriptedUser(
        name=draw(st.from_regex("[A-Za-z][A-Za-z0-9_-]{0,12}", fullmatch=True)),
        **lengths,
        knees=draw(whole(1, 4)),
        mass=draw(whole(100, 20000)),
        servos=str(number),
        voltage=f"{draw(st.floats(low, high)):.2f}".replace(".", draw(st.sampled_from(".,"))),
        current=draw(whole(1, 200)),
        board=board,
        last=[] if board == "1" else [""],
    )


@given(persons())
@settings(max_examples=examples(10), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_robot_that_is_told_makes_a_file_that_loads(tmp_path: Path, person: ScriptedUser) -> None:
    path = tmp_path / "some.yaml"
    path.unlink(missing_ok=True)
    good_on_the_way(person.describe(path))


@pytest.mark.parametrize("name", ["true", "null", "No", "e3", "-".join(["a"] * 9)])
def test_a_name_that_yaml_would_take_for_something_else_stays_a_name(path: Path, name: str) -> None:
    assert ScriptedUser(name=name).describe(path).name == name


@pytest.mark.parametrize(
    ("answer", "unit", "number"),
    [
        ("92", "mm", 92),
        ("92,5", "mm", 92.5),
        (" 92.5 mm ", "mm", 92.5),
        ("9.2cm", "mm", 92),
        ("0,092 m", "mm", 92),
        ("1.5 KG", "g", 1500),
        ("6V", "V", 6),
        ("500 mA", "A", 0.5),
        ("92.1289", "mm", 92.13),
        ("", "mm", None),
        ("about 90", "mm", None),
        ("92 g", "mm", None),
        ("1,500.0", "g", None),
        ("1e2", "mm", None),
        ("nan", "mm", None),
        ("٣", "mm", 3),
        ("0.98 N·m", "kg-cm", 9.99),  # 1 kgf = 9.80665 N: 3rd CGPM (1901)
        ("9.8 Nm", "kg-cm", 99.93),
        ("136 oz-in", "kg-cm", 9.79),  # 1 oz = 28.349523125 g, 1 in = 25.4 mm: international yard and pound (1959)
        ("20 kg-cm", "kg-cm", 20),
        ("20 kg", "kg-cm", None),
        ("0.16", "s/60deg", 0.16),
        ("0.161 s/60°", "s/60deg", 0.161),
        ("62.5 rpm", "s/60deg", 0.16),
        ("375 °/s", "s/60deg", 0.16),
        ("160 ms", "s/60deg", 0.16),
        ("5 V", "s/60deg", None),
    ],
)
def test_numbers_come_with_point_or_comma_and_with_units(answer: str, unit: str, number: float | None) -> None:
    assert number_from(answer, unit) == number


@pytest.mark.parametrize(
    ("question", "bad", "reason"),
    [
        ("name", "3 legs", "'3 legs' will not do: up to 64 of A to Z, digits, spaces, - and _, and a letter first"),
        ("along", "wide", "'wide' is not understood: 40 to 1000 mm, as 200 would be"),
        ("upper", "9.2", "9.2 makes no sense here: 20 to 500 mm would be right"),
        ("upper", "-92", "-92 makes no sense here"),
        ("width", "170", "170 is too much: the legs move 90 mm from the middle, and would touch a wider body"),
        ("belly", "190", "190 is too much: the hip axes would be more than 20 mm above the top of the body (J)"),
        ("foot_radius", "40", "40 is too much: such a foot has no room beside the body or below the leg"),
        ("knees", "5", "'5' is no answer here. Right would be: 1, 2, 3, 4, end"),
        ("knees", "²", "'²' is no answer here"),
        ("mass", "1.5", "1.5 makes no sense here: 100 to 20000 g would be right"),
        ("voltage", "12", "12 is too much: servos of this kind would burn; 4.8 to 6.8 V would be right"),
        ("board", "i2c", "'i2c' is no answer here. Right would be: 1, 2, 3, end"),
    ],
)
def test_an_answer_that_makes_no_sense_is_asked_again_with_the_reason(
    path: Path, question: str, bad: str, reason: str
) -> None:
    person = ScriptedUser(**{question: [bad, ""]})
    assert person.describe(path) == load_robot(path)
    assert reason in person.heard


def test_a_bus_that_cannot_be_is_asked_again(path: Path) -> None:
    person = ScriptedUser(board="2", last=["one", "300", "1"])
    assert person.describe(path).board.i2c_bus == 1
    assert "'one' is no bus: 0 to 255 would be right" in person.heard


# Hip axes 40 mm apart, and knees that point at each other.
ENTANGLED = Measures(along=40, front_knee="rearward", rear_knee="forward", upper=150, lower=180)


def test_all_questions_come_once_more_with_what_was_given_before_anything_is_written(path: Path) -> None:
    first = ["Beetle", "230", *[""] * 10, "1800", "3", "", "15", "2", "7", "no", "n"]
    answers = iter([*first, "Bee", *[""] * 17, "y"])
    said: list[str] = []

    def ask(question: str) -> str:
        said.append(question)
        assert not path.exists()
        return next(answers)

    robot = describe(path, ask, said.append)
    heard = "\n".join(said)
    assert "'no' is neither y nor n" in heard
    for words in ("Beetle: 1800 g", "A 230  B 100", "15 A; /dev/i2c-7", "[Beetle]", "[230]", "[15]", "[7]"):
        assert words in heard
    assert (robot.name, robot.board.i2c_bus, robot.supply.rated_current) == ("Bee", 7, 15.0)
    assert next(answers, None) is None


def test_lengths_that_make_no_robot_are_told_and_asked_again(path: Path) -> None:
    entangled = ["", "40", "", "", "150", "180", *[""] * 5, "4"]
    answers = iter([*entangled, "400", *[""] * 10, *[""] * 6])
    said: list[str] = []

    def ask(question: str) -> str:
        said.append(question)
        return next(answers)

    robot = describe(path, ask, said.append)
    heard = "\n".join(said)
    assert f"With these lengths it does not work: {find_poses(ENTANGLED)}" in heard
    assert heard.count("(40 to 1000) [40]") == 1  # what was given is offered
    assert robot.leg("front_left").hip[0] == 0.2
    assert robot.leg("front_left").upper_length == 0.15
    good_on_the_way(robot)


@pytest.mark.parametrize(
    ("measures", "reason"),
    [
        (ENTANGLED, "would touch, standing 242 mm high; A keeps front and rear legs apart"),
        (Measures(belly=170), "too little room to stand up from the belly"),
        (Measures(belly=190), "too little room to stand up from the belly"),
    ],
)
def test_the_length_that_leaves_no_pose_is_named(measures: Measures, reason: str) -> None:
    assert reason in str(find_poses(measures))


def test_folded_legs_that_do_not_get_as_low_as_the_belly_are_told_in_the_file(path: Path) -> None:
    robot = ScriptedUser(belly="20").describe(path)
    hangs = 1000 * robot.resting.height - 20
    assert hangs > 5
    assert f"folded legs hold the belly {hangs:g} mm over it" in path.read_text(encoding="utf-8")


@pytest.mark.parametrize(("height", "belly"), [("109.11", "56"), ("52.83", "58"), ("85.33", "54.01")])
def test_the_belly_rests_on_the_ground_whatever_the_fractions(path: Path, height: str, belly: str) -> None:
    robot = ScriptedUser(upper="100", lower="110", height=height, belly=belly).describe(path)
    assert 1000 * robot.resting.height == pytest.approx(float(belly), abs=2)


def test_standing_knees_are_bent_as_the_law_of_cosines_says(path: Path) -> None:
    # Lynch & Park, Modern Robotics (2017), ch. 6: the links' triangle.
    robot = ScriptedUser().describe(path)
    leg, down = robot.legs[0], robot.standing.height - 0.008
    inner = (leg.upper_length**2 + leg.lower_length**2 - down**2) / (2 * leg.upper_length * leg.lower_length)
    assert -stance_angles(robot, robot.standing)[2] == pytest.approx(pi - acos(inner), abs=1e-9)
    assert 0.5 < pi - acos(inner) < 2.0  # well bent: neither straight nor folded


# The file's place


def test_a_file_that_is_there_stays_and_nothing_is_asked(path: Path) -> None:
    path.write_text("mine")
    with pytest.raises(OutputPathError, match="is there already and stays as it is"):
        describe(path, lambda question: pytest.fail("asked"), print)
    assert path.read_text() == "mine"


def test_a_link_that_leads_nowhere_is_not_written_over(path: Path) -> None:
    path.symlink_to("nowhere")
    with pytest.raises(OutputPathError, match="is there already"):
        describe(path, lambda question: pytest.fail("asked"), print)


@pytest.mark.parametrize(
    ("place", "reason"),
    [("/proc/my_robot.yaml", "name a file in a folder of yours"), ("no_such/my.yaml", "no folder .*no_such; make it")],
)
def test_where_nothing_can_be_written_nothing_is_asked(tmp_path: Path, place: str, reason: str) -> None:
    with pytest.raises(OutputPathError, match=reason):
        describe(tmp_path / place, lambda question: pytest.fail("asked"), print)


def test_a_full_disk_loses_no_answer(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    person = ScriptedUser(upper="93")
    with pytest.raises(OutputPathError, match="No space left on device: put the text above there"):
        person.describe(path)
    assert "upper_leg_mm: 93" in person.heard
    assert not list(path.parent.iterdir())


def test_a_file_that_came_meanwhile_stays(path: Path) -> None:
    person = ScriptedUser(board=["1"])
    ask = person.ask

    def ask_and_write(question: str) -> str:
        path.write_text("another's")
        return ask(question)

    with pytest.raises(OutputPathError, match="is there already"):
        describe(path, ask_and_write, person.said.append)
    assert path.read_text() == "another's"
    assert "upper_leg_mm: 90" in person.heard


# The command


@pytest.mark.parametrize(
    ("end", "code", "words"),
    [(KeyboardInterrupt, 130, "interrupted: nothing is written"), (EOFError, 1, "a question was not answered")],
)
@pytest.mark.parametrize("answered", [0, 5, 16])
def test_an_end_at_any_question_writes_nothing(
    path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    end: type[BaseException],
    code: int,
    words: str,
    answered: int,
) -> None:
    def answers() -> Iterator[str]:
        yield from [""] * answered
        raise end

    given = answers()
    monkeypatch.setattr(builtins, "input", lambda question: next(given))
    assert main.main(["new", str(path)]) == code
    assert words in capsys.readouterr().err
    assert not list(path.parent.iterdir())


def test_every_text_of_it_can_be_shown_in_any_terminal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    path, person = Path("my_robot.yaml"), ScriptedUser()
    say_next_steps(path, person.describe(path), person.said.append)
    assert person.heard.isascii()


def test_it_works_in_a_terminal(path: Path) -> None:
    terminal = PseudoTerminal(code=f"import sys; sys.argv[1:] = {['new', str(path)]!r}")
    try:
        terminal.shows("Name of the robot [my_robot]")
        terminal.keys(b"crawler\n210\n12\n120\n" + b"\n" * 15)
        said = ("12 makes no sense here", "Written to", "all stalled", "Lithium", f"quadleg calibrate {path}")
        terminal.shows(*said, seconds=60)
        assert terminal.process.wait(20) == 0
    finally:
        terminal.end()
    robot = load_robot(path)
    assert robot.name == "crawler"
    assert robot.leg("front_left").hip == (0.105, 0.06, 0.0)


def test_ctrl_c_in_a_terminal_writes_nothing(path: Path) -> None:
    terminal = PseudoTerminal(code=f"import sys; sys.argv[1:] = {['new', str(path)]!r}")
    try:
        terminal.shows("Name of the robot [my_robot]")
        terminal.keys(b"crawler\n210\n")
        terminal.shows("B  left abduction axis")
        for _ in range(3):  # one that comes just before the interpreter begins to read is heard with the next
            terminal.keys(b"\x03")
            with suppress(subprocess.TimeoutExpired):
                terminal.process.wait(3)
                break
        terminal.shows("interrupted: nothing is written")
        assert terminal.process.wait(20) == 130
    finally:
        terminal.end()
    assert not list(path.parent.iterdir())
