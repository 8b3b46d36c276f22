"""The pictures of `quadleg check`: what is drawn is what was worked out, and no words lie on each other."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import sample_robots
from figure_boxes import assert_apart, assert_within, axes_of, lines_of, words_of

pytest.importorskip("matplotlib")

from matplotlib.figure import Figure

from quadleg.commissioning.feasibility.check import Check, check
from quadleg.commissioning.feasibility.check_plots import figures, workspace
from quadleg.commissioning.feasibility.standing_torque import FEET, IN_WORDS
from quadleg.errors import Unreachable
from quadleg.kinematics.body_pose import stance_angles
from quadleg.kinematics.clearance import Clearance
from quadleg.kinematics.leg import inverse
from quadleg.plotting.portrait import FRONT, SIDE
from quadleg.robot.colours import LEG
from quadleg.robot.model import JOINT_NAMES

ROBOT = sample_robots.inspector()


@cache
def checked() -> Check:
    return check(ROBOT)


@cache
def made() -> dict[str, Figure]:
    return figures(checked())


@pytest.mark.parametrize("view", [SIDE, FRONT], ids=lambda view: view.name)
@pytest.mark.parametrize("robot", [ROBOT, sample_robots.digger()], ids=lambda robot: robot.name)
def test_a_cell_of_the_workspace_is_what_the_leg_can_do(robot, view) -> None:
    dice = np.random.default_rng(3)
    across, up = np.sort(dice.uniform(-0.2, 0.2, 25)), np.sort(dice.uniform(-0.05, 0.15, 20))
    state = workspace(robot, view, across, up)
    standing, seen = stance_angles(robot, robot.standing), set()
    x, y, _ = robot.standing.feet[1]
    for (row, column), found in np.ndenumerate(state):
        place = (across[column], y) if view is SIDE else (x, across[column])
        angles = list(standing)
        try:
            angles[3:6] = inverse(robot.legs[1], (*place, up[row] - robot.standing.height))
            apart = Clearance(robot).least(angles).distance >= robot.clearance
            wanted = 2 if apart else 1
        except Unreachable:
            wanted = 0
        assert found == wanted
        seen.add(wanted)
    assert {0, 2} <= seen


@pytest.mark.parametrize("count", FEET)
def test_the_curves_are_the_torques_with_one_hue_a_leg(count: int) -> None:
    axes = axes_of(made()["heights"], f"torque, {IN_WORDS[count]}")
    lines = lines_of(axes)
    for i, name in enumerate(JOINT_NAMES):
        assert lines[name].get_ydata() == pytest.approx(checked().torque.over[count][:, i])
        assert lines[name].get_xdata() == pytest.approx(1000 * checked().torque.heights)
        assert lines[name].get_color() == LEG[name.rpartition("_")[0]]
    assert lines["stall torque"].get_ydata()[0] == pytest.approx(checked().torque.stall.min())


def test_the_currents_are_those_of_heights_and_strides() -> None:
    line = axes_of(made()["heights"], "current, four feet").lines[0]
    assert line.get_ydata() == pytest.approx(checked().current.over)
    for use in checked().gaits:
        axes = axes_of(made()["strides"], use.gait.name)
        lines = lines_of(axes)
        for way, stride in use.strides.items():
            drawn = lines[way].get_ydata()
            assert drawn[:-1] == pytest.approx(stride.total)
            assert drawn[-1] == drawn[0], "a stride ends as it begins"
        assert lines["ahead"].get_xdata()[-1] == pytest.approx(use.gait.stride_period)
        assert axes.get_ylim()[1] > use.peak


@cache
def others() -> dict[str, Figure]:
    return figures(check(sample_robots.digger()))


@pytest.mark.parametrize("name", ["workspace", "heights", "strides"])
@pytest.mark.parametrize("drawn", [made, others], ids=["inspector", "digger"])
def test_no_words_lie_on_each_other_or_leave_the_picture(drawn, name: str) -> None:
    figure = drawn()[name]
    boxes = words_of(figure)
    assert_within(figure, boxes)
    assert_apart(boxes, least=0.0)
