"""The pictures of a comparison: two recordings over each other, in times since their common event."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from quadleg.analysis.body_analysis import SOURCES
from quadleg.analysis.events import StateInterval
from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.geometry.arrays import AnyArray
from quadleg.plotting.course_plots import ESTIMATE
from quadleg.plotting.panels import (
    JOINT_GRID_HEIGHT,
    LEFT,
    RIGHT,
    SPEED_PANELS,
    UNITS,
    PanelSheet,
    at_least,
    handle,
    report_style,
)
from quadleg.plotting.sheet import INK, fit_equal, quiet_frame
from quadleg.report.report_pictures import ReportPicture
from quadleg.robot.model import JOINT_NAMES

Curve = tuple[AnyArray, AnyArray]

_STYLES: tuple[dict[str, Any], ...] = (
    {"color": INK, "linewidth": 2.2, "zorder": 2},
    {"color": ESTIMATE, "linewidth": 1.2, "zorder": 3},
)
_LONGEST = 10  # characters of a name that have room beside a panel


@dataclass(frozen=True)
class ComparedRecording:
    """One of the two: its name, its recording, and the time in s at which the common event was."""

    name: str
    analysis: RecordingAnalysis
    zero: float

    @property
    def states(self) -> list[StateInterval]:
        """The watchdog's states, in times since the event."""
        return [
            replace(each, start=each.start - self.zero, end=each.end - self.zero)
            for each in self.analysis.states.watchdog
        ]


def compared_pictures(sides: Sequence[ComparedRecording], event: str) -> list[ReportPicture]:
    """Return the pictures for which both recordings have data."""
    since = f"Time counts from when {event}." if event != "the beginning" else "Time counts from the beginning of each."
    found = []

    def add(name: str, heading: str, about: str, panels: list[ComparedPanel]) -> None:
        if panels:
            found.append(ReportPicture(name, heading, f"{about} {since}", lambda: _figure(sides, panels)))

    source = _common(sides, ("truth/odom", "odom"))
    if source:
        add("compared_pose", "Height and lean", f"The body's height and lean, {SOURCES[source]}.", _pose(sides, source))
    source = _common(sides, ("truth/odom", "odom", "planned_feet"))
    if source:
        about = f"The body's speed, {SOURCES[source]}, as a mean over a stride."
        add("compared_speed", "Speed", about, _speed(sides, source))
    if all(side.analysis.body.estimate for side in sides):
        about = "The way of the body over the ground, each seen from where it first stood."
        found.append(ReportPicture("compared_path", "Path from above", about, lambda: _path(sides)))
    about = "Each joint's angle."
    found.append(ReportPicture("compared_joints", "Joint angles", f"{about} {since}", lambda: _joints(sides)))
    add(
        "compared_effort",
        "Tracking error, current and voltage",
        "How far the farthest of twelve joints was from its command, and what the servos drew.",
        _effort(sides),
    )
    return found


@dataclass(frozen=True)
class ComparedPanel:
    """One panel over time: its name, unit, a curve for each of the two, and the least that its y axis spans."""

    name: str
    unit: str
    curves: list[Curve]
    span: float


def _common(sides: Sequence[ComparedRecording], topics: Sequence[str]) -> str | None:
    """The first topic that both have."""
    return next((t for t in topics if all(t in side.analysis.signals.signals for side in sides)), None)


def _pose(sides: Sequence[ComparedRecording], topic: str) -> list[ComparedPanel]:
    signals = [side.analysis.signals.signals[topic] for side in sides]
    heights = [(signal.times, 1000 * signal["position"][:, 2]) for signal in signals]
    leans = [np.degrees(np.asarray(side.analysis.body.attitude(topic))) for side in sides]
    panels = [ComparedPanel("height", "mm", heights, UNITS["mm"].span)]
    for k, name in enumerate(("roll", "pitch")):
        curves = [(signal.times, lean[:, k]) for signal, lean in zip(signals, leans)]
        panels.append(ComparedPanel(name, "°", curves, UNITS["°"].span))
    return panels


