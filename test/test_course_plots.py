"""The picture of a measured course, and its animation: what is drawn is what was seen."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from figure_boxes import assert_apart, assert_within, axes_of, lines_of
from sample_courses import ROBOT, SPEED, walked

pytest.importorskip("matplotlib")

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from quadleg.analysis.course_measures import MeasuredCourse
from quadleg.plotting.animation import FRAME, OBLIQUE, STRIDES, animate, strides
from quadleg.plotting.course_plots import BAND, course_figure
from quadleg.robot.colours import LEG, rgb
from quadleg.robot.model import LEGS


@cache
def seen() -> MeasuredCourse:
    """A course whose estimate has errors and says so."""
    course = walked()
    grows = np.linspace(0, 1, len(course.times))
    covariance = np.zeros_like(course.covariance)
    covariance[:, range(6), range(6)] = grows[:, None] * np.array([0.01, 0.01, 0.005, 0.005, 0.005, 0.02]) ** 2
    shifted = course.estimated.places + grows[:, None] * [0.004, -0.006, 0.001]
    found = replace(course.estimated, places=shifted)
    torques = np.abs(np.sin(np.outer(course.times, np.arange(1, 13)))) * 0.7
    return replace(course, estimated=found, covariance=covariance, torques=torques, currents=3 + grows)


@cache
def figure() -> Figure:
    return course_figure(ROBOT, seen())


def drawn(label: str) -> dict[str, np.ndarray]:
    """The points of each line of a panel."""
    return {name: np.array(line.get_xydata()) for name, line in lines_of(axes_of(figure(), label)).items()}


def test_both_ways_are_drawn_to_one_scale() -> None:
    lines, course = drawn("above"), seen()
    assert lines["true"] == pytest.approx(course.true.path[:, :2])
    assert lines["estimate"] == pytest.approx(course.estimated.path[:, :2])
    above = figure().axes[0]
    (x0, x1), (y0, y1) = above.get_xlim(), above.get_ylim()
    box = above.get_window_extent()
    assert box.width / (x1 - x0) == pytest.approx(box.height / (y1 - y0))
    for places in (*course.true.path, *course.estimated.path):
        assert x0 < places[0] < x1
        assert y0 < places[1] < y1


@pytest.mark.parametrize(("label", "column", "scale"), [("sideways", 1, 1000.0), ("yaw", 5, 180 / np.pi)])
def test_errors_have_the_band_that_the_estimate_says(label: str, column: int, scale: float) -> None:
    axes = axes_of(figure(), f"{label}: error")
    course = seen()
    errors = np.column_stack((course.place_errors, course.attitude_errors))
    assert drawn(f"{label}: error")["error"][:, 1] == pytest.approx(scale * errors[:, column])
    (band,) = axes.collections
    highest = band.get_paths()[0].vertices[:, 1].max()
    assert highest == pytest.approx(scale * BAND * course.deviations[:, column].max())


def test_loads_are_those_of_the_hardest_worked_joint() -> None:
    stall = np.array([ROBOT.stall_torque(joint) for joint in ROBOT.joints])
    assert drawn("torque")["torque"][:, 1] == pytest.approx(100 * (seen().torques / stall).max(axis=1))
    assert drawn("current")["current"][:, 1] == pytest.approx(seen().currents)


def test_no_words_lie_on_each_other() -> None:
    renderer = FigureCanvasAgg(figure()).get_renderer()
    boxes = [(text.get_text(), text.get_window_extent(renderer)) for text in figure().texts]
    boxes += [(f"legend {i}", legend.get_window_extent(renderer)) for i, legend in enumerate(figure().legends)]
    boxes += [(axes.get_label(), axes.get_window_extent(renderer)) for axes in figure().axes]
    assert_within(figure(), boxes)
    assert_apart(boxes, least=0.0)


def test_the_animation_is_a_loop_of_whole_strides(tmp_path: Path) -> None:
    animate(ROBOT, seen(), tmp_path / "walk.gif")
    period = ROBOT.gait("creep").stride_period
    with Image.open(tmp_path / "walk.gif") as animation:
        assert animation.n_frames == pytest.approx(STRIDES * period / FRAME, abs=1)
        assert animation.info["duration"] == round(1000 * FRAME)
        assert animation.info["loop"] == 0  # for ever
        animation.seek(animation.n_frames // 2)
        pixels = np.array(animation.convert("RGB")).reshape(-1, 3).astype(float)
    assert (tmp_path / "walk.gif").stat().st_size < 2_000_000
    for leg in LEGS:  # each leg has its hue, if only in its name
        assert np.abs(pixels - 255 * np.array(rgb(LEG[leg]))).max(axis=1).min() < 24, leg


def test_strides_are_those_of_steady_walking() -> None:
    first, last = strides(seen())
    begin, end = seen().steady
    assert begin < first < last <= end
    way = seen().true.path[last, 0] - seen().true.path[first, 0]
    assert way == pytest.approx(STRIDES * SPEED * ROBOT.gait("creep").stride_period, rel=0.02)


def test_the_animations_view_is_a_rotation() -> None:
    turn = np.array([OBLIQUE.across, OBLIQUE.up, OBLIQUE.towards])
    assert turn @ turn.T == pytest.approx(np.eye(3))
    assert np.linalg.det(turn) == pytest.approx(1.0)
