"""`quadleg compare`: two recordings on one page, laid over each other from the same event on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from quadleg.analysis.events import StateInterval
from quadleg.analysis.recording_analysis import RecordingAnalysis, evened
from quadleg.analysis.recording_figures import RecordingFigure as Number
from quadleg.analysis.recording_figures import (
    drawn,
    figures,
    number,
    tracking,
    voltages,
    words,
)
from quadleg.plotting.course_plots import ESTIMATE
from quadleg.plotting.panels import (
    LEFT,
    RIGHT,
    PanelSheet,
    Picture,
    at_least,
    report_style,
)
from quadleg.plotting.sheet import INK, quiet_frame
from quadleg.report.report import (
    Report,
    damage,
    picture_file,
    picture_section,
    prepare,
    when,
    write,
)
from quadleg.report.report_page import PageTable, Paragraph, Section, page
from quadleg.report.report_walk_plots import fit, longest_stride
from quadleg.robot.model import (
    JOINT_NAMES,
    JOINTS,
    LEGS,
    RobotModel,
)

Array = NDArray[Any]
Curve = tuple[Array, Array]

PAGE = "comparison.html"
_MOVED = np.radians(1.0)  # of any joint: from then on it moves
_COLOURS: tuple[dict[str, Any], ...] = (
    {"color": INK, "linewidth": 2.2, "zorder": 2},
    {"color": ESTIMATE, "linewidth": 1.2, "zorder": 3},
)
_LONGEST = 10  # characters of a name that have room beside a panel
_SOURCES = {"truth/odom": "true", "odom": "estimated", "planned_feet": "planned"}


@dataclass(frozen=True)
class Side:
    """One of the two: its name, its recording, and the time in s at which the common event was."""

    name: str
    story: RecordingAnalysis
    zero: float

    @property
    def spells(self) -> list[StateInterval]:
        """The watchdog's states, in times since the event."""
        return [replace(s, start=s.start - self.zero, end=s.end - self.zero) for s in self.story.states]


def write_comparison(a: Path, b: Path, folder: Path, robot: RobotModel | None = None) -> Report:
    """Read two recordings and write a page that shows them over each other, with their figures side by side.

    Raises RecordingError where one has nothing to show, OutputPathError where the page cannot be written.
    """
    prepare(folder)
    stories = RecordingAnalysis(a, robot), RecordingAnalysis(b, robot)
    event, zeros = common_event(*stories)
    names = (a.stem, b.stem) if a.stem != b.stem else (f"{a.parent.name}/{a.stem}", f"{b.parent.name}/{b.stem}")
    sides = [Side(name, story, zero) for name, story, zero in zip(names, stories, zeros)]
    drawn_ones = _pictures(sides, event)
    images = [picture_file(each) for each in drawn_ones]
    sentences = _sentences(sides, event)
    sections = [Section("figures", "In figures", [Paragraph(_ABOUT_TABLE), _table(sides)])]
    for each, image in zip(drawn_ones, images):
        after = _tracking_table(sides) if each.name == "compared_effort" else []
        sections.append(picture_section(each, image, after))
    html = page(
        f"{names[0]} and {names[1]} compared",
        f"Times are seconds since {event} in each of the two.",
        sentences,
        sections,
    )
    made = write(folder, PAGE, html, drawn_ones, images)
    return Report(folder / PAGE, made, tuple(sentences))


_ABOUT_TABLE = "The difference is the second less the first. What only one of the two has is left out of it."


def common_event(a: RecordingAnalysis, b: RecordingAnalysis) -> tuple[str, tuple[float, float]]:
    """What both have in common to count time from, in words, and its time in s in each."""
    ways: Sequence[tuple[str, Callable[[RecordingAnalysis], float | None]]] = (
        ("it was enabled", lambda story: _first(story, "rising")),
        ("it began to follow what was asked", lambda story: _first(story, "active")),
        ("a joint first moved", _moved),
    )
    for event, find in ways:
        first, second = find(a), find(b)
        if first is not None and second is not None:
            return event, (first, second)
    return "the beginning", (a.start, b.start)


def _first(story: RecordingAnalysis, state: str) -> float | None:
    return next((spell.start for spell in story.states if spell.state == state), None)


def _moved(story: RecordingAnalysis) -> float | None:
    angles = story.joints["position"]
    far = np.flatnonzero((np.abs(angles - angles[0]) > _MOVED).any(axis=1))
    return float(story.joints.times[far[0]]) if len(far) else None


