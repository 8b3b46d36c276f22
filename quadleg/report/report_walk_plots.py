"""The pictures of a report that show walking: footfalls, feet from the side, and the way from above."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Ellipse, Patch, Rectangle
from numpy.typing import NDArray

from quadleg.analysis.recording_analysis import RecordingAnalysis, WalkSegment, evened
from quadleg.analysis.recording_figures import BAND, number, words
from quadleg.analysis.walk_measures import spells as runs
from quadleg.plotting.panels import (
    FOUND_STYLE,
    LEFT,
    PLANNED_STYLE,
    POINTS,
    RIGHT,
    SHADE_STYLE,
    SMALL,
    TRUE_STYLE,
    PanelSheet,
    envelope,
    handle,
    leg_handles,
    report_style,
)
from quadleg.plotting.sheet import (
    INK,
    QUIET,
    quiet_frame,
    thinned,
)
from quadleg.plotting.walk_plots import ROWS
from quadleg.robot.colours import LEG
from quadleg.robot.model import LEGS

Array = NDArray[Any]

_STRIDES, _STRIDE = 4, 1.5  # strides that the gait is shown for; s of one where nobody says
_MOST_GAITS = 6  # that are drawn: those that it walked in longest
_LEAST_SEEN = 1.0  # mm that a picture of a foot is wide, where it does not move
_ARM = 0.1  # m: turning counts as much as the speed so far from the middle
_ELLIPSES = 10
_MOST_REACH = 0.5  # of the way's size that is shown around it, however large the ellipses are


def gait(story: RecordingAnalysis) -> Figure:
    """Footfalls and the feet from the side, for some strides of each gait."""
    with report_style():
        chosen: dict[str, WalkSegment] = {}
        for stretch in story.stretches:
            known = chosen.get(stretch.gait)
            if known is None or stretch.end - stretch.start > known.end - known.start:
                chosen[stretch.gait] = stretch
        longest = sorted(chosen.values(), key=lambda stretch: stretch.start - stretch.end)[:_MOST_GAITS]
        drawn = [stretch for stretch in chosen.values() if stretch in longest]
        one = 430 + (410 if story.robot else 0)
        board = PanelSheet.of(story, 100 + one * len(drawn))
        board.key(leg_handles())
        for k, stretch in enumerate(drawn):
            _one_gait(board, story, stretch, 100 + one * k)
        return board.figure


def _window(story: RecordingAnalysis, stretch: WalkSegment) -> tuple[float, float]:
    """Some strides of a walk, in s: those in which it was planned to go fastest."""
    long = min(_STRIDES * _stride(story, stretch.gait), stretch.end - stretch.start)
    planned = story.speed("planned_feet")
    middle = (stretch.start + stretch.end) / 2
    if planned is not None:
        times, twist = planned
        brisk = evened(times, np.abs(twist) * [1.0, 1.0, _ARM], long).sum(axis=1)
        inside = (times >= stretch.start + long / 2) & (times <= stretch.end - long / 2)
        if inside.any():
            middle = float(times[inside][np.argmax(brisk[inside])])
    return middle - long / 2, middle + long / 2


def longest_stride(story: RecordingAnalysis) -> float:
    """The stride's period in s of the slowest gait that it walked in."""
    strides = [_stride(story, stretch.gait) for stretch in story.stretches]
    return max(strides, default=_STRIDE)


def _stride(story: RecordingAnalysis, name: str) -> float:
    if story.robot and name in {gait.name for gait in story.robot.gaits}:
        return story.robot.gait(name).stride_period
    return _STRIDE


