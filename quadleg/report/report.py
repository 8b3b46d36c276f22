"""`quadleg report`: one recording as a page that a person reads, and the same pictures as files beside it."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from quadleg.analysis.events import Event
from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.analysis.recording_metrics import RecordingMetric, metrics
from quadleg.errors import OutputPathError
from quadleg.recording.signals import skipped
from quadleg.report.report_page import Block, Box, PageImage, PageTable, Paragraph, Section, TableColumns, page
from quadleg.report.report_pictures import ReportPicture, pictures
from quadleg.robot.model import MEASURED, MODELLED, RobotModel
from quadleg.safety.explanation import Weight

PAGE = "report.html"
_TOLD = 2  # of the worst events, in the first sentences
_MOST_STEPS = 5  # of the clock that are told one by one
_MOST_EVENTS = 300  # that are told one by one
_KINDS = {Weight.TROUBLE: "trouble", Weight.FAULT: "fault"}
_ANGLES = {
    MEASURED: "joint angles are measured: what the joints really did",
    MODELLED: "joint angles are modelled from the commands: nothing measured them",
    "": "the recording does not say whether joint angles are measured or modelled",
}
_SAID = {0: "well", 1: "warning", 2: "error"}


@dataclass(frozen=True)
class Report:
    """What was written: the page, the pictures beside it, and sentences for the terminal."""

    page: Path
    pictures: tuple[Path, ...]
    sentences: tuple[str, ...]


def write_report(recording: Path, folder: Path, robot: RobotModel | None = None) -> Report:
    """Read a recording and write its report into a folder, which is made where it is missing.

    The robot is the one in the recording unless another is given. Raises RecordingError where there is nothing to
    report, OutputPathError where it cannot be written.
    """
    prepare(folder)
    analysis = RecordingAnalysis(recording, robot)
    drawn = pictures(analysis)
    images = [each.png() for each in drawn]
    numbers = metrics(analysis)
    said = sentences(analysis, numbers)
    made = write(folder, PAGE, report_page(analysis, numbers, said, drawn, images), drawn, images)
    return Report(folder / PAGE, made, tuple(said))


def prepare(folder: Path) -> None:
    """Make a folder unless it exists. Raises OutputPathError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputPathError(f"{folder} cannot be made: {error.strerror or error}") from None


def write(
    folder: Path, name: str, html: str, drawn: Sequence[ReportPicture], images: Sequence[bytes]
) -> tuple[Path, ...]:
    """Write the page and its pictures; return the pictures' paths. Raises OutputPathError."""
    made = tuple(folder / f"{each.name}.png" for each in drawn)
    try:
        for path, image in zip(made, images):
            path.write_bytes(image)
        (folder / name).write_text(html, encoding="utf-8")
    except OSError as error:
        raise OutputPathError(f"{folder} cannot be written: {error.strerror or error}") from None
    return made


# In words


def sentences(analysis: RecordingAnalysis, numbers: Sequence[RecordingMetric]) -> list[str]:
    """The recording in a few sentences: what it is, what happened, what is missing; what went wrong stands first."""
    wrong, told = _wrong(analysis), [_what(analysis), _did(analysis, numbers)]
    failed = any(event.weight >= Weight.TROUBLE for event in analysis.events)
    said = [*([wrong, *told] if failed else [*told, wrong]), *damage(analysis), *analysis.notes]
    if analysis.missing:
        topics = ", ".join(topic for topic, _ in analysis.missing)
        said.append(f"not recorded: {topics}; the last section says what that hides")
    return [_sentence(words) for words in said if words]


def _sentence(words: str) -> str:
    return words[0].upper() + words[1:] + ("" if words.endswith("?") else ".")


def when(analysis: RecordingAnalysis) -> str:
    """When it was recorded."""
    return time.strftime("%Y-%m-%d %H:%M:%S UTC", time.gmtime(analysis.begin))


def _what(analysis: RecordingAnalysis) -> str:
    whose = analysis.robot.name.replace("_", " ") if analysis.robot else "a robot that the recording does not describe"
    span = _span(analysis.end - analysis.start)
    return f"{whose}, recorded for {span} from {when(analysis)}; {_ANGLES[analysis.angle_source]}"


def _did(analysis: RecordingAnalysis, numbers: Sequence[RecordingMetric]) -> str:
    known = {figure.name: figure for figure in numbers}
    parts = []
    if "following what was asked" in known:
        parts.append(f"it followed what was asked for {_span(known['following what was asked'].value)}")
    gaits = list(dict.fromkeys(walk.gait for walk in analysis.body.walks))
    how = {"walked, truly": "", "walked, by the estimate": " by the estimate", "walked, by the plan": " by the plan"}
    walked = next((name for name in how if name in known), None)
    if gaits and walked:
        named = " and ".join(filter(None, gaits))
        parts.append(f"walked {known[walked].value:.2f} m{how[walked]}{f' ({named})' if named else ''}")
    if analysis.states.watchdog:
        last = analysis.states.watchdog[-1]
        parts.append(f"in the end its state was {last.state}: {last.why}")
    return ", ".join(parts)


def _wrong(analysis: RecordingAnalysis) -> str:
    if not analysis.states.watchdog:
        return ""
    bad = [(number, event) for number, event in enumerate(analysis.events, 1) if event.weight >= Weight.TROUBLE]
    if not bad:
        return "nothing stopped it: no hold, no fault"
    worst = max(event.weight for _, event in bad)
    shown = [(number, event) for number, event in bad if event.weight is worst][:_TOLD]
    told = "; ".join(f"at {_clock(event.start)} {event.explanation.what} (event {number})" for number, event in shown)
    more = len(bad) - len(shown)
    return f"{told}{f'; {more} more stand in the table of events' if more else ''}"


