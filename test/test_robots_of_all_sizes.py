"""Robots of very different size, as `quadleg new` describes them, in physics: they rise, creep and trot."""

from __future__ import annotations

import pytest
from random_robots import random_robot

from quadleg.commissioning.wizard.new_robot_file import robot_file
from quadleg.commissioning.wizard.pose_search import find_poses
from quadleg.commissioning.wizard.robot_measures import Electrics, Measures, Poses
from quadleg.commissioning.wizard.servo_classes import ReadyKind
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.robot.model import RobotModel
from quadleg.robot_file.load import robot_from_text
from quadleg.simulation.rollout import Rollout
from quadleg.simulation.walk_verdict import walk_verdict

# Lengths in mm; mass in g; servos in kg·cm, s for 60°, A stalled, at 6 V.
MEASURES = {
    "tiny": Measures(80, 50, 15, 40, 42, 3, 70, 40, 28, 20),
    "long with short legs": Measures(300, 80, 25, 50, 55, 5, 280, 60, 40, 27),
    "quick servos": Measures(140, 70, 25, 60, 65, 6, 125, 50, 45, 30),
    "large": Measures(420, 200, 60, 190, 200, 12, 380, 160, 110, 90),
}
BETWEEN = ("long with short legs", "quick servos")
FIGURES = {
    "tiny": (300, 2.2, 0.1, 0.8),
    "long with short legs": (1200, 15, 0.15, 2.5),
    "quick servos": (900, 20, 0.14, 2.5),
    "large": (5000, 60, 0.13, 8.0),
}


def built(name: str) -> RobotModel:
    mass, torque, seconds, stall = FIGURES[name]
    poses = find_poses(MEASURES[name])
    assert isinstance(poses, Poses)
    kind = ReadyKind("some", "some", torque, seconds, 6.0, (500, 2500), 3, 0.01, stall, (4.8, 8.4))
    text = robot_file("robot", MEASURES[name], poses, mass, Electrics(kind, 6.0, 12 * stall, "simulated"))
    return robot_from_text(text, "robot.yaml")


@pytest.mark.parametrize("gait", ["creep", "trot"])
@pytest.mark.parametrize("name", ["tiny", "large", *(pytest.param(name, marks=pytest.mark.long) for name in BETWEEN)])
def test_it_walks(name: str, gait: str) -> None:
    robot = built(name)
    verdict = walk_verdict(robot, WalkingLimits(robot, robot.gait(gait)))
    assert verdict.walks, verdict.sentence
    assert verdict.figures.speed > 0.7, verdict.sentence


@pytest.mark.parametrize("number", [0, 1, 4])
def test_a_small_robot_rises_though_its_accelerometer_is_biased(number: int) -> None:
    """Of 9 cm legs and less: what the bias adds up to is as much as sound servos give way."""
    robot = random_robot(11, number).robot
    rollout = Rollout(robot, WalkingLimits(robot, robot.gait("creep")), angles=None)
    rollout.stand()
    assert not rollout.fell
