"""The picture of a report that shows how hot the servos got, by the watchdog's estimate."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from quadleg.dynamics.servo_heat import AMBIENT, HOT, TOO_HOT, WARM
from quadleg.recording.panels import LEFT, RIGHT, Board, leg_handles, report_style
from quadleg.recording.statistics import number, words
from quadleg.recording.story import Story
from quadleg.robot.colours import LEG
from quadleg.robot.model import JOINT_NAMES, JOINTS, LEGS

_AIR = 8.0  # °C over the highest curve or limit, for its words
_LIMITS = ((WARM, "warm"), (HOT, "hot: let it rest"), (TOO_HOT, "too hot: the robot lies down"))


def temperature(story: Story) -> Figure:
    """The hottest servo of each leg over time, with the temperatures at which the watchdog acts."""
    assert story.temperatures
    times, values = story.temperatures
    with report_style():
        top, height, width = 160, 330, RIGHT - LEFT
        board = Board.of(story, top + height + 120)
        board.key(leg_handles())
        board.states(LEFT, 64, width, "states")
        axes = board.over_time("temperature", LEFT, top, width, height, "", True)
        axes.set_ylabel("°C")
        for i, leg in enumerate(LEGS):
            hottest = values[:, len(JOINTS) * i : len(JOINTS) * (i + 1)].max(axis=1)
            board.line(axes, times, hottest, color=LEG[leg], linewidth=1.6, label=leg)
        for limit, said in _LIMITS:
            board.limit(axes, limit, said)
        axes.set_ylim(min(AMBIENT, float(values.min())) - _AIR, max(TOO_HOT, float(values.max())) + _AIR)
        tick, joint = np.unravel_index(np.argmax(values), values.shape)
        most = f"{words(JOINT_NAMES[joint])} {number(float(values[tick, joint]), 0)} °C at most"
        board.headed(LEFT, top - 14, "the hottest servo of each leg, estimated, unverified", most)
        return board.figure
