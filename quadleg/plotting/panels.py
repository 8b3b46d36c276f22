"""The sheet of reports and comparisons: panels over time, with the watchdog's states above them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import product
from typing import Any

import matplotlib
import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.text import Annotation, Text

from quadleg.analysis.events import StateInterval
from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.analysis.recording_metrics import words
from quadleg.geometry.arrays import AnyArray
from quadleg.plotting.course_plots import ESTIMATE
from quadleg.plotting.sheet import INK, MARGIN, PALE, QUIET, WIDTH, Sheet, quiet_frame, styled, tinted
from quadleg.plotting.state_colours import STATE_EDGE, STATES, shown_state
from quadleg.robot.colours import BODY
from quadleg.robot.model import JOINTS, LEGS

PNG_DPI = 140
TEXT, SMALL = 11.5, 10.5  # points: on a page 17 cm wide they are 60 % of that
POINTS = 800  # parts of a curve across a whole picture, two points for each: the least and the most
LEFT, RIGHT = 220, 2340  # pixels: the ends of a panel over the whole width
_MOST_BARS = 400  # of one kind that are drawn each for itself
_GRID_ROW, _GRID_PANEL, _GRID_GAP = 300, 200, 130  # pixels, of the panels of twelve joints
JOINT_GRID_HEIGHT = 4 * _GRID_ROW + 40
_STRIP = 34  # pixels, of the states above panels
_SHORTEST = 0.1  # s
_MINUTES = 600.0  # s: what is longer has its times in minutes

ASKED_STYLE: dict[str, Any] = {"color": QUIET, "linewidth": 1.7, "linestyle": (0, (4, 2)), "zorder": 5}
PLANNED_STYLE: dict[str, Any] = {"color": PALE, "linewidth": 4.0, "zorder": 2, "solid_capstyle": "round"}
JOINTS_STYLE: dict[str, Any] = {"color": BODY, "linewidth": 2.6, "zorder": 3}
FOUND_STYLE: dict[str, Any] = {"color": ESTIMATE, "linewidth": 1.4, "zorder": 4}
TRUE_STYLE: dict[str, Any] = {"color": INK, "linewidth": 1.1, "zorder": 4.5}
LIMIT_STYLE: dict[str, Any] = {"color": QUIET, "linewidth": 1.1, "linestyle": (0, (6, 4)), "zorder": 1}
SHADE_STYLE: dict[str, Any] = {"color": tinted(ESTIMATE, 0.2), "linewidth": 0}


# What is drawn of a speed: ahead and to the left in m/s, turning in rad/s.
SPEED_PANELS = (("ahead", "mm/s"), ("to the left", "mm/s"), ("turning left", "°/s"))


@dataclass(frozen=True)
class ShownUnit:
    """A unit shown in place of the SI unit: the factor between them, and the least span of an axis."""

    factor: float
    span: float

    def widen(self, axes: Axes) -> None:
        """Widen the y axis to the least span, so that noise does not fill it."""
        at_least(axes, self.span)


_DEGREES = float(np.degrees(1.0))
UNITS = {
    "mm": ShownUnit(1000.0, 10.0),
    "°": ShownUnit(_DEGREES, 2.0),
    "mm/s": ShownUnit(1000.0, 20.0),
    "°/s": ShownUnit(_DEGREES, 5.0),
}


@contextmanager
def report_style() -> Iterator[None]:
    """Set the text style of pictures made within."""
    with styled(), matplotlib.rc_context({"font.size": TEXT, "axes.labelcolor": INK}):
        yield


def envelope(times: AnyArray, values: AnyArray, points: int) -> tuple[AnyArray, AnyArray]:
    """The same curve with two points for each of so many equal parts of its length in rows: the least and the most of
    each part, so that no peak is lost. NaN only where a whole part is NaN; short ones are given back as they are."""
    n = len(values)
    if n <= 4 * points:
        return times, values
    edges = np.linspace(0, n, points, endpoint=False).astype(int)
    least, most = np.fmin.reduceat(values, edges), np.fmax.reduceat(values, edges)
    ends = np.append(edges[1:], n) - 1
    falls = values[edges] > values[ends]
    first, second = np.where(falls, most, least), np.where(falls, least, most)
    return np.column_stack((times[edges], times[ends])).ravel(), np.column_stack((first, second)).ravel()


def joined_bars(bars: Sequence[tuple[float, float]], apart: float) -> Sequence[tuple[float, float]]:
    """Return bars (start, length) in order; where there are very many, those nearer than `apart` are joined."""
    if len(bars) <= _MOST_BARS:
        return bars
    joined: list[tuple[float, float]] = []
    for start, long in bars:
        begun, lasts = joined[-1] if joined else (start, 0.0)
        if joined and start - begun - lasts < apart:
            joined[-1] = (begun, max(lasts, start + long - begun))
        else:
            joined.append((start, long))
    return joined


class PanelSheet(Sheet):
    """A sheet with panels over time, from `start` to `end` in s, with the watchdog's states where they are known."""

    def __init__(self, height: int, start: float, end: float, intervals: Sequence[StateInterval] = ()) -> None:
        super().__init__(height)
        self.intervals = intervals
        self.unit, self.scale = ("min", 60.0) if end - start > _MINUTES else ("s", 1.0)
        self.first, self.last = start / self.scale, max(end, start + _SHORTEST) / self.scale

    @classmethod
    def of(cls, analysis: RecordingAnalysis, height: int) -> PanelSheet:
        """A sheet over the whole of one recording."""
        return cls(height, analysis.start, analysis.end, analysis.states.watchdog)

    def named(self, left: float, baseline: float, name: str, said: str = "") -> None:
        """Write the name of the panel below, and words about it."""
        head = Text(left / WIDTH, 1 - baseline / self._height, name, fontweight="bold", fontsize=TEXT)
        head.set_transform(self.figure.transFigure)
        self.figure.add_artist(head)
        if said:
            about = Annotation(said, xy=(1, 0), xycoords=head, xytext=(8, 0), textcoords="offset points")
            about.set(va="bottom", color=QUIET, fontsize=SMALL, annotation_clip=False)
            self.figure.add_artist(about)

    def legend_above(self, handles: Sequence[Artist], top: float = 30) -> None:
        """Write the legend above all panels."""
        self.legend(handles, WIDTH - MARGIN, top, handlelength=1.8)

    def strip(
        self, left: float, top: float, width: float, height: float, intervals: Sequence[StateInterval], label: str
    ) -> Axes:
        """Draw states over time as a band."""
        axes = self.axes(label, left, top, width, height)
        first, last = self.first, self.last
        axes.set(xlim=(first, last), ylim=(0, 1))
        axes.set_axis_off()
        least = 3 * (last - first) / width
        for name, (colour, hatch) in STATES.items():
            own = [interval for interval in intervals if shown_state(interval.state) == name]
            bars = [(s.start / self.scale, max((s.end - s.start) / self.scale, least)) for s in own]
            style: dict[str, Any] = {"facecolor": colour, "hatch": hatch, "linewidth": 0.6, "edgecolor": STATE_EDGE}
            axes.broken_barh(joined_bars(bars, least), (0, 1), zorder=3 if name in ("hold", "fault") else 2, **style)
            for (start, long), interval in zip(bars, own):
                if long / (last - first) * width > 21 * len(interval.state) + 16:
                    text = axes.text(start + long / 2, 0.45, interval.state, ha="center", va="center", zorder=4)
                    text.set_fontsize(SMALL)
                    text.set_bbox({"facecolor": colour, "edgecolor": "none", "pad": 0.6})
        return axes

    def states(self, left: float, top: float, width: float, label: str) -> None:
        """Draw the watchdog's states above panels, if they are known."""
        if self.intervals:
            self.strip(left, top, width, _STRIP, self.intervals, label)

    def over_time(
        self, label: str, left: float, top: float, width: float, height: float, unit: str, last: bool
    ) -> Axes:
        """Add a panel over time; `last` labels its time axis."""
        axes = self.axes(label, left, top, width, height)
        quiet_frame(axes)
        axes.set_xlim(self.first, self.last)
        axes.set_ylabel(unit.replace("°", "degrees"))
        axes.yaxis.set_label_coords(-110 / width, 0.5)
        axes.locator_params(axis="y", nbins=5)
        for state in ("hold", "fault"):
            own = [interval for interval in self.intervals if interval.state == state]
            bars = [(interval.start / self.scale, (interval.end - interval.start) / self.scale) for interval in own]
            style: dict[str, Any] = {"facecolor": STATES[state][0], "alpha": 0.45, "linewidth": 0, "zorder": 0}
            apart = 3 * (self.last - self.first) / width
            axes.broken_barh(joined_bars(bars, apart), (0, 1), transform=axes.get_xaxis_transform(), **style)
        if last:
            axes.set_xlabel(f"time ({self.unit})", labelpad=2)
        else:
            axes.tick_params(labelbottom=False)
        return axes

    def joint_grid(self, top: float, said: Sequence[str]) -> list[Axes]:
        """Add a panel over time for each of the twelve joints, with words about it: a row a leg, a column a joint."""
        width = (RIGHT - LEFT + 60 - 2 * _GRID_GAP) / 3
        found = []
        for i, (leg, joint) in enumerate(product(LEGS, JOINTS)):
            left, own_top = LEFT - 60 + (i % 3) * (width + _GRID_GAP), top + _GRID_ROW * (i // 3)
            if i < 3:
                self.states(left, top - 106, width, f"states {joint}")
            self.named(left, own_top - 14, f"{words(leg)} {joint}", said[i])
            unit = "°" if i % 3 == 0 else ""
            axes = self.over_time(f"{leg}_{joint}", left, own_top, width, _GRID_PANEL, unit, i // 3 == 3)
            axes.yaxis.set_label_coords(-95 / width, 0.5)
            found.append(axes)
        return found

    def line(self, axes: Axes, times: AnyArray, values: AnyArray, **style: Any) -> None:
        """Draw a curve over time, as its envelope where it is long."""
        shown, thin = envelope(times, values, _points(axes))
        axes.plot(shown / self.scale, thin, **_dense(style) if len(thin) < len(values) else style)

    def steps(self, axes: Axes, times: AnyArray, values: AnyArray, **style: Any) -> None:
        """Draw a curve that holds each value until the next."""
        until = np.append(times, self.last * self.scale)
        held = np.append(values, values[-1:])
        shown, thin = envelope(until, held, _points(axes))
        own = _dense(style) if len(thin) < len(held) else style
        axes.plot(shown / self.scale, thin, drawstyle="steps-post", **own)

    def magnitudes(self, axes: Axes, times: AnyArray, values: AnyArray, **style: Any) -> None:
        """Draw absolute values over time; of a long curve the largest of each part."""
        shown, thin = envelope(times, np.abs(values), _points(axes))
        if len(thin) < len(values):
            shown, thin = shown[::2], np.fmax(thin[::2], thin[1::2])
        axes.plot(shown / self.scale, thin, **style)

    def limit(self, axes: Axes, value: float, said: str) -> None:
        """Draw a reference line, labelled at its right end."""
        axes.axhline(value, label=said, **LIMIT_STYLE)
        axes.text(
            0.997,
            value,
            said,
            transform=axes.get_yaxis_transform(),
            ha="right",
            va="bottom",
            color=QUIET,
            fontsize=SMALL,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.8},
        )


def _dense(style: dict[str, Any]) -> dict[str, Any]:
    """Return the style for an envelope, which rises and falls at every point: thin, without dashes."""
    return style | {"linestyle": "-", "linewidth": min(style["linewidth"], 1.2)}


def _points(axes: Axes) -> int:
    return round(POINTS * axes.get_position().width)


def handle(style: dict[str, Any], label: str) -> Line2D:
    """Return a line of this style, for the legend."""
    return Line2D([], [], label=label, **{key: value for key, value in style.items() if key != "zorder"})


def at_least(axes: Axes, span: float) -> None:
    """Widen the y axis to this span, so that noise does not fill it."""
    low, high = axes.get_ylim()
    if high - low < span:
        axes.set_ylim((low + high - span) / 2, (low + high + span) / 2)
