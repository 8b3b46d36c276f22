"""The picture of a report that shows how hot the servos got, by the watchdog's estimate."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.analysis.recording_metrics import number, words
from quadleg.dynamics.servo_heat import AMBIENT, HOT, TOO_HOT, WARM
from quadleg.plotting.panels import LEFT, RIGHT, PanelSheet, report_style
from quadleg.plotting.sheet import leg_handles
from quadleg.robot.colours import LEG
from quadleg.robot.model import JOINT_NAMES, JOINTS, LEGS

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
