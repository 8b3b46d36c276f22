"""The figure of a robot file that lets a gait walk, as `quadleg check` gives it: with it, the gait walks."""

from __future__ import annotations

from dataclasses import replace

import pytest

from quadleg.commissioning.feasibility.check import check
from quadleg.commissioning.feasibility.verdict import FAILS, Need, Quantity
from quadleg.gait.stride_feasibility import StrideObstacle
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.robot.model import RobotModel
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, robot_from_text

TEXT = find_robot(DEFAULT_ROBOT).read_text(encoding="utf-8")
ROBOT = robot_from_text(TEXT, "demo.yaml")
TROT = ROBOT.gait("trot")


def standing(height: float) -> RobotModel:
    return replace(ROBOT, standing=replace(ROBOT.standing, height=height))


def with_trot(**figures: float) -> RobotModel:
    return replace(ROBOT, gaits=(replace(TROT, **figures),))


def changed(robot: RobotModel, need: Need) -> RobotModel:
    """With the one figure as it is asked for."""
    gait, stance = robot.gait("trot"), robot.standing
    if need.quantity is Quantity.FOOT_CLEARANCE_MM:
        return replace(robot, gaits=(replace(gait, foot_clearance=need.value / 1000),))
    if need.quantity is Quantity.STRIDE_PERIOD_S:
        return replace(robot, gaits=(replace(gait, stride_period=need.value),))
    if need.quantity is Quantity.STANDING_HEIGHT_MM:
        return replace(robot, standing=replace(stance, height=need.value / 1000))
    assert need.quantity is Quantity.FEET_OUT_ACROSS_MM
    more = (need.value - need.have) / 1000
    feet = tuple((x, y + (more if y > 0 else -more), z) for x, y, z in stance.feet)
    return replace(robot, standing=replace(stance, feet=feet))


@pytest.mark.parametrize(
    ("robot", "obstacle"),
    [
        (replace(standing(0.197), gaits=(replace(TROT, stride_period=0.6),)), StrideObstacle.SPEED),
        (standing(0.06), StrideObstacle.REACH),
        (with_trot(stride_period=0.3, foot_clearance=0.05), StrideObstacle.SPEED),
        (replace(ROBOT, clearance=0.04), StrideObstacle.CLEARANCE),
    ],
    ids=["too high", "too low", "too quick", "too near"],
)
def test_each_figure_alone_lets_the_gait_walk(robot: RobotModel, obstacle: StrideObstacle) -> None:
    robot = replace(robot, gaits=(robot.gait("trot"),))
    checked = check(robot)
    assert checked.gaits[0].obstacle is obstacle
    row = checked.verdicts["walk"][0]
    assert row.word == FAILS
    assert row.needs
    assert row.needs == checked.verdicts["bus"][1].needs
    for need in row.needs:
        assert f"{need.value:g} instead of {need.have:g}" in row.cure
        better = changed(robot, need)
        assert WalkingLimits(better, better.gait("trot")).forward[0] > 0.0, need


def test_each_figure_alone_lets_a_gait_go_that_is_too_slow() -> None:
    slow = replace(standing(0.196), gaits=(TROT,))
    row = check(slow).verdicts["walk"][0]
    assert row.word == FAILS
    assert row.needs
    for need in row.needs:
        assert check(changed(slow, need)).forecasts[0].code.walks, need


def test_where_no_figure_is_found_the_cure_names_keys_and_direction() -> None:
    row = check(with_trot(stride_period=0.2, foot_clearance=0.09)).verdicts["walk"][0]
    assert (row.cure, row.needs) == ("lower foot_clearance_mm, or raise stride_period_s", ())
