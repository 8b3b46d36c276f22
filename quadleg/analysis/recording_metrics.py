"""The metrics of a recording, for a report and, side by side, for a comparison of two."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import degrees, isfinite

import numpy as np

from quadleg.analysis.body_analysis import SOURCES
from quadleg.analysis.events import POWERED
from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.robot.model import JOINT_NAMES, MODELLED

TIME, BODY, JOINTS, SUPPLY, FRAMES = "time", "body and way", "joints", "supply", "frames and timing"
BAND = 3.0  # standard deviations


@dataclass(frozen=True)
class RecordingMetric:
    """One metric of a recording: its group, name, value, unit, digits after the point, and a note."""

    group: str
    name: str
    value: float
    unit: str
    digits: int
    note: str = ""

    def __str__(self) -> str:
        return f"{number(self.value, self.digits)}{space(self.unit)}{self.unit}{f' ({self.note})' if self.note else ''}"


def number(value: float, digits: int) -> str:
    """Format with a typographic minus and without a negative zero."""
    return f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")


def space(unit: str) -> str:
    return "" if unit in ("", "°") else " "


def words(joint: str) -> str:
    """Return the name of a joint or leg with spaces."""
    return joint.replace("_", " ")


def metrics(analysis: RecordingAnalysis) -> list[RecordingMetric]:
    """Return all metrics that the recording allows."""
    return [figure for figure in _all(analysis) if isfinite(figure.value)]


def _all(analysis: RecordingAnalysis) -> Iterator[RecordingMetric]:
    yield RecordingMetric(TIME, "recorded for", analysis.end - analysis.start, "s", 1)
    if analysis.states.watchdog:
        for name, names in (("following what was asked", ("active",)), ("with power", POWERED)):
            lasted = (each.end - each.start for each in analysis.states.watchdog if each.state in names)
            yield RecordingMetric(TIME, name, sum(lasted), "s", 1)
        for name, state in (("holds", "hold"), ("faults", "fault")):
            yield RecordingMetric(TIME, name, sum(each.state == state for each in analysis.states.watchdog), "", 0)
    yield from _way(analysis)
    yield from _joints(analysis)
    yield from _electric(analysis)
    yield from _frames(analysis)


def _way(analysis: RecordingAnalysis) -> Iterator[RecordingMetric]:
    for name, length in (
        ("walked, by the plan", analysis.body.planned_length()),
        ("walked, by the estimate", analysis.body.path_length("odom")),
        ("walked, truly", analysis.body.path_length("truth/odom")),
    ):
        if length is not None:
            yield RecordingMetric(BODY, name, length, "m", 3)
    source = next((t for t in ("truth/odom", "odom", "imu/data") if analysis.signals.get(t)), None)
    if source:
        roll, pitch, _ = np.asarray(analysis.body.attitude(source)).T
        tilt = np.arccos(np.clip(np.cos(roll) * np.cos(pitch), -1.0, 1.0))
        tilt = tilt[analysis.states.powered(analysis.signals.signals[source].times)]
        if len(tilt):
            yield RecordingMetric(
                BODY, "largest tilt of the body", degrees(float(np.nanmax(tilt))), "°", 1, SOURCES[source]
            )
    estimate = analysis.body.estimate
    if estimate is not None and estimate.errors is not None:
        known = ~np.isnan(estimate.errors[:, 0])
        if not known.any():
            return
        errors = estimate.errors[known]
        yield RecordingMetric(
            BODY, "estimate off the truth at the end", 1000 * float(np.hypot(*errors[-1, :2])), "mm", 1
        )
        yield RecordingMetric(BODY, "its heading off at the end", degrees(abs(float(errors[-1, 5]))), "°", 1)
        within = np.abs(errors[:, :2]) <= BAND * estimate.deviations[known, :2]
        yield RecordingMetric(
            BODY, f"its place within {BAND:g}σ", 100 * float(within.all(axis=1).mean()), "% of the time", 0
        )


def _joints(analysis: RecordingAnalysis) -> Iterator[RecordingMetric]:
    found = analysis.joints.tracking
    if found is not None:
        worst = found.worst
        note = f"{words(JOINT_NAMES[worst])}, at {found.times[worst]:.1f} s{_of_model(analysis.angle_source)}"
        yield RecordingMetric(JOINTS, "largest tracking error", degrees(found.most[worst]), "°", 1, note)
        all_joints = float(np.sqrt(np.nanmean(np.square(found.rms))))
        yield RecordingMetric(
            JOINTS, "tracking error, rms", degrees(all_joints), "°", 2, f"all joints{_of_model(analysis.angle_source)}"
        )
    _, jumps = analysis.reported("servo_output", "power_up_movement_deg")
    if len(jumps):
        yield RecordingMetric(JOINTS, "moved by the first pulses", float(jumps.max()), "°", 1)
    if analysis.temperatures:
        times, values = analysis.temperatures
        tick, joint = np.unravel_index(np.argmax(values), values.shape)
        note = f"{words(JOINT_NAMES[joint])}, at {times[tick]:.1f} s, estimated, unverified"
        yield RecordingMetric(JOINTS, "hottest servo", float(values[tick, joint]), "°C", 0, note)
    shares = analysis.joints.torque_shares
    if shares is not None:
        tick, joint = np.unravel_index(np.nanargmax(shares), shares.shape)
        note = f"{words(JOINT_NAMES[joint])}, at {analysis.joints.times[tick]:.1f} s"
        yield RecordingMetric(JOINTS, "largest torque", 100 * float(shares[tick, joint]), "% of stall", 0, note)


def _electric(analysis: RecordingAnalysis) -> Iterator[RecordingMetric]:
    modelled = _of_model(analysis.supply_source)
    if current := analysis.panels.get("current"):
        on = analysis.states.powered(current.times)
        if on.any():
            mean = float(np.nanmean(current.values[on], dtype=float))
            yield RecordingMetric(SUPPLY, "mean current with power", mean, "A", 2, modelled.lstrip(", "))
        rated = f"rated {analysis.robot.supply.rated_current:g} A{modelled}" if analysis.robot else ""
        yield RecordingMetric(SUPPLY, "largest current", float(np.nanmax(current.values)), "A", 2, rated)
    if voltage := analysis.panels.get("voltage"):
        low = f"low is {analysis.robot.supply.low_voltage:.2f} V" if analysis.robot else ""
        yield RecordingMetric(SUPPLY, "least voltage", float(np.nanmin(voltage.values)), "V", 2, low)


def _of_model(kind: str) -> str:
    return ", modelled" if kind == MODELLED else ""


def _frames(analysis: RecordingAnalysis) -> Iterator[RecordingMetric]:
    for name, key in (("followed", "sent"), ("slowed to the servos", "slowed"), ("dropped", "dropped")):
        count = analysis.counter_rise("joint_watchdog", f"frames_{key}")
        if count is not None:
            yield RecordingMetric(FRAMES, f"frames {name}", count, "", 0)
    between = analysis.joints.intervals
    if len(between):
        if np.median(between) > 0:
            yield RecordingMetric(FRAMES, "joint states", 1 / float(np.median(between)), "a second", 1)
        p1, p99 = np.percentile(between, [50, 99])
        yield RecordingMetric(FRAMES, "between them, median", 1000 * float(p1), "ms", 1)
        yield RecordingMetric(FRAMES, "between them, 99th percentile", 1000 * float(p99), "ms", 1)
        yield RecordingMetric(FRAMES, "between them, at most", 1000 * float(between.max()), "ms", 1)
    for name, key in (("median", "p50"), ("99th percentile", "p99")):
        _, told = analysis.reported("servo_output", f"tick_to_bytes_{key}_ms")
        if len(told):
            yield RecordingMetric(
                FRAMES, f"tick to bytes, {name}", float(np.median(told)), "ms", 1, f"{told.max():.1f} at worst"
            )
