"""`quadleg calibrate --walk`: a person reads a tape; what follows from it, what is refused and what is saved."""

from __future__ import annotations

from collections.abc import Callable
from math import hypot, radians
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tape_robots import GlidingRobot, PhysicsRobot, reader, tape_answers

from quadleg.commissioning.calibration.session import TapeSession, by_file
from quadleg.commissioning.calibration.tape_scale import TapeRun, odometry_scale, way_scale
from quadleg.commissioning.calibration.tape_walk import WalkedWay
from quadleg.commissioning.dialog import Question, run_dialog
from quadleg.errors import NotReached, Refused
from quadleg.geometry.planar import Planar, motion, twist_to
from quadleg.robot.model import GaitParameters
from quadleg.robot_file.load import load_robot
from quadleg.simulation.world_difference import WorldDifference

SHIPPED = Path(__file__).parents[1] / "config" / "greenhouse_inspector.yaml"
Person = Callable[[Question], str]
TRUE, FOUND = (0.9, 0.8, 0.95), (0.94, 0.88, 0.95)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "robot.yaml"
    path.write_text(SHIPPED.read_text(encoding="utf-8"), encoding="utf-8")
    return path


def walked(path: Path, robot: GlidingRobot | PhysicsRobot, person: Person | None = None) -> tuple[bool, list[str]]:
    """Whether scales were saved, and what was said."""
    session = TapeSession(path, walker=robot)
    return run_dialog(session.dialog(), person or reader(robot)), session.said


def gait_of(path: Path, name: str = "trot") -> GaitParameters:
    return load_robot(path).gait(name)


@given(st.floats(-2.0, 2.0), st.floats(-2.0, 2.0), st.floats(-6.0, 6.0))
def test_the_constant_twist_to_a_place_leads_there(x: float, y: float, yaw: float) -> None:
    assert motion(twist_to((x, y, yaw)), 1.0) == pytest.approx((x, y, yaw), abs=1e-9)


def test_scales_are_found_and_saved_beside_the_comments(path: Path) -> None:
    before = path.read_text()
    robot = GlidingRobot(TRUE, FOUND)
    assert walked(path, robot)[0]
    assert robot.gait == "trot"
    assert len(robot.walks) == 9
    gait = gait_of(path)
    assert gait.way_scale == pytest.approx(TRUE, abs=0.015), "read to a centimetre and a degree"
    assert gait.odometry_scale == pytest.approx([t / f for t, f in zip(TRUE, FOUND)], abs=0.015)
    assert gait.way_scale_deviation
    assert all(0.002 < off < 0.03 for off in gait.way_scale_deviation)
    assert gait_of(path, "creep") == gait_of(SHIPPED, "creep")
    assert path.read_text().startswith(before.rstrip())
    (version,) = path.with_name("robot.yaml.versions").iterdir()
    assert version.read_text() == before
    # Once more, as the robot that the file describes now walks: the scales stay.
    robot = GlidingRobot((1.0, 1.0, 1.0), (1.0, 1.0, 1.0))
    robot.before = gait.way_scale, gait.odometry_scale
    assert walked(path, robot)[0]
    assert gait_of(path).way_scale == pytest.approx(gait.way_scale, abs=0.01)
    assert gait_of(path).odometry_scale == pytest.approx(gait.odometry_scale, abs=0.01)


@given(st.floats(0.5, 1.3), st.floats(0.5, 1.3), st.floats(0.7, 1.3), st.floats(0.7, 1.3))
def test_scales_found_before_are_part_of_what_is_found(way: float, legs: float, by_way: float, by_legs: float) -> None:
    """Whatever scales it walked with, what it walks with afterwards is right: `way` by strides, `legs` by odometry."""
    planned = 1.0
    strides = planned / by_way
    true, estimated = way * strides, legs * strides + planned * (1 - 1 / by_legs)
    runs = [TapeRun(0, (true, 0.0, 0.0), (planned, 0.0, 0.0), (estimated, 0.0, 0.0))] * 3
    found, said = way_scale(runs, by_way), odometry_scale(runs, by_legs)
    assert said
    strides = planned / found.value
    assert way * strides == pytest.approx(planned)
    assert legs * strides + planned * (1 - 1 / said.value) == pytest.approx(planned)


def test_without_odometry_the_way_alone_is_saved(path: Path) -> None:
    assert walked(path, GlidingRobot(TRUE))[0]
    assert gait_of(path).way_scale == pytest.approx(TRUE, abs=0.015)
    assert gait_of(path).odometry_scale_deviation is None


def test_a_way_that_the_gait_does_not_go_is_left_out(path: Path) -> None:
    robot = GlidingRobot(TRUE, FOUND)
    robot.limits = (0.2, 0.0, 0.8)
    _, told = walked(path, robot)
    assert len(robot.walks) == 6
    assert gait_of(path).way_scale[1] == 1.0
    assert "left: left out, since the gait trot does not go so" in told


