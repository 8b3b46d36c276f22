"""The time line of a report: states, walks and what was asked for, with the numbers of the events."""

from __future__ import annotations

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.analysis.series import true_runs
from quadleg.plotting.panels import LEFT, RIGHT, SMALL, PanelSheet, joined_bars, report_style
from quadleg.plotting.sheet import INK, MARGIN, PALE, QUIET, quiet_frame, spread, tinted
from quadleg.plotting.state_colours import STATES, shown_state, state_patch
from quadleg.robot.colours import BODY
from quadleg.safety.explanation import Weight

_APART = 80  # pixels between event numbers, about


def time_line(analysis: RecordingAnalysis) -> Figure:
    """The watchdog's and servo_output's states, walks and what was asked, with the numbers of the events."""
    with report_style():
        rows: list[str] = []
        if analysis.states.watchdog:
            rows.append("watchdog")
        if analysis.states.servo_output:
            rows.append("servo_output")
        if analysis.body.walks:
            rows.append("walks")
        if analysis.body.pose_setpoint or analysis.body.speed_setpoint:
            rows.append("asked for")
        sheet = PanelSheet.of(analysis, 250 + 76 * len(rows))
        seen = {shown_state(s.state) for s in (*analysis.states.watchdog, *analysis.states.servo_output)}
        names = {"active": "active, following", "hold": "hold", "fault": "fault, stopped"}
        keys: list[Artist] = [state_patch(state, names.get(state, state)) for state in STATES if state in seen]
        if analysis.body.pose_setpoint:
            keys.append(Line2D([], [], color=INK, marker="v", markersize=6, linestyle="none", label="a pose"))
        if analysis.body.speed_setpoint:
            keys.append(Line2D([], [], color=QUIET, linewidth=5, label="a speed"))
        sheet.legend_above(keys)
        left, top = LEFT + 90, 126
        width = RIGHT - left
        _event_numbers(sheet, analysis, left, 72, width)
        for row in rows:
            sheet.write(MARGIN, top + 42, row, fontweight="bold")
            if row in ("watchdog", "servo_output"):
                sheet.strip(
                    left,
                    top,
                    width,
                    60,
                    analysis.states.watchdog if row == "watchdog" else analysis.states.servo_output,
                    row,
                )
            else:
                axes = sheet.axes(row, left, top, width, 60)
                axes.set(xlim=(sheet.first, sheet.last), ylim=(0, 1))
                axes.set_axis_off()
                (_walks if row == "walks" else _asks)(sheet, axes, analysis, width)
            top += 76
        axis = sheet.axes("time", left, top, width, 2)
        axis.set(xlim=(sheet.first, sheet.last), yticks=[])
        quiet_frame(axis)
        axis.spines["left"].set_visible(False)
        axis.set_xlabel(f"time ({sheet.unit})")
        return sheet.figure


def _event_numbers(sheet: PanelSheet, analysis: RecordingAnalysis, left: float, top: float, width: float) -> None:
    axes = sheet.axes("events", left, top, width, 50)
    first, last = sheet.first, sheet.last
    axes.set(xlim=(first, last), ylim=(0, 1))
    axes.set_axis_off()
    numbered = [(number, event) for number, event in enumerate(analysis.events, 1)]
    room = int(width // _APART)
    for least in Weight:
        shown = [pair for pair in numbered if pair[1].weight >= least]
        if len(shown) <= room:
            break
    else:
        shown = shown[:: len(shown) // room + 1]
    if not shown:
        return
    apart = 58 * (last - first) / width
    places = [event.start / sheet.scale for _, event in shown]
    for (count, event), place, drawn_at in zip(shown, places, spread(places, apart, last)):
        strong = event.weight >= Weight.TROUBLE
        axes.plot([drawn_at, place], [0.35, -0.1], color=INK if strong else PALE, linewidth=1.0, clip_on=False)
        axes.text(
            drawn_at,
            0.4,
            f"{count}",
            ha="center",
            va="bottom",
            fontsize=SMALL,
            color=INK if strong else QUIET,
            fontweight="bold" if strong else "normal",
        )
    sheet.write(MARGIN, top + 30, "event", color=QUIET)


def _walks(sheet: PanelSheet, axes: Axes, analysis: RecordingAnalysis, width: float) -> None:
    first, last = axes.get_xlim()
    bars = [(each.start / sheet.scale, (each.end - each.start) / sheet.scale) for each in analysis.body.walks]
    axes.broken_barh(
        joined_bars(bars, 3 * (last - first) / width), (0.15, 0.7), facecolor=tinted(BODY, 0.45), linewidth=0
    )
    for (start, long), walk in zip(bars, analysis.body.walks):
        if walk.gait and long / (last - first) * width > 24 * len(walk.gait):
            axes.text(start + long / 2, 0.48, walk.gait, ha="center", va="center", fontsize=SMALL)


def _asks(sheet: PanelSheet, axes: Axes, analysis: RecordingAnalysis, width: float) -> None:
    speed, asked = analysis.body.speed_setpoint, analysis.body.pose_setpoint
    if speed is not None:
        moving = (speed.values != 0).any(axis=1)
        times = speed.times / sheet.scale
        spans = [(times[start], times[min(end, len(times) - 1)] - times[start]) for start, end in true_runs(moving)]
        first, last = axes.get_xlim()
        axes.broken_barh(joined_bars(spans, 3 * (last - first) / width), (0.55, 0.3), facecolor=QUIET, linewidth=0)
    if asked is not None:
        axes.plot(
            asked.times / sheet.scale, np.full(len(asked.times), 0.25), "v", color=INK, markersize=6, clip_on=False
        )
