"""The pictures of a report that show walking: footfalls, feet from the side, and the path from above."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Ellipse, Patch, Rectangle

from quadleg.analysis.body_analysis import WalkSegment
from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.analysis.recording_metrics import BAND, number, words
from quadleg.analysis.series import running_mean, true_runs
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
    report_style,
)
from quadleg.plotting.sheet import INK, QUIET, fit_equal, leg_handles, quiet_frame, tinted
from quadleg.plotting.walk_plots import ROWS
from quadleg.robot.colours import LEG
from quadleg.robot.model import LEGS

_STRIDES = 4  # that the gait is shown for
_MOST_GAITS = 6  # that are drawn: those that it walked in longest
_LEAST_SEEN = 1.0  # mm that a picture of a foot is wide, where it does not move
_ARM = 0.1  # m: turning counts as much as the speed so far from the middle
_ELLIPSES = 10
_MOST_REACH = 0.5  # of the way's size that is shown around it, however large the ellipses are


def gait(analysis: RecordingAnalysis) -> Figure:
    """Footfalls and the feet from the side, for some strides of each gait."""
    with report_style():
        chosen: dict[str, WalkSegment] = {}
        for walk in analysis.body.walks:
            known = chosen.get(walk.gait)
            if known is None or walk.end - walk.start > known.end - known.start:
                chosen[walk.gait] = walk
        longest = sorted(chosen.values(), key=lambda walk: walk.start - walk.end)[:_MOST_GAITS]
        drawn = [walk for walk in chosen.values() if walk in longest]
        one = 430 + (410 if analysis.robot else 0)
        sheet = PanelSheet.of(analysis, 100 + one * len(drawn))
        sheet.legend_above(leg_handles(linewidth=4))
        for k, walk in enumerate(drawn):
            _one_gait(sheet, analysis, walk, 100 + one * k)
        return sheet.figure


def _window(analysis: RecordingAnalysis, walk: WalkSegment) -> tuple[float, float]:
    """Return begin and end in s of the strides of a walk with the fastest plan."""
    long = min(_STRIDES * analysis.body.stride(walk.gait), walk.end - walk.start)
    planned = analysis.body.speed("planned_feet")
    middle = (walk.start + walk.end) / 2
    if planned is not None:
        times, twist = planned
        brisk = running_mean(times, np.abs(twist) * [1.0, 1.0, _ARM], long).sum(axis=1)
        inside = (times >= walk.start + long / 2) & (times <= walk.end - long / 2)
        if inside.any():
            middle = float(times[inside][np.argmax(brisk[inside])])
    return middle - long / 2, middle + long / 2


def _one_gait(sheet: PanelSheet, analysis: RecordingAnalysis, walk: WalkSegment, top: float) -> None:
    first, last = _window(analysis, walk)
    width = RIGHT - LEFT - 60
    left = LEFT + 60
    whole = f"{first:.1f} s to {last:.1f} s of a walk from {walk.start:.1f} s to {walk.end:.1f} s"
    sheet.named(left, top, f"{walk.gait or 'walking'}: feet on the ground", whole)
    axes = sheet.axes(f"{walk.gait} footfalls", left, top + 16, width, 260)
    quiet_frame(axes)
    axes.set(xlim=(first, last), ylim=(len(ROWS) - 0.35, -0.45), xlabel="time (s)")
    planned, loads = analysis.signals.get("planned_feet"), analysis.signals.get("foot_loads")
    for row, leg in enumerate(ROWS):
        i = LEGS.index(leg)
        for signal, offset, high, colour in (
            (planned, -0.3, 0.34, LEG[leg]),
            (loads, 0.1, 0.2, tinted(LEG[leg], 0.5)),
        ):
            if signal is None:
                continue
            inside = (signal.times >= first) & (signal.times <= last)
            times, down = signal.times[inside], signal["force"][inside, i] > 0
            for begin, end in true_runs(down):
                until = times[min(end, len(times) - 1)]
                axes.add_patch(
                    Rectangle((times[begin], row + offset), until - times[begin], high, facecolor=colour, linewidth=0)
                )
    axes.set_yticks(range(len(ROWS)), [words(leg) for leg in ROWS])
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    if analysis.robot:
        _sides(sheet, analysis, walk, (first, last), top + 440)


def _sides(
    sheet: PanelSheet, analysis: RecordingAnalysis, walk: WalkSegment, window: tuple[float, float], top: float
) -> None:
    """Each foot from its right side, all to one scale."""
    assert analysis.robot
    inside = (analysis.joints.times >= window[0]) & (analysis.joints.times <= window[1])
    seen = analysis.joints.feet_at(analysis.joints.angles[inside])
    if not np.isfinite(seen).all(axis=2).any(axis=0).all():  # of a foot nothing is known
        return
    wanted = None if analysis.joints.commanded is None else analysis.joints.feet_at(analysis.joints.commanded[inside])
    hips = np.array([leg.hip[0] for leg in analysis.robot.legs])
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
    name = f"{walk.gait or 'walking'}: feet from the right side"
    said = (
        "forward is to the right"
        if wanted is None
        else "forward is to the right; pale: commanded; in colour: by the angles"
    )
    sheet.named(LEFT - 60, top - 18, name, said)
    for i, leg in enumerate(LEGS):
        left = LEFT + i * (width + gap)
        axes = sheet.axes(f"{walk.gait} {leg} side", left, top, width, height)
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


def path(analysis: RecordingAnalysis) -> Figure:
    """The path from above, with the estimate's ellipses, and the estimate's errors."""
    with report_style():
        estimate = analysis.body.estimate
        assert estimate is not None
        row = 310
        above = 620
        sheet = PanelSheet.of(analysis, 90 + above + 130 + (3 * row + 20 if estimate.errors is not None else 0))
        keys = [handle(FOUND_STYLE, "estimate"), Patch(label=f"estimate ± {BAND:g}σ", **SHADE_STYLE)]
        if estimate.true is not None:
            keys.insert(0, handle(TRUE_STYLE | {"linewidth": 2.4}, "true"))
        sheet.legend_above(keys)
        width = RIGHT - LEFT
        found = estimate.estimated
        known = np.flatnonzero(~np.isnan(found[:, 0]))
        picks = known[np.linspace(0, len(known) - 1, _ELLIPSES).astype(int)[1:]]
        ahead, aside = (1000 * BAND * estimate.deviations[picks[-1], :2]).tolist()
        sheet.named(LEFT, 56, "from above", f"{BAND:g}σ at the end: {ahead:.0f} mm ahead, {aside:.0f} mm to the left")
        axes = sheet.axes("above", LEFT, 80, width, above)
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
        fit_equal(
            axes, way, width / above, reach=min(reach, _MOST_REACH * float(np.nanmax(np.ptp(way[known], axis=0))))
        )
        axes.set(xlabel="ahead of the beginning, x (m)", ylabel="to the left, y (m)")
        if estimate.errors is not None:
            _errors(sheet, analysis, 80 + above + 170, row)
        return sheet.figure


def _errors(sheet: PanelSheet, analysis: RecordingAnalysis, top: float, row: float) -> None:
    estimate = analysis.body.estimate
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
        sheet.named(left, place - 14, f"error {name}", f"{number(rms, 2)}{sp}{unit} rms, {within:.0f} % in the band")
        axes = sheet.over_time(f"error {name}", left, place, panel, 210, unit, k >= 4)
        times, upper = envelope(estimate.times, band, POINTS)
        axes.fill_between(times / sheet.scale, -upper, upper, **SHADE_STYLE)
        axes.axhline(0.0, color=QUIET, linewidth=0.7, zorder=1)
        sheet.line(axes, estimate.times, errors, **FOUND_STYLE)
