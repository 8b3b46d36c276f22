"""The picture of walking: what is drawn is what was seen, and no words lie on each other."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import sample_robots
import sample_walks
from figure_boxes import assert_apart, assert_within, axes_of, lines_of, words_of

pytest.importorskip("matplotlib")

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Polygon, Rectangle

from quadleg.analysis.series import true_runs
from quadleg.analysis.walk_measures import Footfalls, MeasuredWalk, Walk
from quadleg.geometry.planar import ZERO_TWIST
from quadleg.plotting.walk_plots import MOMENTS, ROWS, walk_figure
from quadleg.robot.colours import LEG
from quadleg.robot.model import JOINTS, LEGS, RobotModel

ROBOT = sample_robots.inspector()
CREEP, TROT = ROBOT.gaits


@cache
def walk(number: int) -> Walk:
    """One of four."""
    gait, asked, name = (
        (CREEP, sample_walks.square(0.06, 4), "creep: square"),
        (TROT, sample_walks.square(0.15, 2), "trot: square"),
        (CREEP, sample_walks.turn(0.3, 4), "creep: turn on the spot, left and right"),
        (TROT, [(1.0, ZERO_TWIST), (4.0, (0.2, 0.0, 0.0)), (3.0, ZERO_TWIST)], "trot: straight"),
    )[number]
    return sample_walks.followed(ROBOT, sample_walks.walked(ROBOT, gait, asked, name)[0])


@cache
def measured(number: int) -> MeasuredWalk:
    return MeasuredWalk.of(ROBOT, walk(number))


@cache
def two() -> Figure:
    """A creeping walk and a trot; the tests only look at it."""
    return walk_figure(ROBOT, [walk(0), walk(1)])


@pytest.mark.parametrize("number", [0, 1])
def test_bars_are_the_feet_on_the_ground_by_the_plan(number):
    axes = axes_of(two(), f"{number + 1} footfalls")
    own = walk(number)
    times = own.times - own.times[0]
    for row, leg in enumerate(ROWS):
        bars = [bar for bar in axes.patches if type(bar) is Rectangle and bar.get_label() == leg]
        assert {bar.get_y() for bar in bars} == {row}
        down = true_runs(~own.in_air[:, LEGS.index(leg)])
        drawn = [(bar.get_x(), bar.get_x() + bar.get_width()) for bar in bars]
        expected = [(times[first], times[min(end, len(times) - 1)]) for first, end in down]
        assert np.allclose(drawn, expected, rtol=0, atol=1e-9)


def test_rows_are_in_hildebrands_order():
    """From the top: left hind, left fore, right fore, right hind (Hildebrand 1965)."""
    axes = axes_of(two(), "1 footfalls")
    ticks = sorted(zip(axes.get_yticks(), axes.get_yticklabels()))
    assert axes.yaxis_inverted()
    assert [label.get_text() for _, label in ticks] == ["rear left", "front left", "front right", "rear right"]


@pytest.mark.parametrize("number", [0, 1])
def test_phases_and_duty_factors_stand_beside_their_rows(number):
    figure = walk_figure(ROBOT, [walk(number)])
    axes = axes_of(figure, "1 footfalls")
    falls = Footfalls.of(walk(number))
    FigureCanvasAgg(figure)  # one renderer for all words
    words = [(text.get_text(), text.get_window_extent()) for text in figure.texts]
    for row, leg in enumerate(ROWS):
        i = LEGS.index(leg)
        top, bottom = (axes.transData.transform((0, row + side * 0.5))[1] for side in (-1, 1))
        beside = [word for word, box in words if word.endswith("%") and bottom < (box.y0 + box.y1) / 2 < top]
        assert beside == [f"{round(100 * falls.phases[i]) % 100} %", f"{100 * falls.duty_factors[i]:.0f} %"]


def test_hills_are_as_high_as_the_feet():
    axes = axes_of(two(), "1 footfalls")
    heights = measured(0).heights
    for row, (leg, hill) in enumerate(zip(ROWS, axes.collections, strict=True)):
        top = row - min(hill.get_paths()[0].vertices[:, 1])
        highest = heights[:, LEGS.index(leg)].max() / CREEP.foot_clearance
        assert top == pytest.approx(0.55 * highest, abs=1e-9)
        assert highest == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("number", [0, 1])
def test_feet_from_the_side_are_the_paths_of_some_strides(number):
    own, falls = walk(number), Footfalls.of(walk(number))
    for i, leg in enumerate(ROBOT.legs):
        axes = axes_of(two(), f"{number + 1} {leg.name} side")
        lines = lines_of(axes)
        x, z = lines[leg.name].get_xydata().T
        seen = slice(falls.first + sample_walks.TICKS_BEHIND, falls.last + sample_walks.TICKS_BEHIND + 1)
        assert x == pytest.approx(1000 * (measured(number).feet[seen, i, 0] - leg.hip[0]))
        assert z == pytest.approx(1000 * measured(number).heights[seen, i])
        assert lines[leg.name].get_color() == LEG[leg.name]
        planned = lines["planned"].get_xydata()
        assert planned[:, 1].min() == pytest.approx(0, abs=1e-9)
        assert planned[:, 1].max() == pytest.approx(1000 * own.gait.foot_clearance, rel=0.05)
        # The servos go the same way, so much later.
        assert np.abs(planned - lines[leg.name].get_xydata()).max() < 2
        (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
        assert x0 < min(x)
        assert max(x) < x1
        assert y0 < min(z)
        assert max(z) < y1


def scales(axes):
    box = axes.get_window_extent()
    return [box.width / np.ptp(axes.get_xlim()), box.height / np.ptp(axes.get_ylim())]


def test_lengths_in_both_directions_are_to_one_scale():
    for number in (1, 2):
        across, up = scales(axes_of(two(), f"{number} above"))
        assert across == pytest.approx(up)
        sides = [scale for leg in LEGS for scale in scales(axes_of(two(), f"{number} {leg} side"))]
        assert sides == pytest.approx([sides[0]] * 8)


@pytest.mark.parametrize("number", [0, 1])
def test_from_above_the_feet_stand_where_they_stood(number):
    axes = axes_of(two(), f"{number + 1} above")
    seen = measured(number)
    lines = lines_of(axes)
    assert np.array_equal(lines["centre of mass"].get_xydata(), seen.centre)
    assert np.array_equal(lines["planned way"].get_xydata(), walk(number).place[:, :2])
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    for i, leg in enumerate(LEGS):
        places = lines[leg].get_xydata()
        assert len(places) == len(true_runs(seen.down[:, i]))
        # A foot that lands stays: its mean place is that of any moment.
        assert np.abs(places[0] - ROBOT.standing.feet[i][:2]).max() < 0.002
        assert (x0 < places[:, 0]).all()
        assert (places[:, 0] < x1).all()
        assert (y0 < places[:, 1]).all()
        assert (places[:, 1] < y1).all()


@pytest.mark.parametrize(("number", "count"), [(0, 3), (1, 2)])
def test_support_is_between_the_feet_on_the_ground(number, count):
    axes = axes_of(two(), f"{number + 1} above")
    stood = np.concatenate([lines_of(axes)[leg].get_xydata() for leg in LEGS])
    drawn = [patch for patch in axes.patches if type(patch) is Polygon and patch.get_label() == "support"]
    assert len(drawn) == MOMENTS
    for polygon in drawn:
        corners = np.unique(polygon.get_xy().round(9), axis=0)
        assert len(corners) == count
        for corner in corners:
            assert np.hypot(*(stood - corner).T).min() < 0.002


def test_body_is_drawn_at_the_beginning_and_at_the_end():
    axes = axes_of(walk_figure(ROBOT, [walk(3)]), "1 above")
    boxes = [p.get_xy()[:4] for p in axes.patches if type(p) is Polygon and p.get_label() != "support"][::2]
    assert [box.mean(axis=0)[0] for box in boxes] == pytest.approx(
        [0.0, measured(3).footprint(walk(3))[-1, 0]], abs=0.002
    )
    (length, width, _) = ROBOT.body.size
    assert np.ptp(boxes[0], axis=0) == pytest.approx([length, width])


@pytest.mark.parametrize("number", [0, 1])
def test_margin_is_drawn_over_time_with_what_is_asked(number):
    axes = axes_of(two(), f"{number + 1} margin")
    own, lines = walk(number), lines_of(axes)
    assert lines["margin"].get_xdata() == pytest.approx(own.times - own.times[0])
    assert lines["margin"].get_ydata() == pytest.approx(1000 * measured(number).margin)
    assert lines["0: the edge"].get_ydata()[0] == 0
    asked = [label for label in lines if label.startswith("asked")]
    assert asked == (["asked: 5 mm"] if own.gait is CREEP else [])
    for label in asked:
        assert lines[label].get_ydata()[0] == pytest.approx(5)
    low, high = axes.get_ylim()
    assert low < 1000 * measured(number).margin.min()
    assert low < 0 < high


def test_infinite_margins_are_no_points():
    own = walk(3)
    in_air = own.in_air.copy()
    in_air[100] = True
    lone = Walk(own.name, own.gait, own.times, own.angles, own.feet, in_air, own.shift)
    drawn = lines_of(axes_of(walk_figure(ROBOT, [lone]), "1 margin"))["margin"].get_ydata()
    assert np.flatnonzero(np.isnan(drawn)).tolist() == [100 + sample_walks.TICKS_BEHIND]


@pytest.mark.parametrize("number", [0, 1])
def test_speeds_are_the_fastest_of_each_kind_of_joint(number):
    own, speeds = walk(number), measured(number).speeds
    for j, joint in enumerate(JOINTS):
        axes = axes_of(two(), f"{number + 1} {joint} speed")
        line = lines_of(axes)[joint]
        assert line.get_xdata() == pytest.approx((own.times[1:] + own.times[:-1]) / 2 - own.times[0])
        assert line.get_ydata() == pytest.approx(np.max(speeds[:, j::3], axis=1))
        across = {one.get_ydata()[0] for one in axes.lines if one is not line}
        # The planner's share is that of a servo that carries a load: gait/walking_limits.py.
        assert across == {0.8, 1.0}
        assert axes.get_ylim()[1] > 1
    assert axes.get_xlabel() == "time (s)"


def test_every_panel_says_its_unit():
    labels = {axes.get_label(): (axes.get_xlabel(), axes.get_ylabel()) for axes in two().axes}
    assert labels["1 above"] == ("x (m)", "y (m)")
    assert labels["1 margin"][1] == "mm"
    assert labels["1 rear_left side"][1] == "height (mm)"
    assert labels["1 footfalls"][0] == "time (s), strides of 1.60 s"


@pytest.mark.parametrize("count", [2, *(pytest.param(count, marks=pytest.mark.long) for count in (1, 4))])
def test_words_and_panels_lie_within_the_picture_and_not_on_each_other(count):
    figure = walk_figure(ROBOT, [walk(number) for number in range(count)])
    boxes = words_of(figure, legends=False)
    assert len(boxes) > 60 * count
    boxes += [(f"legend {i}", legend.get_window_extent()) for i, legend in enumerate(figure.legends)]
    boxes += [(axes.get_label(), axes.get_window_extent()) for axes in figure.axes]
    assert_within(figure, boxes)
    assert_apart(boxes)


def test_another_robot_is_drawn_too():
    robot: RobotModel = sample_robots.digger()
    own = sample_walks.walked(robot, robot.gaits[1], [(0.5, ZERO_TWIST), (3.0, (0.1, 0.0, 0.3)), (2.0, ZERO_TWIST)])[0]
    figure = walk_figure(robot, [own])
    falls = Footfalls.of(own)
    x = lines_of(axes_of(figure, "1 rear_right side"))["rear_right"].get_xdata()
    assert len(x) == falls.last - falls.first + 1
    assert "digger, walking" in [text.get_text() for text in figure.texts]