@pytest.mark.parametrize(
    ("key", "answer", "said"),
    [
        ("ahead", "-980", "the numbers lead the other way"),
        ("ahead", "98", "% of the way that was planned"),
        ("turned", "60", "turned by 60° by the line, 0° by odometry"),
        ("ahead", "slipped", "it slipped or was held"),
    ],
)
def test_a_run_that_makes_no_sense_or_slipped_is_walked_again(key: str, answer: str, said: str, path: Path) -> None:
    robot = GlidingRobot(TRUE, FOUND)
    usual, odd = reader(robot), [answer]
    asked: list[Question] = []

    def person(question: Question) -> str:
        asked.append(question)
        return odd.pop() if question.key == key and odd else usual(question)

    done, told = walked(path, robot, person)
    assert done
    assert len(robot.walks) == 10
    (refused,) = (line for line in told if "not taken" in line)
    assert said in refused
    assert any(question.text.startswith("Once more, since this was not taken: ") for question in asked)
    assert gait_of(path).way_scale == pytest.approx(TRUE, abs=0.015)


def test_a_walk_that_the_robot_does_not_do_is_told_and_done_again(path: Path) -> None:
    robot = GlidingRobot(TRUE, FOUND)
    go, faults = robot.go, [Refused("the robot is off"), NotReached("someone else drives the robot")]

    def refusing(twist: Planar, seconds: float):
        if faults:
            raise faults.pop()
        return go(twist, seconds)

    robot.go = refusing  # type: ignore[method-assign]
    _, told = walked(path, robot)
    assert [line for line in told if "not taken" in line] == [
        "forward: not taken: someone else drives the robot",
        "forward: not taken: the robot is off",
    ]


def test_runs_that_contradict_each_other_end_it_and_nothing_is_saved(path: Path) -> None:
    before = path.read_text()
    robot = GlidingRobot(TRUE, FOUND)
    robot.slips = {4: 0.7}  # the second to the left
    with pytest.raises(
        Refused, match=r"^nothing is saved: left: the runs give 0\.80, 0\.5\d, 0\.80, 3\d % apart: 15 %"
    ):
        walked(path, robot)
    assert path.read_text() == before


def test_odometry_that_contradicts_itself_is_told_as_such(path: Path) -> None:
    robot = GlidingRobot(TRUE, FOUND)
    go, found = robot.go, iter([0.7, 1.2, 0.9])

    def wandering(twist: Planar, seconds: float) -> WalkedWay:
        way = go(twist, seconds)
        return WalkedWay(way.planned, motion((next(found) * twist[0], 0.0, 0.0), seconds))

    robot.go = wandering  # type: ignore[method-assign]
    with pytest.raises(Refused, match=r"^nothing is saved: forward: the runs by odometry give 1\.29, 0\.75, 1\.00"):
        walked(path, robot)


@pytest.mark.parametrize(("last", "said"), [("no", "is not changed"), ("end", "Ended. The robot file is not changed")])
def test_nothing_is_saved_unless_it_is_asked_for(last: str, said: str, path: Path) -> None:
    before = path.read_text()
    robot = GlidingRobot(TRUE, FOUND)
    done, told = walked(path, robot, reader(robot, save=last))
    assert not done
    assert said in told[-1]
    assert path.read_text() == before


def test_a_file_of_the_installation_is_not_changed() -> None:
    with pytest.raises(Refused, match="Copy it to a folder of yours"):
        walked(SHIPPED, GlidingRobot(TRUE))


def test_a_file_of_answers_will_do(path: Path) -> None:
    answers = tape_answers(path, "creep", (90, 48, 342))
    assert by_file(TapeSession(path, walker=GlidingRobot(TRUE)), answers)
    assert gait_of(path, "creep").way_scale == pytest.approx((0.9, 0.8, 0.95), abs=1e-3)


@pytest.mark.parametrize(
    ("gait", "axis", "kept"),
    [("trot", 1, (0.7, 1.2)), pytest.param("creep", 0, (1.05, 0.6), marks=pytest.mark.long)],
)
def test_in_physics_speed_and_odometry_are_nearer_to_the_truth(
    gait: str, axis: int, kept: tuple[float, float], path: Path
) -> None:
    """Soft servos with play, which the robot file does not know of; the person reads to a centimetre and a degree.

    `kept` is how much of both may be left: sideways a trot goes astray ahead, of which no scale tells, and a creep
    takes its time to set off.
    """
    soft = WorldDifference(stiffness=(0.8,) * 12, play=(radians(1.0),) * 12)
    robot = PhysicsRobot(load_robot(path), gait, soft, axes=(axis,))
    assert walked(path, robot, reader(robot, gait))[0]
    asked = [0.0, 0.0, 0.0]
    asked[axis] = 0.6 * gait_of(path, gait).way_scale[axis] * robot.fastest()[axis]

    def errors(file: Path) -> tuple[float, float]:
        """How far speed and odometry are off, as shares of the way, with path feedback as usual."""
        walker = PhysicsRobot(load_robot(file), gait, soft, seed=2, keep_course=True)
        way = walker.go((asked[0], asked[1], asked[2]), 1.0 / asked[axis])
        assert way.estimated
        off = hypot(*(true - found for true, found in zip(walker.came[:2], way.estimated[:2])))
        return abs(twist_to(walker.came)[axis] - 1), off

    (slow, drift), (slow_by_it, drift_by_it) = errors(SHIPPED), errors(path)
    print(f"speed off {100 * slow:.1f}, {100 * slow_by_it:.1f} %; drift {100 * drift:.1f}, {100 * drift_by_it:.1f} %")
    assert slow_by_it < kept[0] * slow
    assert drift_by_it < kept[1] * drift