def _speed(sides: Sequence[ComparedRecording], topic: str) -> list[ComparedPanel]:
    curves = [found for side in sides if (found := side.analysis.body.mean_speed(topic)) is not None]
    if len(curves) < len(sides):
        return []
    return [
        ComparedPanel(name, unit, [(t, UNITS[unit].factor * v[:, k]) for t, v in curves], UNITS[unit].span)
        for k, (name, unit) in enumerate(SPEED_PANELS)
    ]


def _effort(sides: Sequence[ComparedRecording]) -> list[ComparedPanel]:
    joints = [side.analysis.joints for side in sides]
    panels = []
    if all(each.tracking for each in joints):
        curves = [(each.times, np.degrees(each.worst_errors)) for each in joints]
        panels.append(ComparedPanel("tracking error", "°", curves, UNITS["°"].span))
    for name, known in sides[0].analysis.panels.items():
        found = [own for side in sides if (own := side.analysis.panels.get(name))]
        if len(found) == len(sides):
            curves = [(own.times, own.values) for own in found]
            panels.append(ComparedPanel(name, known.panel.unit, curves, known.panel.span))
    return panels


def _span(sides: Sequence[ComparedRecording]) -> tuple[float, float]:
    """From the first to the last moment of both, in s since the event."""
    return (
        min(side.analysis.start - side.zero for side in sides),
        max(side.analysis.end - side.zero for side in sides),
    )


def _sheet(sides: Sequence[ComparedRecording], height: int) -> PanelSheet:
    sheet = PanelSheet(height, *_span(sides))
    sheet.legend_above([handle(style, side.name) for side, style in zip(sides, _STYLES)])
    return sheet


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST else f"{name[: _LONGEST - 1]}…"


def _figure(sides: Sequence[ComparedRecording], panels: Sequence[ComparedPanel]) -> Figure:
    with report_style():
        row, height, top = 320, 230, 220
        sheet = _sheet(sides, top + row * len(panels) + 40)
        width = RIGHT - LEFT
        for k, side in enumerate(sides):
            if side.analysis.states.watchdog:
                sheet.write(LEFT - 12, 94 + 44 * k, _short(side.name), ha="right")
                sheet.strip(LEFT, 66 + 44 * k, width, 34, side.states, f"states {k}")
        for k, panel in enumerate(panels):
            sheet.named(LEFT, top + row * k - 14, panel.name)
            axes = sheet.over_time(panel.name, LEFT, top + row * k, width, height, panel.unit, k == len(panels) - 1)
            for side, (times, values), style in zip(sides, panel.curves, _STYLES):
                sheet.line(axes, times - side.zero, values, label=side.name, **style)
            at_least(axes, panel.span)
        return sheet.figure


def _path(sides: Sequence[ComparedRecording]) -> Figure:
    """The true ways, or the estimated ones where one of the two has no truth."""
    estimates = [side.analysis.body.estimate for side in sides]
    ways = [each.true[:, :2] for each in estimates if each and each.true is not None]
    true = len(ways) == len(sides)
    if not true:
        ways = [each.estimated[:, :2] for each in estimates if each]
    with report_style():
        height = 620
        sheet = _sheet(sides, height + 220)
        sheet.named(LEFT, 66, "from above", "by the truth" if true else "by the estimate")
        axes = sheet.axes("above", LEFT, 84, RIGHT - LEFT, height)
        quiet_frame(axes)
        for side, way, style in zip(sides, ways, _STYLES):
            axes.plot(*way.T, label=side.name, **style)
        axes.plot(0.0, 0.0, "o", color=INK, markersize=7, zorder=6)
        fit_equal(axes, np.concatenate(ways), (RIGHT - LEFT) / height)
        axes.set(xlabel="ahead of the beginning, x (m)", ylabel="to the left, y (m)")
        return sheet.figure


def _joints(sides: Sequence[ComparedRecording]) -> Figure:
    with report_style():
        sheet = _sheet(sides, 120 + JOINT_GRID_HEIGHT)
        for i, axes in enumerate(sheet.joint_grid(120, [""] * len(JOINT_NAMES))):
            for side, style in zip(sides, _STYLES):
                joints = side.analysis.joints
                sheet.line(axes, joints.times - side.zero, np.degrees(joints.angles[:, i]), label=side.name, **style)
            at_least(axes, 5.0)
        return sheet.figure
