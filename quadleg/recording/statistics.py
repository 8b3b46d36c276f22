"""A recording in figures: the same ones for a report and, side by side, for a comparison of two."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import degrees, isfinite
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quadleg.recording.events import POWERED
from quadleg.recording.story import Story
from quadleg.robot.model import JOINT_NAMES, MODELLED

Array = NDArray[Any]

TIME, BODY, JOINTS, SUPPLY, FRAMES = "time", "body and way", "joints", "supply", "frames and timing"
BAND = 3.0  # standard deviations


@dataclass(frozen=True)
class Figure:
    """One figure of a recording: the `group` it is told in, its name, value, unit, digits after the point, a note."""

    group: str
    name: str
    value: float
    unit: str
    digits: int
    note: str = ""

    def __str__(self) -> str:
        return f"{number(self.value, self.digits)}{space(self.unit)}{self.unit}{f' ({self.note})' if self.note else ''}"


@dataclass(frozen=True)
class Tracking:
    """How far the twelve joints were from what was last commanded, in rad: `rms` and `most` (12,), the time of each
    joint's largest error in s (12,)."""

    rms: Array
    most: Array
    times: Array

    @property
    def worst(self) -> int:
        return int(np.nanargmax(self.most))


def number(value: float, digits: int) -> str:
    """In figures, with the minus of print, without a negative zero."""
    return f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")


def space(unit: str) -> str:
    return "" if unit in ("", "°") else " "


def words(joint: str) -> str:
    """The name of a joint or leg as it is said."""
    return joint.replace("_", " ")


def tracking(story: Story) -> Tracking | None:
    """The tracking error by joint, None where no command was recorded."""
    errors = story.tracking
    if errors is None or np.isnan(errors).all():
        return None
    known = ~np.isnan(errors).all(axis=0)
    rms, most, times = (np.full(len(JOINT_NAMES), np.nan) for _ in range(3))
    rms[known] = np.sqrt(np.nanmean(np.square(errors[:, known], dtype=float), axis=0))
    at = np.nanargmax(np.abs(errors[:, known]), axis=0)
    most[known] = np.abs(errors[at, np.flatnonzero(known)])
    times[known] = story.joints.times[at]
    return Tracking(rms, most, times)


def torque_shares(story: Story) -> Array | None:
    """(n, 12): the joints' torques as shares of what their servos stall at, at the robot's supply."""
    if story.torques is None or story.robot is None:
        return None
    stall = np.array([story.robot.stall_torque(joint) for joint in story.robot.joints], np.float32)
    return np.abs(story.torques) / stall


def drawn(story: Story) -> Array | None:
    """(n,) in A that the servos drew: by the message's definition a current that is drawn is negative."""
    supply = story.signals.get("supply")
    if supply is None or np.isnan(supply["current"]).all():
        return None
    return -supply["current"]


def voltages(story: Story) -> Array | None:
    """(n,) in V of the servos' supply."""
    supply = story.signals.get("supply")
    if supply is None or np.isnan(supply["voltage"]).all():
        return None
    return supply["voltage"]


def intervals(story: Story) -> Array:
    """(n - 1,) in s between the joint_states as they were recorded."""
    return np.diff(story.joints.times)


def way_length(story: Story, topic: str) -> float | None:
    """How far it walked in m by `odom` or `truth/odom`: along the evened way, while it walked by the plan."""
    way = story.way(topic)
    if way is None:
        return None
    times, places = way
    walks = story.walking(times) if story.stretches else story.active(times)
    steps = np.hypot(*np.diff(places, axis=0).T)
    return float(steps[walks[1:] & walks[:-1]].sum())


def planned_length(story: Story) -> float | None:
    """The same by the plan: its speed over time."""
    speed = story.speed("planned_feet")
    if speed is None:
        return None
    times, twist = speed
    return float((np.hypot(twist[:-1, 0], twist[:-1, 1]) * np.diff(times) * story.active(times)[:-1]).sum())


def figures(story: Story) -> list[Figure]:
    """All figures that the recording allows."""
    return [figure for figure in _all(story) if isfinite(figure.value)]


def _all(story: Story) -> Iterator[Figure]:
    yield Figure(TIME, "recorded for", story.end - story.start, "s", 1)
    if story.states:
        for name, names in (("following what was asked", ("active",)), ("with power", POWERED)):
            lasted = (spell.end - spell.start for spell in story.states if spell.state in names)
            yield Figure(TIME, name, sum(lasted), "s", 1)
        for name, state in (("holds", "hold"), ("faults", "fault")):
            yield Figure(TIME, name, sum(spell.state == state for spell in story.states), "", 0)
    yield from _way(story)
    yield from _joints(story)
    yield from _electric(story)
    yield from _frames(story)