def _one_gait(board: PanelSheet, story: RecordingAnalysis, stretch: WalkSegment, top: float) -> None:
    first, last = _window(story, stretch)
    width = RIGHT - LEFT - 60
    left = LEFT + 60
    whole = f"{first:.1f} s to {last:.1f} s of a walk from {stretch.start:.1f} s to {stretch.end:.1f} s"
    board.headed(left, top, f"{stretch.gait or 'walking'}: feet on the ground", whole)
    axes = board.axes(f"{stretch.gait} footfalls", left, top + 16, width, 260)
    quiet_frame(axes)
    axes.set(xlim=(first, last), ylim=(len(ROWS) - 0.35, -0.45), xlabel="time (s)")
    planned, loads = story.signals.get("planned_feet"), story.signals.get("foot_loads")
    for row, leg in enumerate(ROWS):
        i = LEGS.index(leg)
        for signal, offset, high, colour in (
            (planned, -0.3, 0.34, LEG[leg]),
            (loads, 0.1, 0.2, thinned(LEG[leg], 0.5)),
        ):
            if signal is None:
                continue
            inside = (signal.times >= first) & (signal.times <= last)
            times, down = signal.times[inside], signal["force"][inside, i] > 0
            for begin, end in runs(down):
                until = times[min(end, len(times) - 1)]
                axes.add_patch(
                    Rectangle((times[begin], row + offset), until - times[begin], high, facecolor=colour, linewidth=0)
                )
    axes.set_yticks(range(len(ROWS)), [words(leg) for leg in ROWS])
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    if story.robot:
        _sides(board, story, stretch, (first, last), top + 440)


def _sides(
    board: PanelSheet, story: RecordingAnalysis, stretch: WalkSegment, window: tuple[float, float], top: float
) -> None:
    """Each foot from its right side, all to one scale."""
    assert story.robot
    inside = (story.joints.times >= window[0]) & (story.joints.times <= window[1])
    seen = story.feet_at(story.joints["position"][inside])
    if not np.isfinite(seen).all(axis=2).any(axis=0).all():  # of a foot nothing is known
        return
    wanted = None if story.commanded is None else story.feet_at(story.commanded[inside])
    hips = np.array([leg.hip[0] for leg in story.robot.legs])
    gap, height = 50, 210
    width = (RIGHT - LEFT - 3 * gap) / 4
    flat = [
        1000 * np.stack((part[..., 0] - hips, part[..., 2]), axis=-1) for part in (seen, wanted) if part is not None
    ]
    low, high = np.nanmin(np.concatenate(flat), axis=0), np.nanmax(np.concatenate(flat), axis=0)
    rise = float(high[:, 1].max() - low[:, 1].min())
    across = 1.15 * max(float((high - low)[:, 0].max()), rise * width / height, _LEAST_SEEN)
    middle = (low + high) / 2
    middle[:, 1] = (high[:, 1].max() + low[:, 1].min()) / 2
    name = f"{stretch.gait or 'walking'}: feet from the right side"
    said = (
        "forward is to the right"
        if wanted is None
        else "forward is to the right; pale: commanded; in colour: by the angles"
    )
    board.headed(LEFT - 60, top - 18, name, said)
    for i, leg in enumerate(LEGS):
        left = LEFT + i * (width + gap)
        axes = board.axes(f"{stretch.gait} {leg} side", left, top, width, height)
        quiet_frame(axes)
        axes.set_xlim(middle[i, 0] - across / 2, middle[i, 0] + across / 2)
        axes.set_ylim(middle[i, 1] - across * height / width / 2, middle[i, 1] + across * height / width / 2)
        if len(flat) > 1:
            axes.plot(*flat[1][:, i].T, **PLANNED_STYLE)
        axes.plot(*flat[0][:, i].T, color=LEG[leg], linewidth=1.3, label=leg, zorder=3)
        axes.locator_params(nbins=4)
        axes.tick_params(labelleft=i == 0)
        axes.set_xlabel("ahead of the hip (mm)", fontsize=SMALL)
        if i == 0:
            axes.set_ylabel("height over hip (mm)", fontsize=SMALL)


