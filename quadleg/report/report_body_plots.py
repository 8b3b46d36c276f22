"""The pictures of a report that show the body: its pose and its speed, asked for and reached."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.plotting.panels import (
    ASKED_STYLE,
    FOUND_STYLE,
    JOINTS_STYLE,
    LEFT,
    PLANNED_STYLE,
    RIGHT,
    SPEED_PANELS,
    TRUE_STYLE,
    UNITS,
    PanelSheet,
    handle,
    report_style,
)
from quadleg.plotting.sheet import PALE

_POSE = (
    ("height", 2, "mm"),
    ("roll", 3, "°"),
    ("ahead (x)", 0, "mm"),
    ("pitch", 4, "°"),
    ("left (y)", 1, "mm"),
    ("yaw", 5, "°"),
)


def pose(analysis: RecordingAnalysis) -> Figure:
    """Height, place and turns of the body: asked, by the joints, by the estimate, true."""
    with report_style():
        row, height = 330, 230
        sheet = PanelSheet.of(analysis, 190 + 3 * row)
        asked, done = analysis.body.pose_setpoint, analysis.body.pose_reached
        sources = [
            (topic, style)
            for topic, style in (("odom", FOUND_STYLE), ("truth/odom", TRUE_STYLE))
            if analysis.signals.get(topic)
        ]
        keys = [handle(ASKED_STYLE, "asked")] * (asked is not None)
        keys += [handle(JOINTS_STYLE, "by the joints")] * (done is not None)
        keys += [handle(style, "estimate" if topic == "odom" else "true") for topic, style in sources]
        sheet.legend_above(keys)
        attitudes = {topic: np.asarray(analysis.body.attitude(topic)) for topic, _ in sources}
        panel = 900
        for k, (name, index, unit) in enumerate(_POSE):
            left, top = (LEFT, LEFT + panel + 300)[k % 2], 150 + row * (k // 2)
            if k < 2:
                sheet.states(left, 62, panel, f"states {name}")
            sheet.named(left, top - 14, name)
            axes = sheet.over_time(name, left, top, panel, height, unit, k >= 4)
            factor = UNITS[unit].factor
            for topic, style in sources:
                signal = analysis.signals.signals[topic]
                if name in ("height", "roll", "pitch"):  # the others are seen from between the feet
                    own = signal["position"][:, 2] if name == "height" else attitudes[topic][:, index - 3]
                    sheet.line(axes, signal.times, factor * own, label=topic, **style)
            if done is not None:
                sheet.line(axes, analysis.joints.times, factor * done[:, index], label="by the joints", **JOINTS_STYLE)
            if asked is not None:
                sheet.steps(axes, asked.times, factor * asked.values[:, index], label="asked", **ASKED_STYLE)
            UNITS[unit].widen(axes)
        return sheet.figure


def speed(analysis: RecordingAnalysis) -> Figure:
    """Speed ahead, to the left and turning: asked, planned, estimated, true."""
    with report_style():
        row, height = 320, 240
        sheet = PanelSheet.of(analysis, 150 + 3 * row + 50)
        asked = analysis.body.speed_setpoint
        sources = [
            (said, style, found)
            for topic, said, style in (
                ("planned_feet", "planned", PLANNED_STYLE),
                ("odom", "estimate", FOUND_STYLE),
                ("truth/odom", "true", TRUE_STYLE),
            )
            if (found := analysis.body.mean_speed(topic)) is not None
        ]
        keys = [handle(ASKED_STYLE, "asked")] * (asked is not None)
        sheet.legend_above([*keys, *(handle(style, said) for said, style, _ in sources)])
        width = RIGHT - LEFT
        sheet.states(LEFT, 64, width, "states")
        for k, (name, unit) in enumerate(SPEED_PANELS):
            top, factor = 160 + row * k, UNITS[unit].factor
            sheet.named(LEFT, top - 14, name)
            axes = sheet.over_time(name, LEFT, top, width, height, unit, k == 2)
            axes.axhline(0.0, color=PALE, linewidth=0.8, zorder=0)
            for said, style, (times, values) in sources:
                sheet.line(axes, times, factor * values[:, k], label=said, **style)
            if asked is not None:
                sheet.steps(axes, asked.times, factor * asked.values[:, k], label="asked", **ASKED_STYLE)
            UNITS[unit].widen(axes)
        return sheet.figure
