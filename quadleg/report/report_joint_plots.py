"""The pictures of a report that show joints and servos: angles, tracking error, torque, current and voltage."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from quadleg.analysis.recording_analysis import PanelCurve, RecordingAnalysis
from quadleg.analysis.recording_metrics import number, words
from quadleg.dynamics.servo_heat import AMBIENT, HOT, TOO_HOT, WARM
from quadleg.plotting.panels import (
    JOINT_GRID_HEIGHT,
    LEFT,
    LIMIT_STYLE,
    PLANNED_STYLE,
    RIGHT,
    SMALL,
    PanelSheet,
    at_least,
    handle,
    report_style,
)
from quadleg.plotting.sheet import INK, leg_handles, quiet_frame
from quadleg.robot.colours import LEG
from quadleg.robot.model import JOINT_NAMES, JOINTS, LEGS

_HEIGHT = 220  # pixels of a panel of torque, current or voltage


def joints(analysis: RecordingAnalysis) -> Figure:
    """The twelve joint angles, commanded and as they were, with their limits."""
    with report_style():
        own, robot = analysis.joints, analysis.robot
        sheet = PanelSheet.of(analysis, 170 + JOINT_GRID_HEIGHT)
        source = analysis.angle_source
        keys = [handle({"color": INK, "linewidth": 1.6}, f"angle, {source}" if source else "angle")]
        keys += [handle(PLANNED_STYLE, "commanded")] * (own.commanded is not None)
        keys += [handle(LIMIT_STYLE, "limit")] * (robot is not None)
        sheet.legend_above(keys)
        said = [""] * len(JOINT_NAMES)
        if own.tracking is not None:
            worst = np.degrees(own.tracking.most)
            said = ["" if np.isnan(most) else f"off by {number(most, 1)}° at most" for most in worst]
        panels = sheet.joint_grid(170, said)
        for i, axes in enumerate(panels):
            leg = LEGS[i // 3]
            if own.commanded is not None:
                sheet.line(axes, own.times, np.degrees(own.commanded[:, i]), label="commanded", **PLANNED_STYLE)
            style = {"color": LEG[leg], "linewidth": 1.3, "label": leg, "zorder": 3}
            sheet.line(axes, own.times, np.degrees(own.angles[:, i]), **style)
            if robot:
                for limit in robot.legs[i // 3].limits[i % 3]:
                    axes.axhline(np.degrees(limit), label="limit", **LIMIT_STYLE)
        for column in range(len(JOINTS)):
            limits = np.array([axes.get_ylim() for axes in panels[column::3]])
            for axes in panels[column::3]:
                axes.set_ylim(limits[:, 0].min(), limits[:, 1].max())
        return sheet.figure


def tracking_error(analysis: RecordingAnalysis) -> Figure:
    """The largest tracking error over time, and each joint's."""
    with report_style():
        found = analysis.joints.tracking
        assert found is not None
        rms, most = np.degrees(found.rms), np.degrees(found.most)
        sheet = PanelSheet.of(analysis, 1010)
        sheet.legend_above(leg_handles(linewidth=4))
        width = RIGHT - LEFT
        sheet.states(LEFT, 64, width, "states")
        sheet.named(LEFT, 146, "the farthest of twelve joints", "over time")
        axes = sheet.over_time("tracking", LEFT, 160, width, 270, "°", True)
        worst = np.degrees(analysis.joints.worst_errors)
        sheet.line(axes, analysis.joints.times, worst, color=INK, linewidth=1.0, label="worst")
        axes.set_ylim(bottom=0.0)
        sheet.named(LEFT, 606, "by joint", "bar: root mean square; line: the largest")
        bars = sheet.axes("by joint", LEFT, 624, width, 270)
        quiet_frame(bars)
        for i, name in enumerate(JOINT_NAMES):
            place = i + 0.6 * (i // 3)
            colour = LEG[LEGS[i // 3]]
            bars.bar(place, rms[i], 0.7, color=colour, label=name)
            bars.plot([place, place], [0, most[i]], color=colour, linewidth=1.6)
            bars.plot([place - 0.2, place + 0.2], [most[i]] * 2, color=colour, linewidth=1.6)
        places = [i + 0.6 * (i // 3) for i in range(12)]
        bars.set_xticks(places, [JOINTS[i % 3] for i in range(12)], fontsize=SMALL)
        for i, leg in enumerate(LEGS):
            bars.text(
                places[3 * i + 1],
                -0.3,
                words(leg),
                transform=bars.get_xaxis_transform(),
                ha="center",
                fontweight="bold",
            )
        bars.set_ylabel("degrees")
        bars.yaxis.set_label_coords(-110 / width, 0.5)
        bars.set_ylim(bottom=0.0)
        return sheet.figure


def power(analysis: RecordingAnalysis) -> Figure:
    """Torque by joint, and what the table of topics gives a panel, as current and voltage, against their limits."""
    with report_style():
        kinds = JOINTS if analysis.joints.torques is not None else ()
        row, count = 300, len(kinds) + len(analysis.panels)
        sheet = PanelSheet.of(analysis, 160 + row * count + 50)
        if kinds:
            sheet.legend_above(leg_handles(linewidth=4))
        sheet.states(LEFT, 64, RIGHT - LEFT, "states")
        tops = [160 + row * k for k in range(count)]
        for joint, top in zip(kinds, tops):
            _torque(sheet, analysis, joint, top, top == tops[-1])
        for curve, top in zip(analysis.panels.values(), tops[len(kinds) :]):
            name, unit = curve.panel.name, curve.panel.unit
            axes = sheet.over_time(name, LEFT, top, RIGHT - LEFT, _HEIGHT, unit, top == tops[-1])
            sheet.line(axes, curve.times, curve.values, color=INK, linewidth=1.0, label=name)
            if name in _SUPPLY:
                head = f"{name} of the servos' supply{f', {analysis.supply_source}' if analysis.supply_source else ''}"
                said = _SUPPLY[name](sheet, axes, analysis, curve)
            else:
                least, most = (number(float(end), 2) for end in (np.nanmin(curve.values), np.nanmax(curve.values)))
                head, said = name, f"{least} to {most} {unit}"
                at_least(axes, curve.panel.span)
            sheet.named(LEFT, top - 14, head, said)
        return sheet.figure


def _current(sheet: PanelSheet, axes: Axes, analysis: RecordingAnalysis, curve: PanelCurve) -> str:
    """Draw the supply's rating; mean and most in words."""
    on, most = analysis.states.powered(curve.times), float(np.nanmax(curve.values))
    mean = float(np.nanmean(curve.values[on])) if on.any() else 0.0
    axes.set_ylim(bottom=0.0)
    if analysis.robot:
        rated = analysis.robot.supply.rated_current
        sheet.limit(axes, rated, "the supply's rating")
        axes.set_ylim(top=1.2 * max(rated, most))
    return f"{number(mean, 1)} A in the mean with power, {number(most, 1)} A at most"


def _voltage(sheet: PanelSheet, axes: Axes, analysis: RecordingAnalysis, curve: PanelCurve) -> str:
    """Draw the voltage at which the robot lies down; the least in words."""
    if analysis.robot:
        sheet.limit(axes, analysis.robot.supply.low_voltage, "low: the robot lies down")
    at_least(axes, curve.panel.span)
    return f"{number(float(np.nanmin(curve.values)), 2)} V at the least"


_SUPPLY: dict[str, Callable[[PanelSheet, Axes, RecordingAnalysis, PanelCurve], str]] = {
    "current": _current,
    "voltage": _voltage,
}


def _torque(sheet: PanelSheet, analysis: RecordingAnalysis, joint: str, top: float, last: bool) -> None:
    """The torque of one joint of each leg, with what its servo stalls at."""
    torques, shares = analysis.joints.torques, analysis.joints.torque_shares
    assert torques is not None
    column = JOINTS.index(joint)
    axes = sheet.over_time(f"torque {joint}", LEFT, top, RIGHT - LEFT, _HEIGHT, "N·m", last)
    own = torques[:, column::3]
    for i, leg in enumerate(LEGS):
        sheet.magnitudes(axes, analysis.joints.times, own[:, i], color=LEG[leg], linewidth=1.1, label=leg)
    said = f"{number(float(np.nanmax(np.abs(own))), 2)} N·m at most"
    if shares is not None and analysis.robot:
        said += f", {100 * float(np.nanmax(shares[:, column::3])):.0f} % of stall"
        stall = min(analysis.robot.stall_torque(joint) for joint in analysis.robot.joints[column::3])
        sheet.limit(axes, stall, "stall torque")
        sheet.limit(axes, stall / 2, "half of it")
        axes.set_ylim(0.0, 1.3 * max(stall, float(np.nanmax(np.abs(own)))))
    axes.set_ylim(bottom=0.0)
    sheet.named(LEFT, top - 14, f"torque of the {joint} joints, size", said)


_AIR = 8.0  # °C over the highest curve or limit, for its words
_LIMITS = ((WARM, "warm"), (HOT, "hot: let it rest"), (TOO_HOT, "too hot: the robot lies down"))


def temperature(analysis: RecordingAnalysis) -> Figure:
    """The hottest servo of each leg over time, with the temperatures at which the watchdog acts."""
    assert analysis.temperatures
    times, values = analysis.temperatures
    with report_style():
        top, height, width = 160, 330, RIGHT - LEFT
        sheet = PanelSheet.of(analysis, top + height + 120)
        sheet.legend_above(leg_handles(linewidth=4))
        sheet.states(LEFT, 64, width, "states")
        axes = sheet.over_time("temperature", LEFT, top, width, height, "", True)
        axes.set_ylabel("°C")
        for i, leg in enumerate(LEGS):
            hottest = values[:, len(JOINTS) * i : len(JOINTS) * (i + 1)].max(axis=1)
            sheet.line(axes, times, hottest, color=LEG[leg], linewidth=1.6, label=leg)
        for limit, said in _LIMITS:
            sheet.limit(axes, limit, said)
        axes.set_ylim(min(AMBIENT, float(values.min())) - _AIR, max(TOO_HOT, float(values.max())) + _AIR)
        tick, joint = np.unravel_index(np.argmax(values), values.shape)
        most = f"{words(JOINT_NAMES[joint])} {number(float(values[tick, joint]), 0)} °C at most"
        sheet.named(LEFT, top - 14, "the hottest servo of each leg, estimated, unverified", most)
        return sheet.figure
