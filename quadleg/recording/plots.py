"""The picture of a run: the robot at the end of each step, and its joint angles over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from pathlib import Path
from textwrap import wrap
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Patch, Polygon, Rectangle
from numpy.typing import NDArray

from quadleg.kinematics.body import Pose, all_forward, pose_from_feet
from quadleg.kinematics.leg import points
from quadleg.recording.run import History, Step
from quadleg.robot.colours import BODY, LEG, rgb
from quadleg.robot.model import JOINTS, LEGS, Robot
from quadleg.words import pose_in_words

Array = NDArray[np.float64]

WIDTH = 2400
_DPI = 200
_COLUMNS = 6

# All below in pixels.
_MARGIN = 60
_TITLE = 130
_HEADING_GAP, _ROW_GAP, _COLUMN_GAP = 8, 34, 56
_LINE = 30
_VALUE_INDENT = 108
_CHARACTER = 12.6  # mean width in the text size
_PANEL, _PANEL_GAP = 150, 16
_AXIS_LEFT = 170

_TEXT, _SMALL, _TITLE_SIZE = 8.0, 8.0, 14.0
_INK, _QUIET = "#27313d", "#66717e"
_GROUND = 0.006  # m that the ground is drawn deep

# Colour and hatch of the watchdog's states, apart from the hues of the legs.
STATES = {
    "off": ("#f1f3f5", ""),
    "rising": ("#d3dae2", "///"),
    "active": ("#aebbc9", ""),
    "hold": ("#f3dd9b", "..."),
    "lowering": ("#d3dae2", "\\\\\\"),
    "fault": ("#e9aaa2", "xxx"),
}


@dataclass(frozen=True)
class View:
    """A side to look from: the axis of base_footprint across the picture (z is up), and the way to the viewer."""

    name: str
    across: int
    towards: tuple[float, float, float]

    def flat(self, places: Array) -> Array:
        """(n, 2) in the picture from (n, 3)."""
        return places[:, [self.across, 2]]


SIDE = View("side", 0, (0.0, -1.0, 0.0))
FRONT = View("front", 1, (1.0, 0.0, 0.0))


def demo_picture(robot: Robot, steps: Sequence[Step], history: History, path: Path) -> None:
    """Draw a run into a PNG file, `WIDTH` pixels wide: see `demo_figure`."""
    demo_figure(robot, steps, history).savefig(path, format="png")


def demo_figure(robot: Robot, steps: Sequence[Step], history: History) -> Figure:
    """A run as a figure.

    Above, each step: the pose asked and reached in words, and the robot as it stood at the end, from its
    right side and from the front, all to one scale. Below: its twelve joint angles over time (s), with the
    watchdog's states. Where a step has no pose reached, its body is drawn where its legs would carry it.
    """
    with matplotlib.rc_context({"font.family": "DejaVu Sans", "font.size": _TEXT, "text.color": _INK}):
        return _Picture(robot, steps, history).figure


class _Picture:
    """The figure in the making, laid out in pixels from its upper left corner."""

    def __init__(self, robot: Robot, steps: Sequence[Step], history: History) -> None:
        self._robot = robot
        rows = ceil(len(steps) / _COLUMNS)
        columns = ceil(len(steps) / rows)
        cell = (WIDTH - 2 * _MARGIN - (columns - 1) * _COLUMN_GAP) / columns
        stands = [_Stand.of(robot, step) for step in steps]
        spans = {view: _span(stands, view) for view in (SIDE, FRONT)}
        top = max(float(stand.places()[:, 2].max()) for stand in stands) + 0.004
        scale = min(cell / sum(high - low for low, high in spans.values()), 1400.0)
        view_height = scale * (top + _GROUND)

        headings = [_Heading.of(step, cell) for step in steps]
        in_rows = [range(first, min(first + columns, len(steps))) for first in range(0, len(steps), columns)]
        row_heights = [
            max(headings[i].lines for i in row) * _LINE + _HEADING_GAP + view_height + _ROW_GAP for row in in_rows
        ]
        panels_top = _TITLE + sum(row_heights) + 20
        self._height = round(panels_top + 150 + 3 * _PANEL + 2 * _PANEL_GAP + 100)
        self.figure = Figure(figsize=(WIDTH / _DPI, self._height / _DPI), dpi=_DPI, facecolor="white")

        self._title()
        row_top = float(_TITLE)
        for row, row_height in zip(in_rows, row_heights):
            for column, i in enumerate(row):
                left = _MARGIN + column * (cell + _COLUMN_GAP)
                self._heading(left, row_top, i + 1, headings[i])
                views_top = row_top + row_height - _ROW_GAP - view_height
                at = left
                for view, (low, high) in spans.items():
                    axes = self._axes(f"{i + 1} {view.name}", at, views_top, scale * (high - low), view_height)
                    axes.set(xlim=(low, high), ylim=(-_GROUND, top))
                    _draw_robot(axes, robot, stands[i], view)
                    at += scale * (high - low)
            row_top += row_height
        self._over_time(panels_top, steps, history)

    def _axes(self, label: str, left: float, top: float, width: float, height: float, **options: Any) -> Axes:
        place = (left / WIDTH, 1 - (top + height) / self._height, width / WIDTH, height / self._height)
        axes = self.figure.add_axes(place, label=label, **options)
        if not options:
            axes.set_axis_off()
        return axes

    def _write(self, left: float, top: float, words: str, **style: Any) -> None:
        self.figure.text(left / WIDTH, 1 - top / self._height, words, **{"va": "baseline", **style})

    def _title(self) -> None:
        name = self._robot.name.replace("_", " ")
        self._write(_MARGIN, 62, name, fontsize=_TITLE_SIZE, fontweight="bold")
        self._write(
            _MARGIN, 98, "each step at its end, seen from the right side and from the front", color=_QUIET
        )
        legs = [Line2D([], [], color=LEG[leg], linewidth=4, label=leg.replace("_", " ")) for leg in LEGS]
        self._legend(legs, 46)

    def _legend(self, handles: list[Any], top: float) -> None:
        self.figure.add_artist(
            self.figure.legend(
                handles=handles,
                loc="center right",
                bbox_to_anchor=(1 - _MARGIN / WIDTH, 1 - top / self._height),
                ncol=len(handles),
                frameon=False,
                borderpad=0,
                borderaxespad=0,
                handlelength=1.6,
                columnspacing=1.6,
            )
        )

    def _heading(self, left: float, top: float, number: int, heading: _Heading) -> None:
        self._write(left, top + 24, f"{number}", fontweight="bold", color=_QUIET)
        self._write(left + 40, top + 24, heading.name, fontweight="bold")
        line = 1
        for label, values in heading.parts:
            self._write(left, top + 24 + line * _LINE, label, color=_QUIET)
            for value in values:
                self._write(left + (_VALUE_INDENT if label else 0), top + 24 + line * _LINE, value)
                line += 1

    def _over_time(self, top: float, steps: Sequence[Step], history: History) -> None:
        width = WIDTH - _AXIS_LEFT - _MARGIN
        first, last = min(history.times[0], steps[0].start), max(history.times[-1], steps[-1].end)
        begun = [time for time, _ in history.states]
        spells = [
            (start, end, state)
            for (start, state), end in zip(history.states, [*begun[1:], last])
            if state in STATES
        ]
        self._write(_MARGIN, top + 30, "Joint angles", fontsize=11, fontweight="bold")
        shown = dict.fromkeys(state for _, _, state in spells)
        self._legend([_patch(state, label=state) for state in shown], top + 22)

        top += 60
        numbers = self._axes("steps", _AXIS_LEFT, top, width, _LINE)
        numbers.set(xlim=(first, last), ylim=(0, 1))
        middles = [(step.start + step.end) / 2 for step in steps]
        for number, place in enumerate(_spread(middles, 36 * (last - first) / width, last), 1):
            numbers.text(place, 0.5, f"{number}", ha="center", va="center", fontweight="bold", color=_QUIET)
        self._write(_MARGIN, top + 23, "step", color=_QUIET)

        top += _LINE + 4
        band = self._axes("states", _AXIS_LEFT, top, width, 34)
        band.set(xlim=(first, last), ylim=(0, 1))
        for start, end, state in spells:
            band.add_patch(_patch(state, xy=(start, 0), width=end - start, height=1))
            if (end - start) / (last - first) * width > len(state) * _CHARACTER + 16:
                words = band.text((start + end) / 2, 0.46, state, ha="center", va="center")
                words.set_bbox({"facecolor": STATES[state][0], "edgecolor": "none", "pad": 1.0})
        self._write(_MARGIN, top + 25, "state", color=_QUIET)

        top += 34 + _PANEL_GAP
        degrees = np.degrees(np.array(history.angles)).reshape(-1, 12)
        for j, joint in enumerate(JOINTS):
            panel = self._axes(joint, _AXIS_LEFT, top, width, _PANEL, facecolor="none")
            for start, end, state in spells:
                if state in ("hold", "fault"):
                    panel.axvspan(start, end, color=STATES[state][0], alpha=0.45, linewidth=0, zorder=0)
            for moment in dict.fromkeys(time for step in steps for time in (step.start, step.end)):
                panel.axvline(moment, color="#b9c1ca", linewidth=0.6, zorder=1)
            # Legs that move alike lie on each other: the narrower lines leave the wider ones seen.
            for i, (leg, thick) in enumerate(zip(LEGS, (4.2, 3.0, 1.9, 0.9))):
                panel.plot(history.times, degrees[:, 3 * i + j], color=LEG[leg], linewidth=thick, label=leg)
            panel.set_xlim(first, last)
            panel.margins(y=0.12)
            panel.set_ylabel(f"{joint} (°)", color=_INK)
            panel.yaxis.set_label_coords(-(_AXIS_LEFT - _MARGIN - 14) / width, 0.5)
            panel.locator_params(axis="y", nbins=4)
            panel.tick_params(color=_QUIET, labelcolor=_INK, labelbottom=joint == JOINTS[-1])
            panel.spines[["top", "right"]].set_visible(False)
            panel.spines[["left", "bottom"]].set_color(_QUIET)
            top += _PANEL + _PANEL_GAP
        panel.set_xlabel("time (s)", color=_INK)


@dataclass(frozen=True)
class _Stand:
    """The robot in base_footprint: the points of each leg (4, 4, 3), and the body's six faces (6, 4, 3)."""

    legs: Array
    faces: Array
    normals: Array

    @classmethod
    def of(cls, robot: Robot, step: Step) -> _Stand:
        pose = step.reached or pose_from_feet(all_forward(robot, step.angles), robot.standing.feet)
        rotation, position = np.array(pose.matrix), np.array(pose.position)
        legs = np.array([points(leg, step.angles[3 * i : 3 * i + 3]) for i, leg in enumerate(robot.legs)])
        faces, normals = _box()
        corners = faces * (np.array(robot.body.size) / 2) + np.array(robot.body.centre)
        return cls(legs @ rotation.T + position, corners @ rotation.T + position, normals @ rotation.T)

    def places(self) -> Array:
        """(n, 3): all of it."""
        return np.concatenate([self.legs.reshape(-1, 3), self.faces.reshape(-1, 3)])