def path(story: RecordingAnalysis) -> Figure:
    """The way from above, with the estimate's ellipses, and the estimate's errors."""
    with report_style():
        estimate = story.estimate
        assert estimate is not None
        row = 310
        above = 620
        board = PanelSheet.of(story, 90 + above + 130 + (3 * row + 20 if estimate.errors is not None else 0))
        keys = [handle(FOUND_STYLE, "estimate"), Patch(label=f"estimate ± {BAND:g}σ", **SHADE_STYLE)]
        if estimate.true is not None:
            keys.insert(0, handle(TRUE_STYLE | {"linewidth": 2.4}, "true"))
        board.key(keys)
        width = RIGHT - LEFT
        found = estimate.found
        known = np.flatnonzero(~np.isnan(found[:, 0]))
        picks = known[np.linspace(0, len(known) - 1, _ELLIPSES).astype(int)[1:]]
        ahead, aside = (1000 * BAND * estimate.deviations[picks[-1], :2]).tolist()
        board.headed(LEFT, 56, "from above", f"{BAND:g}σ at the end: {ahead:.0f} mm ahead, {aside:.0f} mm to the left")
        axes = board.axes("above", LEFT, 80, width, above)
        quiet_frame(axes)
        for pick in picks:
            (x, y, _), (along, across) = found[pick].tolist(), (2 * BAND * estimate.deviations[pick, :2]).tolist()
            axes.add_patch(Ellipse((x, y), along, across, zorder=1, **SHADE_STYLE))
        places = [found[:, :2], *([] if estimate.true is None else [estimate.true[:, :2]])]
        few = slice(None, None, max(1, len(found) // 8000))
        if estimate.true is not None:
            axes.plot(*estimate.true[few, :2].T, label="true", **TRUE_STYLE | {"linewidth": 2.4, "zorder": 3})
        axes.plot(*found[few, :2].T, label="estimate", **FOUND_STYLE)
        axes.plot(0.0, 0.0, "o", color=INK, markersize=7, zorder=6)
        axes.annotate(
            "begins here",
            (0.0, 0.0),
            xytext=(-10, -4),
            textcoords="offset points",
            ha="right",
            color=QUIET,
            fontsize=SMALL,
        )
        reach = BAND * float(estimate.deviations[picks, :2].max(initial=0.0))
        way = np.concatenate(places)
        fit(axes, way, width / above, min(reach, _MOST_REACH * float(np.nanmax(np.ptp(way[known], axis=0)))))
        axes.set(xlabel="ahead of the beginning, x (m)", ylabel="to the left, y (m)")
        if estimate.errors is not None:
            _errors(board, story, 80 + above + 170, row)
        return board.figure


def fit(axes: Axes, places: Array, shape: float, reach: float = 0.0) -> None:
    """Limits `reach` m around the places (n, 2), to one scale in axes that are `shape` times as wide as high."""
    low, high = np.nanmin(places, axis=0) - reach, np.nanmax(places, axis=0) + reach
    size = np.maximum(1.1 * (high - low), 0.05)
    half = np.maximum(size, [size[1] * shape, size[0] / shape]) / 2
    middle = (low + high) / 2
    axes.set(xlim=(middle[0] - half[0], middle[0] + half[0]), ylim=(middle[1] - half[1], middle[1] + half[1]))


def _errors(board: PanelSheet, story: RecordingAnalysis, top: float, row: float) -> None:
    estimate = story.estimate
    assert estimate is not None
    assert estimate.errors is not None
    names = (("ahead", "mm"), ("roll", "°"), ("to the left", "mm"), ("pitch", "°"), ("height", "mm"), ("heading", "°"))
    for k, (name, unit) in enumerate(names):
        index = k // 2 + 3 * (k % 2)
        left, panel = (LEFT, LEFT + 1200)[k % 2], 900
        factor = 1000.0 if unit == "mm" else 180 / np.pi
        errors, band = factor * estimate.errors[:, index], factor * BAND * estimate.deviations[:, index]
        known = ~np.isnan(errors)
        rms = float(np.sqrt(np.square(errors[known]).mean()))
        within = 100 * float((np.abs(errors) <= band)[known].mean())
        place = top + row * (k // 2)
        sp = "" if unit == "°" else " "
        board.headed(left, place - 14, f"error {name}", f"{number(rms, 2)}{sp}{unit} rms, {within:.0f} % in the band")
        axes = board.over_time(f"error {name}", left, place, panel, 210, unit, k >= 4)
        times, upper = envelope(estimate.times, band, POINTS)
        axes.fill_between(times / board.scale, -upper, upper, **SHADE_STYLE)
        axes.axhline(0.0, color=QUIET, linewidth=0.7, zorder=1)
        board.line(axes, estimate.times, errors, **FOUND_STYLE)
