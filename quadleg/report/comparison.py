"""`quadleg compare`: two recordings on one page, laid over each other from the same event on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.analysis.recording_metrics import RecordingMetric, metrics, number, words
from quadleg.report.comparison_plots import ComparedRecording, compared_pictures
from quadleg.report.report import Report, damage, picture_section, prepare, when, write
from quadleg.report.report_page import PageTable, Paragraph, Section, page
from quadleg.robot.model import JOINT_NAMES, RobotModel

PAGE = "comparison.html"
_MOVED = np.radians(1.0)  # of any joint: from then on it moves


def write_comparison(a: Path, b: Path, folder: Path, robot: RobotModel | None = None) -> Report:
    """Read two recordings and write a page that shows them over each other, with their figures side by side.

    Raises RecordingError where one has nothing to show, OutputPathError where the page cannot be written.
    """
    prepare(folder)
    analyses = RecordingAnalysis(a, robot), RecordingAnalysis(b, robot)
    event, zeros = common_event(*analyses)
    names = (a.stem, b.stem) if a.stem != b.stem else (f"{a.parent.name}/{a.stem}", f"{b.parent.name}/{b.stem}")
    sides = [ComparedRecording(name, analysis, zero) for name, analysis, zero in zip(names, analyses, zeros)]
    drawn = compared_pictures(sides, event)
    images = [each.png() for each in drawn]
    sentences = _sentences(sides, event)
    sections = [Section("figures", "In figures", [Paragraph(_ABOUT_TABLE), _table(sides)])]
    for each, image in zip(drawn, images):
        after = _tracking_table(sides) if each.name == "compared_effort" else []
        sections.append(picture_section(each, image, after))
    html = page(
        f"{names[0]} and {names[1]} compared",
        f"Times are seconds since {event} in each of the two.",
        sentences,
        sections,
    )
    made = write(folder, PAGE, html, drawn, images)
    return Report(folder / PAGE, made, tuple(sentences))


_ABOUT_TABLE = "The difference is the second less the first. What only one of the two has is left out of it."


def common_event(a: RecordingAnalysis, b: RecordingAnalysis) -> tuple[str, tuple[float, float]]:
    """Return the event from which both count time, in words, and its time in s in each."""
    ways: Sequence[tuple[str, Callable[[RecordingAnalysis], float | None]]] = (
        ("it was enabled", lambda analysis: _first(analysis, "rising")),
        ("it began to follow what was asked", lambda analysis: _first(analysis, "active")),
        ("a joint first moved", _moved),
    )
    for event, find in ways:
        first, second = find(a), find(b)
        if first is not None and second is not None:
            return event, (first, second)
    return "the beginning", (a.start, b.start)


def _first(analysis: RecordingAnalysis, state: str) -> float | None:
    return next((interval.start for interval in analysis.states.watchdog if interval.state == state), None)


def _moved(analysis: RecordingAnalysis) -> float | None:
    angles = analysis.joints.angles
    far = np.flatnonzero((np.abs(angles - angles[0]) > _MOVED).any(axis=1))
    return float(analysis.joints.times[far[0]]) if len(far) else None


def _sentences(sides: Sequence[ComparedRecording], event: str) -> list[str]:
    said = []
    for side in sides:
        analysis = side.analysis
        kind = analysis.angle_source or "of unknown origin"
        what = f"{analysis.name}, recorded {when(analysis)}, joint angles {kind}"
        said.append(f"{side.name}: {what}; {event} at {side.zero:.1f} s of it")
        said += [f"{side.name}: {sentence}" for sentence in (*damage(analysis), *analysis.notes)]
        if analysis.missing:
            said.append(f"{side.name} lacks {', '.join(topic for topic, _ in analysis.missing)}")
    names = [side.analysis.robot.name for side in sides if side.analysis.robot]
    if len(set(names)) > 1:
        said.append(f"these are two robots, {names[0]} and {names[1]}: their joint angles and torques do not compare")
    return [f"{sentence}." for sentence in said]


def _table(sides: Sequence[ComparedRecording]) -> PageTable:
    found: list[dict[str, RecordingMetric]] = [{each.name: each for each in metrics(side.analysis)} for side in sides]
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


def _tracking_table(sides: Sequence[ComparedRecording]) -> list[PageTable]:
    """Return each joint's tracking error in both; empty if one of the two has no commands."""
    found = [each for each in (side.analysis.joints.tracking for side in sides) if each]
    if len(found) < len(sides):
        return []
    errors = np.degrees([part for each in found for part in (each.rms, each.most)])
    rows = [(words(joint), *(number(error, 2) for error in own)) for joint, own in zip(JOINT_NAMES, errors.T.tolist())]
    head = [f"{side.name}, {kind} (°)" for side in sides for kind in ("rms", "most")]
    return [PageTable(("tracking error", *head), rows, numbers=(1, 2, 3, 4))]