@dataclass(frozen=True)
class _Heading:
    """What stands above a step: its name, and labelled lines."""

    name: str
    parts: list[tuple[str, list[str]]]

    @classmethod
    def of(cls, step: Step, width: float) -> _Heading:
        def lines(words: str, room: float) -> list[str]:
            return wrap(words, max(1, int(room / _CHARACTER)))

        if not step.asked:
            return cls(step.name, [("", lines(step.note, width))] if step.note else [])
        parts = []
        for label, pose in (("asked", step.asked), ("reached", step.reached)):
            parts.append((label, lines(_unbroken(pose), width - _VALUE_INDENT) if pose else ["not known"]))
        return cls(step.name, parts)

    @property
    def lines(self) -> int:
        return 1 + sum(len(values) for _, values in self.parts)


def _unbroken(pose: Pose) -> str:
    """The pose in words that are broken between two axes only."""
    return ", ".join(axis.replace(" ", "\u00a0") for axis in pose_in_words(pose).split(", "))


def _box() -> tuple[Array, Array]:
    """Faces (6, 4, 3) and outward normals (6, 3) of the cube from −1 to 1."""
    faces, normals = [], []
    for axis in range(3):
        for side in (-1.0, 1.0):
            face = np.insert([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]], axis, side, axis=1)
            faces.append(face)
            normals.append(np.insert([0.0, 0.0], axis, side))
    return np.array(faces), np.array(normals)