def damage(analysis: RecordingAnalysis) -> list[str]:
    """What is wrong with the recording itself."""
    said: list[str] = []
    recording = analysis.recording
    if recording.cut:
        said.append(
            f"the file was cut at {_span(analysis.end - analysis.start)}, as by a loss of power: all before is shown"
        )
    said += skipped(recording, analysis.signals)
    if missed := analysis.counter_rise("recorder", "missed"):
        said.append(f"{missed} messages did not reach the recorder: the computer was too busy")
    for at, step in recording.clock_steps[:_MOST_STEPS]:
        way = "forward" if step > 0 else "back"
        set_by = f"at {_clock(at)} the computer's clock was set {way} by {abs(step):.1f} s"
        said.append(f"{set_by}; times here go on without that step")
    if len(recording.clock_steps) > _MOST_STEPS:
        said.append(f"it was set {len(recording.clock_steps)} times in all")
    return said


def _span(seconds: float) -> str:
    """A time in words."""
    if seconds < 100:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min {rest} s"


def _clock(seconds: float) -> str:
    """A moment of the recording."""
    return f"{seconds:.1f} s" if seconds < 600 else f"{int(seconds // 60)} min {seconds % 60:04.1f} s"


# The page


def report_page(
    analysis: RecordingAnalysis,
    numbers: Sequence[RecordingMetric],
    said: Sequence[str],
    drawn: Sequence[ReportPicture],
    images: Sequence[bytes],
) -> str:
    """The whole page."""
    sections = [Section("figures", "In figures", [_figures(numbers)])]
    for each, image in zip(drawn, images):
        after = _events(analysis.events) if each.name == "time_line" else []
        sections.append(picture_section(each, image, after))
    if analysis.complaints:
        sections.append(_complaints(analysis))
    sections.append(_missing(analysis))
    title = f"{analysis.name}: report of a recording"
    about = f"{analysis.path.name}, {when(analysis)}. Times count from the beginning of the recording."
    return page(title, about, said, sections)


def picture_section(each: ReportPicture, image: bytes, after: Sequence[Block] = ()) -> Section:
    """A picture with what it shows in words, and what stands below it."""
    alt = f"{each.heading}. {each.about}"
    return Section(each.name, each.heading, [Paragraph(each.about), PageImage(image, alt), *after])


def _figures(numbers: Sequence[RecordingMetric]) -> TableColumns:
    groups: dict[str, list[RecordingMetric]] = {}
    for figure in numbers:
        groups.setdefault(figure.group, []).append(figure)
    return TableColumns(
        [PageTable((name, ""), [(each.name, str(each)) for each in own]) for name, own in groups.items()]
    )


def _events(events: Sequence[Event]) -> list[Block]:
    if not events:
        return []
    blocks: list[Block] = []
    shown = list(enumerate(events, 1))
    if len(shown) > _MOST_EVENTS:
        for least in Weight:
            kept = [pair for pair in shown if pair[1].weight >= least]
            if len(kept) <= _MOST_EVENTS:
                break
        kept = kept[:_MOST_EVENTS]
        blocks.append(Paragraph(f"{len(shown)} events in all; the {len(kept)} that matter most are told here."))
        shown = kept
    known: dict[object, int] = {}
    rows = []
    for number, event in shown:
        explanation = event.explanation
        first = known.setdefault(explanation, number)
        if first != number:
            meaning = f"as event {first}"
        else:
            then = f" Then: {explanation.then}." if explanation.then else ""
            cure = f" What helps: {explanation.cure}." if explanation.cure else ""
            meaning = f"{explanation.what[0].upper()}{explanation.what[1:]}.{then}{cure}"
        took = event.end - event.start
        who = "" if event.source == "watchdog" else f"{event.source}: "
        rows.append((f"{number}", _clock(event.start), _span(took), f"{who}{event.state}", event.why, meaning))
    kinds = [_KINDS.get(event.weight, "") for _, event in shown]
    head = ("", "at", "for", "state", "in its own words", "what that means")
    return [*blocks, PageTable(head, rows, numbers=(0, 1, 2), kinds=kinds, wordy=True)]


def _complaints(analysis: RecordingAnalysis) -> Section:
    rows = [
        (c.node, _SAID.get(c.level, "error"), c.message, f"{c.count}", f"{_clock(c.first)} to {_clock(c.last)}")
        for c in analysis.complaints
    ]
    about = Paragraph("What the nodes said of themselves once a second and at each change, where it was not all well.")
    head = ("node", "", "message", "times", "when")
    table = PageTable(head, rows, numbers=(3, 4))
    return Section("nodes", "What the nodes complained of", [about, table])


def _missing(analysis: RecordingAnalysis) -> Section:
    blocks: list[Block] = []
    if wrong := [_sentence(words) for words in (*damage(analysis), *analysis.notes)]:
        blocks.append(Box(wrong))
    if rows := [(f"`{topic}`", hidden) for topic, hidden in analysis.missing]:
        blocks.append(Paragraph("These topics are not in the recording, and so this report cannot show:"))
        blocks.append(PageTable(("topic", "what it would show"), rows))
    else:
        blocks.append(Paragraph("Nothing: all topics that a report uses are in the recording."))
    return Section("missing", "What is missing", blocks)
