"""The pictures of `quadleg check`: what is drawn is what was worked out, and no words lie on each other."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import sample_robots
from figure_boxes import assert_apart

pytest.importorskip("matplotlib")

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from quadleg.commissioning.feasibility.check import Check, check
from quadleg.commissioning.feasibility.check_plots import figures, workspace
from quadleg.commissioning.feasibility.standing_torque import FEET, IN_WORDS
from quadleg.errors import Unreachable
from quadleg.kinematics.body_pose import stance_angles
from quadleg.kinematics.clearance import Clearance
from quadleg.kinematics.leg import inverse
from quadleg.plotting.portrait import FRONT, SIDE
from quadleg.plotting.sheet import WIDTH
from quadleg.robot.colours import LEG
from quadleg.robot.model import JOINT_NAMES

ROBOT = sample_robots.inspector()


@cache
def checked() -> Check:
    return check(ROBOT)


@cache
def made() -> dict[str, Figure]:
    return figures(checked())


def axes_of(figure: Figure, label: str):
    return next(axes for axes in figure.axes if axes.get_label() == label)


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
    lines = {line.get_label(): line for line in axes.lines}
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
        lines = {line.get_label(): line for line in axes.lines}
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
    FigureCanvasAgg(figure).draw()
    texts = list(figure.texts)
    for legend in figure.legends:
        texts += legend.get_texts()
    for axes in figure.axes:
        if axes.axison:
            texts += [axes.xaxis.label, axes.yaxis.label, *axes.texts]
            # Ticks beyond the ends of an axis are not drawn.
            for axis, (low, high) in ((axes.xaxis, axes.get_xlim()), (axes.yaxis, axes.get_ylim())):
                texts += [tick.label1 for tick in axis.get_major_ticks() if low <= tick.get_loc() <= high]
    boxes = [(text.get_text(), text.get_window_extent()) for text in texts if text.get_text().strip()]
    for words, box in boxes:
        assert box.x0 >= 0, words
        assert box.x1 <= WIDTH, words
    assert_apart(boxes, least=0.0)