def _span(stands: Sequence[_Stand], view: View) -> tuple[float, float]:
    """What the robot takes across the picture in any step, with a margin, in m."""
    across = np.concatenate([view.flat(stand.places())[:, 0] for stand in stands])
    return float(across.min()) - 0.016, float(across.max()) + 0.016


def _draw_robot(axes: Axes, robot: Robot, stand: _Stand, view: View) -> None:
    """One robot from one side, what is nearer over what is farther."""
    towards = np.array(view.towards)
    low, high = axes.get_xlim()
    axes.add_patch(Rectangle((low, -_GROUND), high - low, _GROUND, color="#e3e7eb", linewidth=0, zorder=9))
    axes.axhline(0.0, color=_QUIET, linewidth=0.8, zorder=9)

    for face, facing in zip(stand.faces, stand.normals @ towards):
        if facing > 1e-6:
            shade = _mixed(BODY, 0.35 + 0.35 * float(facing))
            axes.add_patch(
                Polygon(view.flat(face), facecolor=shade, edgecolor=BODY, linewidth=1.0, joinstyle="round", zorder=5)
            )

    depth = [float(leg.mean(axis=0) @ towards) for leg in robot_depths(robot)]
    middle = sum(depth) / len(depth)
    for leg, name, places, depth_of_leg in zip(robot.legs, LEGS, stand.legs, depth):
        near = depth_of_leg > middle
        colour = LEG[name] if near else _mixed(LEG[name], 0.55)
        flat = view.flat(places)
        # A far leg is wider, so that it is seen even right behind a near one.
        axes.plot(
            *flat.T,
            color=colour,
            linewidth=2.6 if near else 6.0,
            solid_capstyle="round",
            solid_joinstyle="round",
            zorder=7 if near else 3,
            label=name,
        )
        if near:
            axes.plot(*flat[:3].T, "o", color="white", markeredgecolor=colour, markersize=3.6, zorder=8)
        axes.add_patch(Circle(tuple(flat[3]), leg.foot_radius, color=colour, linewidth=0, zorder=8 if near else 4))


def robot_depths(robot: Robot) -> list[Array]:
    return [np.array([leg.hip]) for leg in robot.legs]


def _patch(state: str, **options: Any) -> Patch:
    colour, hatch = STATES[state]
    kind = Rectangle if "xy" in options else Patch
    return kind(facecolor=colour, edgecolor=_mixed(_INK, 0.45), hatch=hatch, linewidth=0.5, **options)


def _mixed(colour: str, strength: float) -> tuple[float, float, float]:
    """The colour thinned with white, as it is at a strength of 1."""
    red, green, blue = (1 - strength * (1 - part) for part in rgb(colour))
    return red, green, blue


def _spread(places: Sequence[float], apart: float, last: float) -> list[float]:
    """Rising places moved as little as keeps neighbours `apart`, the last not beyond `last`."""
    result: list[float] = []
    for place in places:
        result.append(max(place, result[-1] + apart) if result else place)
    limit = last
    for i in reversed(range(len(result))):
        result[i] = min(result[i], limit)
        limit = result[i] - apart
    return result
