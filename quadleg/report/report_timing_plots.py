"""The picture of a report that shows timing: intervals of joint states, latency, frames dropped and slowed."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.plotting.panels import LEFT, LIMIT_STYLE, RIGHT, SMALL, PanelSheet, handle, report_style
from quadleg.plotting.sheet import INK, quiet_frame, tinted
from quadleg.robot.colours import BODY


def timing(analysis: RecordingAnalysis) -> Figure:
    """Intervals of joint_states, latency over time, and frames that were dropped or slowed."""
    with report_style():
        between = 1000 * analysis.joints.intervals
        told = {key: analysis.reported("servo_output", f"tick_to_bytes_{key}_ms") for key in ("p50", "p99")}
        counted = {key: analysis.counter_rise("joint_watchdog", f"frames_{key}") for key in ("dropped", "slowed")}
        latency, frames = len(told["p50"][0]) > 0, any(counted.values())
        row, height = 350, 210
        sheet = PanelSheet.of(analysis, 410 + row * (latency + frames))
        width = RIGHT - LEFT
        p50, p99 = np.percentile(between, [50, 99])
        said = f"median {p50:.1f} ms, 99th percentile {p99:.1f} ms, at most {between.max():.1f} ms"
        sheet.named(LEFT, 50, "between joint states", said)
        axes = sheet.axes("intervals", LEFT, 66, width, 230)
        quiet_frame(axes)
        most = max(float(between.max()), 2 * p50)
        axes.hist(between, bins=np.linspace(0, most, 90).tolist(), color=tinted(BODY, 0.8), log=True)
        for value, label, side in ((p50, "median ", "right"), (p99, " 99 %", "left")):
            axes.axvline(value, **LIMIT_STYLE | {"color": INK})
            axes.text(value, 0.97, label, ha=side, va="top", transform=axes.get_xaxis_transform(), fontsize=SMALL)
        axes.set(xlim=(0, most), ylim=(0.5, None), xlabel="interval (ms)", ylabel="how often")
        axes.yaxis.set_major_formatter("{x:,.0f}")
        axes.yaxis.set_label_coords(-130 / width, 0.5)
        top = 450
        if latency:
            sheet.named(LEFT, top - 14, "tick to bytes", "of 500 frames at a time, from the gait's tick to the board")
            axes = sheet.over_time("latency", LEFT, top, width, height, "ms", not frames)
            lines = (("p99", "99th percentile", INK, 1.2), ("p50", "median", BODY, 2.4))
            for key, label, colour, line in lines:
                sheet.line(axes, *told[key], label=label, color=colour, linewidth=line)
            axes.set_ylim(bottom=0.0)
            keys = [handle({"color": colour, "linewidth": line}, label) for _, label, colour, line in lines]
            sheet.legend_above(keys, top - 24)
            top += row
        if frames:
            said = f"{counted['dropped']} dropped, {counted['slowed']} slowed to the servos' speed"
            sheet.named(LEFT, top - 14, "frames, counted", said)
            axes = sheet.over_time("frames", LEFT, top, width, height, "frames", True)
            dash = {"color": BODY, "linewidth": 2.4, "linestyle": (0, (3, 1.5))}
            styles = {"slowed": dash, "dropped": {"color": INK, "linewidth": 1.4}}
            for key, style in styles.items():
                times, values = analysis.reported("joint_watchdog", f"frames_{key}")
                rises = np.diff(values, prepend=values[:1])
                sheet.line(axes, times, np.cumsum(np.where(rises < 0, values, rises)), label=key, **style)
            axes.set_ylim(0.0, max(5.0, axes.get_ylim()[1]))
            sheet.legend_above([handle(style, key) for key, style in styles.items()], top - 24)
        return sheet.figure