def _way(story: Story) -> Iterator[Figure]:
    for name, length in (
        ("walked, by the plan", planned_length(story)),
        ("walked, by the estimate", way_length(story, "odom")),
        ("walked, truly", way_length(story, "truth/odom")),
    ):
        if length is not None:
            yield Figure(BODY, name, length, "m", 3)
    source = next((t for t in ("truth/odom", "odom", "imu/data") if story.signals.get(t)), None)
    if source:
        roll, pitch, _ = np.asarray(story.attitude(source)).T
        tilt = np.arccos(np.clip(np.cos(roll) * np.cos(pitch), -1.0, 1.0))
        tilt = tilt[story.powered(story.signals.signals[source].times)]
        if len(tilt):
            said = {"truth/odom": "true", "odom": "estimated", "imu/data": "by the IMU"}[source]
            yield Figure(BODY, "largest tilt of the body", degrees(float(np.nanmax(tilt))), "°", 1, said)
    estimate = story.estimate
    if estimate is not None and estimate.errors is not None:
        known = ~np.isnan(estimate.errors[:, 0])
        if not known.any():
            return
        errors = estimate.errors[known]
        yield Figure(BODY, "estimate off the truth at the end", 1000 * float(np.hypot(*errors[-1, :2])), "mm", 1)
        yield Figure(BODY, "its heading off at the end", degrees(abs(float(errors[-1, 5]))), "°", 1)
        within = np.abs(errors[:, :2]) <= BAND * estimate.deviations[known, :2]
        yield Figure(BODY, f"its place within {BAND:g}σ", 100 * float(within.all(axis=1).mean()), "% of the time", 0)


def _joints(story: Story) -> Iterator[Figure]:
    found = tracking(story)
    if found is not None:
        worst = found.worst
        note = f"{words(JOINT_NAMES[worst])}, at {found.times[worst]:.1f} s{_of_model(story.angles_are)}"
        yield Figure(JOINTS, "largest tracking error", degrees(found.most[worst]), "°", 1, note)
        all_joints = float(np.sqrt(np.nanmean(np.square(found.rms))))
        yield Figure(
            JOINTS, "tracking error, rms", degrees(all_joints), "°", 2, f"all joints{_of_model(story.angles_are)}"
        )
    _, jumps = story.said("servo_output", "power_up_movement_deg")
    if len(jumps):
        yield Figure(JOINTS, "moved by the first pulses", float(jumps.max()), "°", 1)
    yield from _heat(story)
    shares = torque_shares(story)
    if shares is not None:
        tick, joint = np.unravel_index(np.nanargmax(shares), shares.shape)
        note = f"{words(JOINT_NAMES[joint])}, at {story.joints.times[tick]:.1f} s"
        yield Figure(JOINTS, "largest torque", 100 * float(shares[tick, joint]), "% of stall", 0, note)


def _heat(story: Story) -> Iterator[Figure]:
    if story.temperatures is None:
        return
    times, values = story.temperatures
    tick, joint = np.unravel_index(np.argmax(values), values.shape)
    note = f"{words(JOINT_NAMES[joint])}, at {times[tick]:.1f} s, estimated, unverified"
    yield Figure(JOINTS, "hottest servo", float(values[tick, joint]), "°C", 0, note)


def _electric(story: Story) -> Iterator[Figure]:
    supply, current, volts = story.signals.get("supply"), drawn(story), voltages(story)
    if supply is None:
        return
    on = story.powered(supply.times)
    modelled = _of_model(story.supply_is)
    if current is not None and on.any():
        yield Figure(
            SUPPLY,
            "mean current with power",
            float(np.nanmean(current[on], dtype=float)),
            "A",
            2,
            modelled.lstrip(", "),
        )
    if current is not None:
        rated = f"rated {story.robot.supply.rated_current:g} A{modelled}" if story.robot else ""
        yield Figure(SUPPLY, "largest current", float(np.nanmax(current)), "A", 2, rated)
    if volts is not None:
        low = f"low is {story.robot.supply.low_voltage:.2f} V" if story.robot else ""
        yield Figure(SUPPLY, "least voltage", float(np.nanmin(volts)), "V", 2, low)


def _of_model(kind: str) -> str:
    return ", modelled" if kind == MODELLED else ""


def _frames(story: Story) -> Iterator[Figure]:
    for name, key in (("followed", "sent"), ("slowed to the servos", "slowed"), ("dropped", "dropped")):
        count = story.counted("joint_watchdog", f"frames_{key}")
        if count is not None:
            yield Figure(FRAMES, f"frames {name}", count, "", 0)
    between = intervals(story)
    if len(between):
        if np.median(between) > 0:
            yield Figure(FRAMES, "joint states", 1 / float(np.median(between)), "a second", 1)
        p1, p99 = np.percentile(between, [50, 99])
        yield Figure(FRAMES, "between them, median", 1000 * float(p1), "ms", 1)
        yield Figure(FRAMES, "between them, 99th percentile", 1000 * float(p99), "ms", 1)
        yield Figure(FRAMES, "between them, at most", 1000 * float(between.max()), "ms", 1)
    for name, key in (("median", "p50"), ("99th percentile", "p99")):
        _, told = story.said("servo_output", f"tick_to_bytes_{key}_ms")
        if len(told):
            yield Figure(
                FRAMES, f"tick to bytes, {name}", float(np.median(told)), "ms", 1, f"{told.max():.1f} at worst"
            )
