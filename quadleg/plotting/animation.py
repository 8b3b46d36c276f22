"""A short animation of a measured course: the robot as it truly moved, in a loop of whole strides."""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, radians, sin
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from PIL import Image

from quadleg.analysis.course_measures import MeasuredCourse
from quadleg.analysis.series import true_runs
from quadleg.gait.stability import support_polygon
from quadleg.geometry.arrays import Array
from quadleg.plotting.portrait import PortraitView, Stand, draw_robot
from quadleg.plotting.sheet import INK, PALE, QUIET, styled, tinted
from quadleg.robot.colours import BODY, LEG
from quadleg.robot.model import LEGS, RobotModel

STRIDES = 2
FRAME = 0.08  # s: a whole number of hundredths, as GIF counts
_SIZE, _DPI = (6.4, 4.2), 100  # inches; pixels an inch
_AROUND, _OVER = radians(20), radians(24)  # the viewer is so far ahead of the right side, and over the ground
_WIDE, _BELOW = 3.5, 0.6  # standing heights: the width of the picture, and what it shows below the body's middle
_FAR_WIDTH = 3.2  # points, of a far leg


def _view(around: float, over: float) -> PortraitView:
    c, s, level, up = cos(around), sin(around), cos(over), sin(over)
    return PortraitView("oblique", (c, s, 0.0), (-s * up, c * up, level), (s * level, -c * level, up))


OBLIQUE = _view(_AROUND, _OVER)


def animate(robot: RobotModel, course: MeasuredCourse, path: Path) -> None:
    """Draw some strides from the middle of a course into a GIF file that loops, in the walk's own time."""
    frames = animation_frames(robot, course)
    # One palette for all, so that nothing flickers. The octree keeps small spots of a colour of their own.
    palette = frames[0].quantize(method=Image.Quantize.FASTOCTREE)
    first, *rest = (frame.quantize(palette=palette, dither=Image.Dither.NONE) for frame in frames)
    first.save(path, format="GIF", save_all=True, append_images=rest, duration=round(1000 * FRAME), loop=0)


def animation_frames(robot: RobotModel, course: MeasuredCourse) -> list[Image.Image]:
    """Return the frames of whole strides, `FRAME` s apart; the camera moves with the mean speed."""
    first, last = strides(course)
    times = np.arange(course.times[first], course.times[last] - FRAME / 2, FRAME)
    ticks = np.searchsorted(course.times, times + 1e-6) - 1
    way, seconds = course.true.path, course.times[last] - course.times[first]
    mean = (way[last, :2] - way[first, :2]) / seconds
    stride = float(np.hypot(*mean)) * seconds / STRIDES
    with styled():
        figure = Figure(figsize=_SIZE, dpi=_DPI, facecolor="white")
        canvas = FigureCanvasAgg(figure)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        result = []
        for tick in ticks.tolist():
            axes.clear()
            here = way[first, :2] + mean * (course.times[tick] - course.times[first])
            _draw(axes, robot, course, tick, here, stride)
            _words(axes, robot, course, course.times[tick] - course.times[first], stride)
            canvas.draw()
            result.append(Image.fromarray(np.asarray(canvas.buffer_rgba())[..., :3].copy()))
    return result


def strides(course: MeasuredCourse) -> tuple[int, int]:
    """First and last tick of `STRIDES` whole strides in the middle of steady walking, by one foot's touch-downs."""
    begin, end = course.steady
    landings = [tick for tick, _ in true_runs(course.down[:, LEGS.index("rear_left")]) if begin < tick < end]
    start = max(0, (len(landings) - 1 - STRIDES) // 2)
    return landings[start], landings[min(start + STRIDES, len(landings) - 1)]


def _draw(axes: Axes, robot: RobotModel, course: MeasuredCourse, tick: int, here: Array, stride: float) -> None:
    """The robot over lines on the ground that are one stride apart; the picture's middle is at `here`."""
    place = course.true.path[tick] - [*here, 0.0]
    stand = Stand.of(robot, course.true.attitudes[tick], place, course.angles[tick].tolist())
    size = robot.standing.height
    low = -_BELOW * size
    axes.set(xlim=(-_WIDE / 2 * size, _WIDE / 2 * size), ylim=(low, low + _WIDE * size * _SIZE[1] / _SIZE[0]))
    axes.set_axis_off()

    def ground(places: Sequence[Sequence[float]]) -> Array:
        return OBLIQUE.flat(np.column_stack((places, np.zeros(len(places)))))

    far = round(6 * size / stride) * stride
    marks = np.arange(-far, far + stride / 2, stride)
    along = [ground([(-far, mark), (far, mark)]) for mark in marks]
    across = [ground([(mark - here[0] % stride, -far), (mark - here[0] % stride, far)]) for mark in marks]
    axes.add_collection(LineCollection(along, colors=PALE, linewidths=0.4, zorder=0))
    axes.add_collection(LineCollection(across, colors=PALE, linewidths=0.9, zorder=0))
    down = course.down[tick]
    feet = [(x, y) for x, y, _ in stand.legs[down, -1].tolist()]
    hull = ground(support_polygon(feet))
    axes.add_patch(Polygon(hull, facecolor=tinted(BODY, 0.25), edgecolor=QUIET, linewidth=0.6, zorder=1))
    draw_robot(axes, robot, stand, OBLIQUE, _FAR_WIDTH)


def _words(axes: Axes, robot: RobotModel, course: MeasuredCourse, seconds: float, stride: float) -> None:
    def write(x: float, y: float, words: str, **style: Any) -> None:
        axes.text(x, y, words, transform=axes.transAxes, **style)

    name = robot.name.replace("_", " ")
    write(0.03, 0.93, name, fontsize=11, fontweight="bold", color=INK)
    write(0.03, 0.875, f"{course.speed:.3f} m/s; lines across the ground: a stride, {100 * stride:.1f} cm", color=QUIET)
    write(0.97, 0.93, f"{seconds:.1f} s", ha="right", color=QUIET)
    for i, leg in enumerate(LEGS):
        write(0.03 + 0.2 * i, 0.035, leg.replace("_", " "), color=LEG[leg], fontweight="bold")
