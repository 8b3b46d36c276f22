"""The resting pose in words and as a picture: what is shown is where the kinematics has it."""

from __future__ import annotations

import re
from math import degrees
from pathlib import Path

import pytest
import sample_robots
from sample_robots import BOTH

from quadleg.kinematics.body_pose import stance_angles
from quadleg.plotting.resting_pose import angles_in_words, described, save_picture, views
from quadleg.robot.model import LEGS, RobotModel

ENCODINGS = pytest.mark.parametrize("encoding", ["utf-8", "UTF-8", "ascii", "latin-1", "ANSI_X3.4-1968"])


@BOTH
@ENCODINGS
def test_a_terminal_has_every_character_of_the_description(robot: RobotModel, encoding: str) -> None:
    lines = described(robot, encoding)
    assert f"{1000 * robot.resting.height:.0f} mm above the ground" in lines[1]
    assert [line.split()[:2] for line in lines[-len(LEGS) :]] == [leg.split("_") for leg in LEGS]
    "\n".join(lines).encode(encoding)  # raises for a character that the terminal does not have
    if encoding.lower() != "utf-8":
        "\n".join(lines).encode("ascii")


@BOTH
def test_the_table_has_the_twelve_angles_and_their_ways(robot: RobotModel) -> None:
    _, *rows = angles_in_words(robot)
    assert ["_".join(row.split()[:2]) for row in rows] == list(LEGS)
    written = [int(number) for row in rows for number in re.findall(r"(-?\d+)°", row)]
    assert written == pytest.approx([degrees(a) for a in stance_angles(robot, robot.resting)], abs=0.51)
    for leg, row in zip(robot.legs, rows):
        assert row.endswith("points rearward" if leg.knee_sign < 0 else "points forward")


def test_the_ways_are_those_of_the_robot() -> None:
    # The digger's feet stand wider than its hips, and its front knees point forward.
    _, front_left, front_right, rear_left, _ = angles_in_words(sample_robots.digger())
    assert " ".join(front_left.split()) == "front left 6° outward -61° forward 148° points forward"
    assert " ".join(front_right.split()) == "front right -6° outward -61° forward 148° points forward"
    assert " ".join(rear_left.split()) == "rear left 6° outward 61° rearward -148° points rearward"


@BOTH
def test_the_views_stand_on_the_ground(robot: RobotModel) -> None:
    for view in views(robot):
        for name, leg in view.legs.items():
            assert leg[-1][1] == pytest.approx(robot.leg(name).foot_radius)
            assert leg[0][1] == pytest.approx(robot.resting.height)
    side, front = views(robot)
    assert side.legs["front_left"][0][0] > 0 > side.legs["rear_left"][0][0]
    assert front.legs["front_left"][0][0] > 0 > front.legs["front_right"][0][0]
    assert list(side.legs)[2:] == ["front_right", "rear_right"]
    assert list(front.legs)[2:] == ["front_left", "front_right"]


@BOTH
def test_the_picture_is_a_png(robot: RobotModel, tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    save_picture(robot, tmp_path / "rest.png")
    assert (tmp_path / "rest.png").read_bytes().startswith(b"\x89PNG")
    with pytest.raises(OSError, match="nowhere"):
        save_picture(robot, tmp_path / "nowhere" / "rest.png")