def _sentences(sides: Sequence[Side], event: str) -> list[str]:
    said = []
    for side in sides:
        story = side.story
        kind = story.angles_are or "of unknown origin"
        what = f"{story.name}, recorded {when(story)}, joint angles {kind}"
        said.append(f"{side.name}: {what}; {event} at {side.zero:.1f} s of it")
        said += [f"{side.name}: {sentence}" for sentence in (*damage(story), *story.notes)]
        if story.missing:
            said.append(f"{side.name} lacks {', '.join(topic for topic, _ in story.missing)}")
    names = [side.story.robot.name for side in sides if side.story.robot]
    if len(set(names)) > 1:
        said.append(f"these are two robots, {names[0]} and {names[1]}: their joint angles and torques do not compare")
    return [f"{sentence}." for sentence in said]


def _table(sides: Sequence[Side]) -> PageTable:
    found: list[dict[str, Number]] = [{each.name: each for each in figures(side.story)} for side in sides]
    names = list(dict.fromkeys([*found[0], *found[1]]))
    rows = []
    for name in names:
        first, second = (own.get(name) for own in found)
        known = first or second
        assert known
        difference = ""
        if first and second:
            change = round(second.value, known.digits) - round(first.value, known.digits)
            sign = "+" if round(change, known.digits) > 0 else ""
            difference = f"{sign}{number(change, known.digits)}"
        values = (number(each.value, each.digits) if each else "–" for each in (first, second))
        rows.append((name, known.unit, *values, difference))
    return PageTable(("", "unit", *(side.name for side in sides), "difference"), rows, numbers=(2, 3, 4))


def _tracking_table(sides: Sequence[Side]) -> list[PageTable]:
    """Each joint's tracking error in both; none where one of the two has no commands."""
    found = [each for each in (tracking(side.story) for side in sides) if each]
    if len(found) < len(sides):
        return []
    errors = np.degrees([part for each in found for part in (each.rms, each.most)])
    rows = [(words(joint), *(number(error, 2) for error in own)) for joint, own in zip(JOINT_NAMES, errors.T.tolist())]
    head = [f"{side.name}, {kind} (°)" for side in sides for kind in ("rms", "most")]
    return [PageTable(("tracking error", *head), rows, numbers=(1, 2, 3, 4))]


# Pictures


def _pictures(sides: Sequence[Side], event: str) -> list[Picture]:
    since = f"Time counts from when {event}." if event != "the beginning" else "Time counts from the beginning of each."
    found = []

    def add(name: str, heading: str, about: str, panels: list[_Panel]) -> None:
        if panels:
            found.append(Picture(name, heading, f"{about} {since}", lambda: _figure(sides, panels)))

    source = _common(sides, ("truth/odom", "odom"))
    if source:
        add(
            "compared_pose", "Height and lean", f"The body's height and lean, {_SOURCES[source]}.", _pose(sides, source)
        )
    source = _common(sides, ("truth/odom", "odom", "planned_feet"))
    if source:
        about = f"The body's speed, {_SOURCES[source]}, as a mean over a stride."
        add("compared_speed", "Speed", about, _speed(sides, source))
    if all(side.story.estimate for side in sides):
        about = "The way of the body over the ground, each seen from where it first stood."
        found.append(Picture("compared_path", "Path from above", about, lambda: _path(sides)))
    about = "Each joint's angle."
    found.append(Picture("compared_joints", "Joint angles", f"{about} {since}", lambda: _joints(sides)))
    add(
        "compared_effort",
        "Tracking error, current and voltage",
        "How far the farthest of twelve joints was from its command, and what the servos drew.",
        _effort(sides),
    )
    return found


@dataclass(frozen=True)
class _Panel:
    """One panel over time: its name, unit, a curve for each of the two, and the least that its y axis spans."""

    name: str
    unit: str
    curves: list[Curve]
    span: float


def _common(sides: Sequence[Side], topics: Sequence[str]) -> str | None:
    """The first topic that both have."""
    return next((t for t in topics if all(t in side.story.signals.signals for side in sides)), None)


def _pose(sides: Sequence[Side], topic: str) -> list[_Panel]:
    signals = [side.story.signals.signals[topic] for side in sides]
    heights = [(signal.times, 1000 * signal["position"][:, 2]) for signal in signals]
    leans = [np.degrees(np.asarray(side.story.attitude(topic))) for side in sides]
    panels = [_Panel("height", "mm", heights, 10.0)]
    for k, name in enumerate(("roll", "pitch")):
        panels.append(_Panel(name, "°", [(s.times, lean[:, k]) for s, lean in zip(signals, leans)], 2.0))
    return panels


