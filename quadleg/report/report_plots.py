"""The pictures of a report, each a figure that stands alone, in print too: what was asked and done, over time."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import NDArray

from quadleg.analysis.events import Weight
from quadleg.analysis.recording_analysis import RecordingAnalysis, evened
from quadleg.analysis.recording_figures import (
    drawn,
    intervals,
    number,
    torque_shares,
    tracking,
    voltages,
    words,
)
from quadleg.analysis.walk_measures import spells as runs
from quadleg.plotting.panels import (
    ASKED_STYLE,
    FOUND_STYLE,
    JOINTS_STYLE,
    LEFT,
    LIMIT_STYLE,
    PLANNED_STYLE,
    RIGHT,
    SMALL,
    TRUE_STYLE,
    PanelSheet,
    at_least,
    few,
    handle,
    leg_handles,
    own_colour,
    report_style,
)
from quadleg.plotting.pose_plots import STATES
from quadleg.plotting.sheet import (
    INK,
    MARGIN,
    PALE,
    QUIET,
    quiet_frame,
    spread,
    thinned,
)
from quadleg.report.report_walk_plots import longest_stride
from quadleg.robot.colours import BODY, LEG
from quadleg.robot.model import JOINT_NAMES, JOINTS, LEGS

Array = NDArray[Any]

_APART = 80  # pixels between event numbers, about


def time_line(story: RecordingAnalysis) -> Figure:
    """The watchdog's and servo_output's states, walks and what was asked, with the numbers of the events."""
    with report_style():
        rows: list[str] = []
        if story.states:
            rows.append("watchdog")
        if story.servo_states:
            rows.append("servo_output")
        if story.stretches:
            rows.append("walks")
        if story.pose_asked or story.speed_asked:
            rows.append("asked for")
        board = PanelSheet.of(story, 250 + 76 * len(rows))
        seen = {own_colour(s.state) for s in (*story.states, *story.servo_states)}
        names = {"active": "active, following", "hold": "hold", "fault": "fault, stopped"}
        keys: list[Artist] = [_state_patch(state, names.get(state, state)) for state in STATES if state in seen]
        if story.pose_asked:
            keys.append(Line2D([], [], color=INK, marker="v", markersize=6, linestyle="none", label="a pose"))
        if story.speed_asked:
            keys.append(Line2D([], [], color=QUIET, linewidth=5, label="a speed"))
        board.key(keys)
        left, top = LEFT + 90, 126
        width = RIGHT - left
        _event_numbers(board, story, left, 72, width)
        for row in rows:
            board.write(MARGIN, top + 42, row, fontweight="bold")
            if row in ("watchdog", "servo_output"):
                board.strip(left, top, width, 60, story.states if row == "watchdog" else story.servo_states, row)
            else:
                axes = board.axes(row, left, top, width, 60)
                axes.set(xlim=(board.first, board.last), ylim=(0, 1))
                axes.set_axis_off()
                (_walks if row == "walks" else _asks)(board, axes, story, width)
            top += 76
        axis = board.axes("time", left, top, width, 2)
        axis.set(xlim=(board.first, board.last), yticks=[])
        quiet_frame(axis)
        axis.spines["left"].set_visible(False)
        axis.set_xlabel(f"time ({board.unit})")
        return board.figure


def _state_patch(state: str, label: str) -> Patch:
    colour, hatch = STATES[state]
    return Patch(facecolor=colour, hatch=hatch, edgecolor=thinned(INK, 0.45), linewidth=0.6, label=label)


def _event_numbers(board: PanelSheet, story: RecordingAnalysis, left: float, top: float, width: float) -> None:
    axes = board.axes("events", left, top, width, 50)
    first, last = board.first, board.last
    axes.set(xlim=(first, last), ylim=(0, 1))
    axes.set_axis_off()
    numbered = [(number, event) for number, event in enumerate(story.events, 1)]
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
    places = [event.start / board.scale for _, event in shown]
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
    board.write(MARGIN, top + 30, "event", color=QUIET)


def _walks(board: PanelSheet, axes: Axes, story: RecordingAnalysis, width: float) -> None:
    first, last = axes.get_xlim()
    bars = [(each.start / board.scale, (each.end - each.start) / board.scale) for each in story.stretches]
    axes.broken_barh(few(bars, 3 * (last - first) / width), (0.15, 0.7), facecolor=thinned(BODY, 0.45), linewidth=0)
    for (start, long), stretch in zip(bars, story.stretches):
        if stretch.gait and long / (last - first) * width > 24 * len(stretch.gait):
            axes.text(start + long / 2, 0.48, stretch.gait, ha="center", va="center", fontsize=SMALL)


def _asks(board: PanelSheet, axes: Axes, story: RecordingAnalysis, width: float) -> None:
    speed, asked = story.speed_asked, story.pose_asked
    if speed is not None:
        moving = (speed.values != 0).any(axis=1)
        times = speed.times / board.scale
        spans = [(times[start], times[min(end, len(times) - 1)] - times[start]) for start, end in runs(moving)]
        first, last = axes.get_xlim()
        axes.broken_barh(few(spans, 3 * (last - first) / width), (0.55, 0.3), facecolor=QUIET, linewidth=0)
    if asked is not None:
        axes.plot(
            asked.times / board.scale, np.full(len(asked.times), 0.25), "v", color=INK, markersize=6, clip_on=False
        )


_POSE = (
    ("height", 2, "mm"),
    ("roll", 3, "°"),
    ("ahead (x)", 0, "mm"),
    ("pitch", 4, "°"),
    ("left (y)", 1, "mm"),
    ("yaw", 5, "°"),
)


def pose(story: RecordingAnalysis) -> Figure:
    """Height, place and turns of the body: asked, by the joints, by the estimate, true."""
    with report_style():
        row, height = 330, 230
        board = PanelSheet.of(story, 190 + 3 * row)
        asked, done = story.pose_asked, story.pose_done
        sources = [
            (t, style) for t, style in (("odom", FOUND_STYLE), ("truth/odom", TRUE_STYLE)) if story.signals.get(t)
        ]
        keys = [
            handle(style, said)
            for there, style, said in (
                (asked is not None, ASKED_STYLE, "asked"),
                (done is not None, JOINTS_STYLE, "by the joints"),
            )
            if there
        ]
        keys += [handle(style, "estimate" if topic == "odom" else "true") for topic, style in sources]
        board.key(keys)
        attitudes = {topic: np.asarray(story.attitude(topic)) for topic, _ in sources}
        panel = 900
        for k, (name, index, unit) in enumerate(_POSE):
            left, top = (LEFT, LEFT + panel + 300)[k % 2], 150 + row * (k // 2)
            if k < 2:
                board.states(left, 62, panel, f"states {name}")
            board.headed(left, top - 14, name)
            axes = board.over_time(name, left, top, panel, height, unit, k >= 4)
            factor = 1000.0 if unit == "mm" else 180 / np.pi
            for topic, style in sources:
                signal = story.signals.signals[topic]
                if name in ("height", "roll", "pitch"):  # the others are seen from between the feet
                    own = signal["position"][:, 2] if name == "height" else attitudes[topic][:, index - 3]
                    board.line(axes, signal.times, factor * own, label=topic, **style)
            if done is not None:
                board.line(axes, story.joints.times, factor * done[:, index], label="by the joints", **JOINTS_STYLE)
            if asked is not None:
                board.steps(axes, asked.times, factor * asked.values[:, index], label="asked", **ASKED_STYLE)
            at_least(axes, 10.0 if unit == "mm" else 2.0)
        return board.figure


def speed(story: RecordingAnalysis) -> Figure:
    """Speed ahead, to the left and turning: asked, planned, estimated, true."""
    with report_style():
        row, height = 320, 240
        board = PanelSheet.of(story, 150 + 3 * row + 50)
        asked = story.speed_asked
        sources = [
            (topic, said, style, story.speed(topic))
            for topic, said, style in (
                ("planned_feet", "planned", PLANNED_STYLE),
                ("odom", "estimate", FOUND_STYLE),
                ("truth/odom", "true", TRUE_STYLE),
            )
            if story.speed(topic) is not None
        ]
        keys = [handle(ASKED_STYLE, "asked")] * (asked is not None)
        board.key([*keys, *(handle(style, said) for _, said, style, _ in sources)])
        width = RIGHT - LEFT
        board.states(LEFT, 64, width, "states")
        stride = longest_stride(story)
        for k, (name, unit, factor) in enumerate(
            (("ahead", "mm/s", 1000.0), ("to the left", "mm/s", 1000.0), ("turning left", "°/s", 180 / np.pi))
        ):
            top = 160 + row * k
            board.headed(LEFT, top - 14, name)
            axes = board.over_time(name, LEFT, top, width, height, unit, k == 2)
            axes.axhline(0.0, color=PALE, linewidth=0.8, zorder=0)
            for topic, said, style, found in sources:
                assert found is not None
                times, values = found
                own = values[:, k : k + 1]
                if topic != "planned_feet":
                    own = evened(times, own, stride)
                board.line(axes, times, factor * own[:, 0], label=said, **style)
            if asked is not None:
                board.steps(axes, asked.times, factor * asked.values[:, k], label="asked", **ASKED_STYLE)
            at_least(axes, 20.0 if k < 2 else 5.0)
        return board.figure


def joints(story: RecordingAnalysis) -> Figure:
    """The twelve joint angles, commanded and as they were, with their limits."""
    with report_style():
        row, height, gap = 300, 200, 130
        width = (RIGHT - LEFT + 60 - 2 * gap) / 3
        board = PanelSheet.of(story, 170 + 4 * row + 40)
        keys = [
            Line2D(
                [],
                [],
                color=INK,
                linewidth=1.6,
                label=f"angle, {story.angles_are}" if story.angles_are else "angle",
            )
        ]
        if story.commanded is not None:
            keys.append(handle(PLANNED_STYLE, "commanded"))
        if story.robot:
            keys.append(handle(LIMIT_STYLE, "limit"))
        board.key(keys)
        factor = 180 / np.pi
        found = tracking(story)
        for column, joint in enumerate(JOINTS):
            left = LEFT - 60 + column * (width + gap)
            board.states(left, 64, width, f"states {joint}")
            panels = []
            for place, leg in enumerate(LEGS):
                number_of = 3 * place + column
                top = 170 + row * place
                said = ""
                if found is not None and not np.isnan(found.most[number_of]):
                    said = f"off by {number(factor * found.most[number_of], 1)}° at most"
                board.headed(left, top - 14, f"{words(leg)} {joint}", said)
                axes = board.over_time(
                    f"{leg}_{joint}", left, top, width, height, "°" if column == 0 else "", place == 3
                )
                if column == 0:
                    axes.yaxis.set_label_coords(-95 / width, 0.5)
                if story.commanded is not None:
                    board.line(
                        axes,
                        story.joints.times,
                        factor * story.commanded[:, number_of],
                        label="commanded",
                        **PLANNED_STYLE,
                    )
                board.line(
                    axes,
                    story.joints.times,
                    factor * story.joints["position"][:, number_of],
                    color=LEG[leg],
                    linewidth=1.3,
                    label=leg,
                    zorder=3,
                )
                if story.robot:
                    for limit in story.robot.legs[place].limits[column]:
                        axes.axhline(factor * limit, label="limit", **LIMIT_STYLE)
                panels.append(axes)
            low, high = min(axes.get_ylim()[0] for axes in panels), max(axes.get_ylim()[1] for axes in panels)
            for axes in panels:
                axes.set_ylim(low, high)
        return board.figure


def tracking_error(story: RecordingAnalysis) -> Figure:
    """The largest tracking error over time, and each joint's."""
    with report_style():
        found = tracking(story)
        assert found is not None
        board = PanelSheet.of(story, 1010)
        board.key(leg_handles())
        factor, width = 180 / np.pi, RIGHT - LEFT
        board.states(LEFT, 64, width, "states")
        board.headed(LEFT, 146, "the farthest of twelve joints", "over time")
        axes = board.over_time("tracking", LEFT, 160, width, 270, "°", True)
        board.line(axes, story.joints.times, factor * story.worst_tracking, color=INK, linewidth=1.0, label="worst")
        axes.set_ylim(bottom=0.0)
        board.headed(LEFT, 606, "by joint", "bar: root mean square; line: the largest")
        bars = board.axes("by joint", LEFT, 624, width, 270)
        quiet_frame(bars)
        for i, name in enumerate(JOINT_NAMES):
            place = i + 0.6 * (i // 3)
            colour = LEG[LEGS[i // 3]]
            bars.bar(place, factor * found.rms[i], 0.7, color=colour, label=name)
            bars.plot([place, place], [0, factor * found.most[i]], color=colour, linewidth=1.6)
            bars.plot([place - 0.2, place + 0.2], [factor * found.most[i]] * 2, color=colour, linewidth=1.6)
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
        return board.figure


def power(story: RecordingAnalysis) -> Figure:
    """Torque by joint, current and voltage, against their limits."""
    with report_style():
        current, volts = drawn(story), voltages(story)
        names = [*(JOINTS if story.torques is not None else ()), *(["current"] if current is not None else [])]
        names += ["voltage"] if volts is not None else []
        row, height = 300, 220
        board = PanelSheet.of(story, 160 + row * len(names) + 50)
        if story.torques is not None:
            board.key(leg_handles())
        width = RIGHT - LEFT
        board.states(LEFT, 64, width, "states")
        shares = torque_shares(story)
        for k, name in enumerate(names):
            top, last = 160 + row * k, k == len(names) - 1
            if name in JOINTS:
                _torque(board, story, shares, name, top, (width, height), last)
                continue
            supply = story.signals.signals["supply"]
            axes = board.over_time(name, LEFT, top, width, height, "A" if name == "current" else "V", last)
            values = current if name == "current" else volts
            assert values is not None
            board.line(axes, supply.times, values, color=INK, linewidth=1.0, label=name)
            if name == "current":
                on = story.powered(supply.times)
                mean = float(np.nanmean(values[on])) if on.any() else 0.0
                said = f"{number(mean, 1)} A in the mean with power, {number(float(np.nanmax(values)), 1)} A at most"
                axes.set_ylim(bottom=0.0)
                if story.robot:
                    board.limit(axes, story.robot.supply.rated_current, "the supply's rating")
                    axes.set_ylim(top=1.2 * max(story.robot.supply.rated_current, float(np.nanmax(values))))
            else:
                said = f"{number(float(np.nanmin(values)), 2)} V at the least"
                if story.robot:
                    board.limit(axes, story.robot.supply.low_voltage, "low: the robot lies down")
                at_least(axes, 1.0)
            kind = f", {story.supply_is}" if story.supply_is else ""
            board.headed(LEFT, top - 14, f"{name} of the servos' supply{kind}", said)
        return board.figure


def _torque(
    board: PanelSheet,
    story: RecordingAnalysis,
    shares: Array | None,
    joint: str,
    top: float,
    size: tuple[float, float],
    last: bool,
) -> None:
    assert story.torques is not None
    column = JOINTS.index(joint)
    axes = board.over_time(f"torque {joint}", LEFT, top, *size, "N·m", last)
    own = story.torques[:, column::3]
    for i, leg in enumerate(LEGS):
        board.sizes(axes, story.joints.times, own[:, i], color=LEG[leg], linewidth=1.1, label=leg)
    said = f"{number(float(np.nanmax(np.abs(own))), 2)} N·m at most"
    if shares is not None and story.robot:
        said += f", {100 * float(np.nanmax(shares[:, column::3])):.0f} % of stall"
        stall = min(story.robot.stall_torque(joint) for joint in story.robot.joints[column::3])
        board.limit(axes, stall, "stall torque")
        board.limit(axes, stall / 2, "half of it")
        axes.set_ylim(0.0, 1.3 * max(stall, float(np.nanmax(np.abs(own)))))
    axes.set_ylim(bottom=0.0)
    board.headed(LEFT, top - 14, f"torque of the {joint} joints, size", said)


def timing(story: RecordingAnalysis) -> Figure:
    """Intervals of joint_states, latency over time, and frames that were dropped or slowed."""
    with report_style():
        between = 1000 * intervals(story)
        told = {key: story.said("servo_output", f"tick_to_bytes_{key}_ms") for key in ("p50", "p99")}
        counted = {key: story.counted("joint_watchdog", f"frames_{key}") for key in ("dropped", "slowed")}
        latency, frames = len(told["p50"][0]) > 0, any(counted.values())
        row, height = 350, 210
        board = PanelSheet.of(story, 410 + row * (latency + frames))
        width = RIGHT - LEFT
        p50, p99 = np.percentile(between, [50, 99])
        said = f"median {p50:.1f} ms, 99th percentile {p99:.1f} ms, at most {between.max():.1f} ms"
        board.headed(LEFT, 50, "between joint states", said)
        axes = board.axes("intervals", LEFT, 66, width, 230)
        quiet_frame(axes)
        most = max(float(between.max()), 2 * p50)
        axes.hist(between, bins=np.linspace(0, most, 90).tolist(), color=thinned(BODY, 0.8), log=True)
        for value, label, side in ((p50, "median ", "right"), (p99, " 99 %", "left")):
            axes.axvline(value, **LIMIT_STYLE | {"color": INK})
            axes.text(value, 0.97, label, ha=side, va="top", transform=axes.get_xaxis_transform(), fontsize=SMALL)
        axes.set(xlim=(0, most), ylim=(0.5, None), xlabel="interval (ms)", ylabel="how often")
        axes.yaxis.set_major_formatter("{x:,.0f}")
        axes.yaxis.set_label_coords(-130 / width, 0.5)
        top = 450
        if latency:
            board.headed(LEFT, top - 14, "tick to bytes", "of 500 frames at a time, from the gait's tick to the board")
            axes = board.over_time("latency", LEFT, top, width, height, "ms", not frames)
            lines = (("p99", "99th percentile", INK, 1.2), ("p50", "median", BODY, 2.4))
            for key, label, colour, line in lines:
                board.line(axes, *told[key], label=label, color=colour, linewidth=line)
            axes.set_ylim(bottom=0.0)
            keys = [Line2D([], [], color=colour, linewidth=line, label=label) for _, label, colour, line in lines]
            board.key(keys, top - 24)
            top += row
        if frames:
            said = f"{counted['dropped']} dropped, {counted['slowed']} slowed to the servos' speed"
            board.headed(LEFT, top - 14, "frames, counted", said)
            axes = board.over_time("frames", LEFT, top, width, height, "frames", True)
            dash = {"color": BODY, "linewidth": 2.4, "linestyle": (0, (3, 1.5))}
            styles = {"slowed": dash, "dropped": {"color": INK, "linewidth": 1.4}}
            for key, style in styles.items():
                times, values = story.said("joint_watchdog", f"frames_{key}")
                rises = np.diff(values, prepend=values[:1])
                board.line(axes, times, np.cumsum(np.where(rises < 0, values, rises)), label=key, **style)
            axes.set_ylim(0.0, max(5.0, axes.get_ylim()[1]))
            board.key([handle(style, key) for key, style in styles.items()], top - 24)
        return board.figure
