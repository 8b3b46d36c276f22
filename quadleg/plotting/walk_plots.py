"""The picture of walking: for each walk its path and support, its footfalls, its stability and its joints' speed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Polygon, Rectangle

from quadleg.analysis.series import true_runs
from quadleg.analysis.walk_measures import Footfalls, MeasuredWalk, Walk, walk_figures
from quadleg.gait.stability import support_polygon
from quadleg.gait.walking_limits import SPEED_SHARE
from quadleg.geometry.arrays import Array
from quadleg.geometry.planar import from_frame_batch
from quadleg.plotting.sheet import (
    INK,
    LINE,
    MARGIN,
    PALE,
    QUIET,
    SECTION,
    WIDTH,
    Sheet,
    fit_equal,
    quiet_frame,
    spread,
    styled,
    tinted,
)
from quadleg.robot.colours import BODY, LEG
from quadleg.robot.model import JOINTS, LEGS, RobotModel

_Box = tuple[float, float, float, float]

# From the top down, as in Hildebrand's gait diagrams (Science 150, 1965, 701). unverified: compare with its figure 1.
ROWS = ("rear_left", "front_left", "front_right", "rear_right")
MOMENTS = 4  # at which the support is drawn

# All below in pixels; boxes are left, top within the walk's band, width, height.
_TOP, _BAND, _BAND_GAP = 270, 1066, 30
_RIGHT = 830  # where the names at the right begin
_ABOVE, _FLATTEST, _TALLEST = (170, 130, 620), 300, 800
_FALLS = (1030, 130, 430, 270)
_PHASE, _DUTY = 1560, 1670  # right ends of the columns beside the footfalls
_SIDES, _SIDE_GAP = (1850, 130, 490, 270), 30
_MARGINS = (970, 554, 1190, 150)
_SPEEDS, _SPEED_GAP = (970, 774, 1190, 60), 16  # of the first of the three

_PLANNED: dict[str, Any] = {"color": tinted(BODY, 0.7), "linewidth": 2.6, "linestyle": (0, (1.5, 1.0))}
_SUPPORT: dict[str, Any] = {"facecolor": (*tinted(BODY, 1.0), 0.1), "edgecolor": QUIET, "linewidth": 0.7}
_OUTLINE: dict[str, Any] = {"facecolor": "none", "edgecolor": BODY, "linewidth": 1.0}
_REFERENCE: dict[str, Any] = {"color": QUIET, "linewidth": 0.8, "linestyle": (0, (6, 4)), "zorder": 1}

_EXPLAINED = (
    "from above: the feet on the ground, and the support: the polygon, or line, between the feet that carry the robot",
    "feet on the ground: after Hildebrand's gait diagrams. Phase: when a foot lands after the rear left one; duty: how "
    "long it is down; both as shares of a stride, to a tick of the plan",
    "stability margin: how far the centre of mass is inside the edge of the support. Joint speed: as a share of the "
    "servo's no-load speed. Shaded: the strides above",
)


def walk_figure(robot: RobotModel, walks: Sequence[Walk]) -> Figure:
    """Walks as a figure, one below the other.

    Each from above on the ground with its support at some moments; the footfalls of some steady strides, and
    the feet's paths from the side over the same strides; stability margin and joint speeds over time.
    """
    with styled():
        sheet = Sheet(_TOP + len(walks) * _BAND + (len(walks) - 1) * _BAND_GAP)
        sheet.title(f"{robot.name.replace('_', ' ')}, walking", _EXPLAINED)
        sheet.legend([Patch(color=LEG[leg], label=leg.replace("_", " ")) for leg in LEGS], WIDTH - MARGIN, 50)
        marks = [
            Line2D([], [], color=INK, linewidth=1.4, marker="o", markersize=4, label="centre of mass"),
            Line2D([], [], **_PLANNED, label="planned way"),
            Line2D([], [], color=QUIET, marker="o", linestyle="none", markersize=4, label="foot on the ground"),
            Line2D([], [], color=QUIET, linewidth=0.7, label="foot in the air"),
            Patch(**_SUPPORT, label=f"support at {MOMENTS} moments"),
            Patch(**_OUTLINE, label="body at the beginning"),
            Patch(**_OUTLINE | {"facecolor": tinted(BODY, 0.2)}, label="at the end"),
        ]
        sheet.legend(marks, WIDTH - MARGIN, 210)
        for number, walk in enumerate(walks):
            WalkBand(sheet, _TOP + number * (_BAND + _BAND_GAP), robot, walk, str(number + 1))
        return sheet.figure


class WalkBand:
    """The panels of one walk, from `top` down; their labels begin with its number."""

    def __init__(self, sheet: Sheet, top: float, robot: RobotModel, walk: Walk, number: str) -> None:
        self._sheet, self._top, self._number = sheet, top, number
        self._robot, self._walk = robot, walk
        self._measured = MeasuredWalk.of(robot, walk)
        self._falls = Footfalls.of(walk)
        self._figures = walk_figures(robot, walk)
        self._times = walk.times - walk.times[0]

        sheet.write(MARGIN, top + 30, walk.name, fontsize=SECTION, fontweight="bold")
        told = ("distance", "turned", "end, from the planned place")
        words = [f"{name} {self._figures[name]}" for name in told if name in self._figures]
        sheet.write(MARGIN, top + 64, "; ".join(words), color=QUIET)
        self._above()
        self._footfalls()
        self._sides()
        self._margins()
        self._speeds()

    def _axes(self, label: str, box: _Box) -> Axes:
        left, top, width, height = box
        axes = self._sheet.axes(f"{self._number} {label}", left, self._top + top, width, height)
        quiet_frame(axes)
        return axes

    def _named(self, left: float, baseline: float, name: str, words: str) -> None:
        self._sheet.named(left, self._top + baseline, name, words)

    def _above(self) -> None:
        """The ground from above, with its x to the right."""
        measured = self._measured
        outlines = [_outline(self._robot, measured.place[tick]) for tick in (0, -1)]
        places = np.concatenate([measured.ground.reshape(-1, 2), *(box for box, _ in outlines)])
        left, top, width = _ABOVE
        extent = np.ptp(places, axis=0)
        height = float(np.clip(width * extent[1] / extent[0], _FLATTEST, _TALLEST))
        slip = self._figures["largest slip of a foot on the ground"]
        self._named(MARGIN, top - 20, "from above", f"a foot slips by {slip} at most")
        axes = self._axes("above", (left, top, width, height))
        fit_equal(axes, places, width / height, margin=1.06)

        for (box, arrow), fill in zip(outlines, ("none", tinted(BODY, 0.2))):
            axes.add_patch(Polygon(box, zorder=1, **_OUTLINE | {"facecolor": fill}))
            axes.add_patch(Polygon(arrow, zorder=1, facecolor=BODY, linewidth=0))
        for tick in self._moments():
            feet = measured.ground[tick][measured.down[tick]]
            hull = np.array(support_polygon([(x, y) for x, y in feet.tolist()]))
            axes.add_patch(Polygon(hull, zorder=2, label="support", **_SUPPORT))
            axes.plot(*measured.centre[tick], "o", markersize=4, color=INK, zorder=6)
        for i, leg in enumerate(LEGS):
            down = measured.down[:, i]
            flying = np.where(down[:, None], np.nan, measured.ground[:, i])
            axes.plot(*flying.T, color=tinted(LEG[leg], 0.7), linewidth=0.7, zorder=3)
            stood = np.array([measured.ground[first:end, i].mean(axis=0) for first, end in true_runs(down)])
            axes.plot(*stood.T, "o", color=LEG[leg], markersize=3.6, markeredgewidth=0, label=leg, zorder=4)
        axes.plot(*self._walk.place[:, :2].T, label="planned way", zorder=5, **_PLANNED)
        axes.plot(*measured.centre.T, color=INK, linewidth=1.2, label="centre of mass", zorder=5)
        axes.set(xlabel="x (m)", ylabel="y (m)")

    def _moments(self) -> list[int]:
        """`MOMENTS` ticks with a foot in the air, evenly over the walk."""
        flying = np.flatnonzero(~self._measured.down.all(axis=1))
        return [int(flying[int(share * len(flying))]) for share in (np.arange(MOMENTS) + 0.5) / MOMENTS]

    def _footfalls(self) -> None:
        walk, falls, times = self._walk, self._falls, self._times
        _, top, _, height = _FALLS
        behind = self._figures["servos behind the plan"]
        self._named(_RIGHT, top - 20, "feet on the ground", f"bars by the plan; hills measured, {behind} later")
        axes = self._axes("footfalls", _FALLS)
        axes.set(xlim=(times[falls.first], times[falls.last]), ylim=(len(ROWS) - 0.5, -0.75))
        lifted = np.clip(self._measured.heights, 0.0, None) / walk.gait.foot_clearance
        for row, leg in enumerate(ROWS):
            i = LEGS.index(leg)
            for first, end in true_runs(~walk.in_air[:, i]):
                start, stop = times[first], times[min(end, len(times) - 1)]
                axes.add_patch(Rectangle((start, row), stop - start, 0.34, facecolor=LEG[leg], linewidth=0, label=leg))
            hill = tinted(LEG[leg], 0.45)
            axes.fill_between(times, row, row - 0.55 * lifted[:, i], facecolor=hill, linewidth=0)
            axes.axhline(row, color=PALE, linewidth=0.6, zorder=0)
            baseline = self._top + top + height * (row + 0.9) / (len(ROWS) + 0.25) + 10
            self._sheet.write(_PHASE, baseline, f"{round(100 * falls.phases[i]) % 100} %", ha="right")
            self._sheet.write(_DUTY, baseline, f"{100 * falls.duty_factors[i]:.0f} %", ha="right")
        for right, head in ((_PHASE, "phase"), (_DUTY, "duty")):
            self._sheet.write(right, self._top + top + 12, head, color=QUIET, ha="right")
        axes.set_yticks([row + 0.15 for row in range(len(ROWS))], [leg.replace("_", " ") for leg in ROWS])
        axes.tick_params(axis="y", length=0)
        axes.locator_params(axis="x", nbins=5)
        axes.set_xlabel(f"time (s), strides of {falls.period:.2f} s")

    def _sides(self) -> None:
        """Each foot from the right side, all to one scale: front legs at the right, since forward is to the right."""
        walk, measured, falls = self._walk, self._measured, self._falls
        left, top, width, height = _SIDES
        self._named(left - 100, top - 20, "feet from the side", "pale: planned")
        wide, high = (width - _SIDE_GAP) / 2, (height - _SIDE_GAP) / 2
        hips = np.array([leg.hip[0] for leg in self._robot.legs])
        radii = np.array([leg.foot_radius for leg in self._robot.legs])
        planned = 1000 * np.stack((walk.feet[..., 0] - walk.shift[:, :1] - hips, walk.feet[..., 2] - radii), axis=-1)
        seen = 1000 * np.stack((measured.feet[..., 0] - hips, measured.heights), axis=-1)
        planned = planned[falls.first : falls.last + 1]
        seen = seen[falls.first + measured.delay : falls.last + measured.delay + 1]

        clearance = 1000 * walk.gait.foot_clearance
        columns = np.array([[leg.startswith(end) for leg in LEGS] for end in ("rear", "front")])
        ends = [(seen[:, own, 0].min(), seen[:, own, 0].max()) for own in columns]
        across = max(*(1.1 * (most - least) for least, most in ends), 1.6 * clearance * wide / high)
        half = np.array([across, across * high / wide]) / 2
        for i, leg in enumerate(LEGS):
            column, row = int(leg.startswith("front")), int(leg.endswith("right"))
            place = left + column * (wide + _SIDE_GAP), top + row * (high + _SIDE_GAP)
            axes = self._axes(f"{leg} side", (*place, wide, high))
            middle = np.array([sum(ends[column]) / 2, clearance / 2])
            (x0, y0), (x1, y1) = middle - half, middle + half
            axes.set(xlim=(x0, x1), ylim=(y0, y1))
            axes.plot(*planned[:, i].T, color=PALE, linewidth=3.4, label="planned")
            axes.plot(*seen[:, i].T, color=LEG[leg], linewidth=1.2, label=leg)
            axes.locator_params(nbins=4)
            axes.tick_params(labelleft=column == 0, labelbottom=row == 1)
            if (column, row) == (0, 0):
                axes.set_ylabel("height (mm)")
                axes.yaxis.set_label_coords(-72 / wide, -_SIDE_GAP / 2 / high)
        below = self._top + top + height + 70
        self._sheet.write(left + width / 2, below, "x from the hip, forward to the right (mm)", ha="center")

    def _over_time(self, label: str, box: _Box, lines: Mapping[float, str], ylim: tuple[float, float]) -> Axes:
        """A panel over the time of the walk, with reference lines labelled at their right end."""
        axes = self._axes(label, box)
        axes.set(xlim=(0, self._times[-1]), ylim=ylim)
        start, end = self._times[self._falls.first], self._times[self._falls.last]
        axes.axvspan(start, end, color=tinted(BODY, 0.15), linewidth=0, zorder=0)
        values = sorted(lines)
        for value, place in zip(values, spread(values, LINE * (ylim[1] - ylim[0]) / box[3], ylim[1])):
            axes.axhline(value, label=lines[value], **_REFERENCE)
            axes.text(1.008, place, lines[value], transform=axes.get_yaxis_transform(), va="center", color=QUIET)
        return axes

    def _margins(self) -> None:
        left, top, width, _ = _MARGINS
        margin = 1000 * np.where(np.isfinite(self._measured.margin), self._measured.margin, np.nan)
        lines = {0.0: "0: the edge"}
        least = self._figures["least stability margin"]
        words = f"least {least}; on two feet at a time it is the motion that keeps the robot up"
        asked = self._walk.gait.margin
        if asked is not None:
            lines[1000 * asked] = f"asked: {1000 * asked:g} mm"
            words = f"least {least}; with four feet on the ground it is larger than shown"
        self._named(_RIGHT, top - 20, "stability margin", words)
        stepping = margin[~self._measured.down.all(axis=1)]
        low, high = min(0.0, np.nanmin(stepping)), max(np.nanmax(stepping), *lines)
        axes = self._over_time("margin", _MARGINS, lines, (low - 0.15 * (high - low), high + 0.2 * (high - low)))
        axes.plot(self._times, margin, color=INK, linewidth=1.0, label="margin")
        axes.tick_params(labelbottom=False)
        axes.set_ylabel("mm")
        axes.yaxis.set_label_coords((_RIGHT + 14 - left) / width, 0.5)

    def _speeds(self) -> None:
        """The fastest of each kind of joint."""
        left, top, width, height = _SPEEDS
        speeds = self._measured.speeds
        self._named(
            _RIGHT, top - 20, "joint speed", f"the fastest of four legs; most: {self._figures['fastest joint']}"
        )
        times = (self._times[1:] + self._times[:-1]) / 2
        ylim = (0.0, 1.15 * max(1.0, speeds.max()))
        for j, joint in enumerate(JOINTS):
            lines = {SPEED_SHARE: "plan's limit", 1.0: "no-load speed"}
            box = left, top + j * (height + _SPEED_GAP), width, height
            axes = self._over_time(f"{joint} speed", box, lines if j == 0 else dict.fromkeys(lines, ""), ylim)
            fastest = speeds[:, j :: len(JOINTS)].max(axis=1)
            axes.fill_between(times, fastest, color=tinted(BODY, 0.55), linewidth=0)
            axes.plot(times, fastest, color=INK, linewidth=0.7, label=joint)
            axes.set_yticks([0, 1])
            axes.tick_params(labelbottom=joint == JOINTS[-1])
            self._sheet.write(_RIGHT, self._top + box[1] + height / 2 + 10, joint, color=INK)
        axes.set_xlabel("time (s)")


def _outline(robot: RobotModel, place: Array) -> tuple[Array, Array]:
    """The body's box over the ground (4, 2), and a triangle in it that points forward (3, 2)."""
    middle, half = np.array(robot.body.centre[:2]), np.array(robot.body.size[:2]) / 2
    box = np.array([[1.0, 1.0], [1.0, -1.0], [-1.0, -1.0], [-1.0, 1.0]])
    arrow = np.array([[0.9, 0.0], [0.7, 0.3], [0.7, -0.3]])
    return from_frame_batch(place, middle + half * box), from_frame_batch(place, middle + half * arrow)