def _speed(sides: Sequence[Side], topic: str) -> list[_Panel]:
    curves = []
    for side in sides:
        found = side.story.speed(topic)
        if found is None:
            return []
        times, values = found
        curves.append((times, values if topic == "planned_feet" else evened(times, values, longest_stride(side.story))))
    parts = (
        ("ahead", "mm/s", 1000.0),
        ("to the left", "mm/s", 1000.0),
        ("turning left", "°/s", float(np.degrees(1.0))),
    )
    return [
        _Panel(name, unit, [(times, factor * values[:, k]) for times, values in curves], 5.0 if unit == "°/s" else 20.0)
        for k, (name, unit, factor) in enumerate(parts)
    ]


def _effort(sides: Sequence[Side]) -> list[_Panel]:
    stories = [side.story for side in sides]
    panels = []
    if all(tracking(story) for story in stories):
        panels.append(_Panel("tracking error", "°", [_worst(story) for story in stories], 2.0))
    for name, unit, values in (("current", "A", drawn), ("voltage", "V", voltages)):
        found = [values(story) for story in stories]
        if all(each is not None for each in found):
            times = [story.signals.signals["supply"].times for story in stories]
            panels.append(_Panel(name, unit, [(t, v) for t, v in zip(times, found) if v is not None], 1.0))
    return panels


def _worst(story: RecordingAnalysis) -> Curve:
    return story.joints.times, np.degrees(story.worst_tracking)


def _span(sides: Sequence[Side]) -> tuple[float, float]:
    """From the first to the last moment of both, in s since the event."""
    return (
        min(side.story.start - side.zero for side in sides),
        max(side.story.end - side.zero for side in sides),
    )


def _board(sides: Sequence[Side], height: int) -> PanelSheet:
    board, keys = PanelSheet(height, *_span(sides)), []
    for side, style in zip(sides, _COLOURS):
        keys.append(Line2D([], [], label=side.name, color=style["color"], linewidth=style["linewidth"]))
    board.key(keys)
    return board


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST else f"{name[: _LONGEST - 1]}…"


def _figure(sides: Sequence[Side], panels: Sequence[_Panel]) -> Figure:
    with report_style():
        row, height, top = 320, 230, 220
        board = _board(sides, top + row * len(panels) + 40)
        width = RIGHT - LEFT
        for k, side in enumerate(sides):
            if side.story.states:
                board.write(LEFT - 12, 94 + 44 * k, _short(side.name), ha="right")
                board.strip(LEFT, 66 + 44 * k, width, 34, side.spells, f"states {k}")
        for k, panel in enumerate(panels):
            board.headed(LEFT, top + row * k - 14, panel.name)
            axes = board.over_time(panel.name, LEFT, top + row * k, width, height, panel.unit, k == len(panels) - 1)
            for side, (times, values), style in zip(sides, panel.curves, _COLOURS):
                board.line(axes, times - side.zero, values, label=side.name, **style)
            at_least(axes, panel.span)
        return board.figure


def _path(sides: Sequence[Side]) -> Figure:
    """The true ways, or the estimated ones where one of the two has no truth."""
    estimates = [side.story.estimate for side in sides]
    ways = [each.true[:, :2] for each in estimates if each and each.true is not None]
    true = len(ways) == len(sides)
    if not true:
        ways = [each.found[:, :2] for each in estimates if each]
    with report_style():
        height = 620
        board = _board(sides, height + 220)
        board.headed(LEFT, 66, "from above", "by the truth" if true else "by the estimate")
        axes = board.axes("above", LEFT, 84, RIGHT - LEFT, height)
        quiet_frame(axes)
        for side, way, style in zip(sides, ways, _COLOURS):
            axes.plot(*way.T, label=side.name, **style)
        axes.plot(0.0, 0.0, "o", color=INK, markersize=7, zorder=6)
        fit(axes, np.concatenate(ways), (RIGHT - LEFT) / height)
        axes.set(xlabel="ahead of the beginning, x (m)", ylabel="to the left, y (m)")
        return board.figure


def _joints(sides: Sequence[Side]) -> Figure:
    with report_style():
        row, height, gap, top = 300, 200, 130, 120
        width = (RIGHT - LEFT + 60 - 2 * gap) / 3
        board = _board(sides, top + 4 * row + 40)
        for column, joint in enumerate(JOINTS):
            left = LEFT - 60 + column * (width + gap)
            for place, leg in enumerate(LEGS):
                unit = "°" if column == 0 else ""
                board.headed(left, top + row * place - 14, f"{words(leg)} {joint}")
                axes = board.over_time(f"{leg}_{joint}", left, top + row * place, width, height, unit, place == 3)
                for side, style in zip(sides, _COLOURS):
                    joints = side.story.joints
                    angles = np.degrees(joints["position"][:, 3 * place + column])
                    board.line(axes, joints.times - side.zero, angles, label=side.name, **style)
                at_least(axes, 5.0)
        return board.figure
