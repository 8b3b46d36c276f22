"""`quadleg report`: one recording as a page that a person reads, and the same pictures as files beside it."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from quadleg.errors import NoPlace
from quadleg.recording.damage import skipped
from quadleg.recording.events import Event, Weight
from quadleg.recording.panels import PNG_DPI, Picture
from quadleg.recording.report_page import Section, beside, box, page, paragraph, paragraphs, picture, table
from quadleg.recording.report_pictures import pictures
from quadleg.recording.statistics import Figure, figures
from quadleg.recording.story import Story
from quadleg.robot.model import MEASURED, MODELLED, Robot

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
    """What was written: the page, the pictures beside it, and sentences for whoever asked."""

    page: Path
    pictures: tuple[Path, ...]
    sentences: tuple[str, ...]


def write_report(recording: Path, folder: Path, robot: Robot | None = None) -> Report:
    """Read a recording and write its report into a folder, which is made where it is missing.

    The robot is the one in the recording unless another is given. Raises BadRecording where there is nothing to report,
    NoPlace where it cannot be written.
    """
    prepare(folder)
    story = Story(recording, robot)
    drawn = pictures(story)
    images = [picture_file(each) for each in drawn]
    numbers = figures(story)
    said = sentences(story, numbers)
    made = write(folder, PAGE, report_page(story, numbers, said, drawn, images), drawn, images)
    return Report(folder / PAGE, made, tuple(said))


def prepare(folder: Path) -> None:
    """Make a folder where it is missing. Raises NoPlace."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise NoPlace(f"{folder} cannot be made: {error.strerror or error}") from None


def write(folder: Path, name: str, html: str, drawn: Sequence[Picture], images: Sequence[bytes]) -> tuple[Path, ...]:
    """The page and its pictures as files; the pictures' paths. Raises NoPlace."""
    made = tuple(folder / f"{each.name}.png" for each in drawn)
    try:
        for path, image in zip(made, images):
            path.write_bytes(image)
        (folder / name).write_text(html, encoding="utf-8")
    except OSError as error:
        raise NoPlace(f"{folder} cannot be written: {error.strerror or error}") from None
    return made


def picture_file(each: Picture) -> bytes:
    """The picture as a PNG file's bytes."""
    stream = BytesIO()
    each.draw().savefig(stream, format="png", dpi=PNG_DPI)
    return stream.getvalue()


# In words


def sentences(story: Story, numbers: Sequence[Figure]) -> list[str]:
    """The recording in a few sentences: what it is, what happened, what is missing; what went wrong stands first."""
    wrong, told = _wrong(story), [_what(story), _did(story, numbers)]
    failed = any(event.weight >= Weight.TROUBLE for event in story.events)
    said = [*([wrong, *told] if failed else [*told, wrong]), *damage(story), *story.notes]
    if story.missing:
        topics = ", ".join(topic for topic, _ in story.missing)
        said.append(f"not recorded: {topics}; the last section says what that hides")
    return [_sentence(words) for words in said if words]


def _sentence(words: str) -> str:
    return words[0].upper() + words[1:] + ("" if words.endswith("?") else ".")


def when(story: Story) -> str:
    """When it was recorded."""
    return time.strftime("%Y-%m-%d %H:%M:%S UTC", time.gmtime(story.begin))


def _what(story: Story) -> str:
    whose = story.robot.name.replace("_", " ") if story.robot else "a robot that the recording does not describe"
    span = _span(story.end - story.start)
    return f"{whose}, recorded for {span} from {when(story)}; {_ANGLES[story.angles_are]}"


def _did(story: Story, numbers: Sequence[Figure]) -> str:
    known = {figure.name: figure for figure in numbers}
    parts = []
    if "following what was asked" in known:
        parts.append(f"it followed what was asked for {_span(known['following what was asked'].value)}")
    gaits = list(dict.fromkeys(stretch.gait for stretch in story.stretches))
    how = {"walked, truly": "", "walked, by the estimate": " by the estimate", "walked, by the plan": " by the plan"}
    walked = next((name for name in how if name in known), None)
    if gaits and walked:
        named = " and ".join(filter(None, gaits))
        parts.append(f"walked {known[walked].value:.2f} m{how[walked]}{f' ({named})' if named else ''}")
    if story.states:
        last = story.states[-1]
        parts.append(f"in the end its state was {last.state}: {last.why}")
    return ", ".join(parts)


def _wrong(story: Story) -> str:
    if not story.states:
        return ""
    bad = [(number, event) for number, event in enumerate(story.events, 1) if event.weight >= Weight.TROUBLE]
    if not bad:
        return "nothing stopped it: no hold, no fault"
    worst = max(event.weight for _, event in bad)
    shown = [(number, event) for number, event in bad if event.weight is worst][:_TOLD]
    told = "; ".join(f"at {_clock(event.start)} {event.explanation.what} (event {number})" for number, event in shown)
    more = len(bad) - len(shown)
    return f"{told}{f'; {more} more stand in the table of events' if more else ''}"


def damage(story: Story) -> list[str]:
    """What is wrong with the recording itself."""
    said: list[str] = []
    recording = story.recording
    if recording.cut:
        said.append(f"the file was cut at {_span(story.end - story.start)}, as by a loss of power: all before is shown")
    said += skipped(recording, story.signals)
    if missed := story.counted("recorder", "missed"):
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
    story: Story,
    numbers: Sequence[Figure],
    said: Sequence[str],
    drawn: Sequence[Picture],
    images: Sequence[bytes],
) -> str:
    """The whole page."""
    sections = [Section("figures", "In figures", _figures(numbers))]
    for each, image in zip(drawn, images):
        html = paragraph(each.about) + picture(image, f"{each.heading}. {each.about}")
        if each.name == "time_line":
            html += _events(story.events)
        sections.append(Section(each.name, each.heading, html))
    if story.complaints:
        sections.append(_complaints(story))
    sections.append(_missing(story))
    title = f"{story.name}: report of a recording"
    about = f"{story.path.name}, {when(story)}. Times count from the beginning of the recording."
    return page(title, about, paragraphs(said), sections)


def _figures(numbers: Sequence[Figure]) -> str:
    groups: dict[str, list[Figure]] = {}
    for figure in numbers:
        groups.setdefault(figure.group, []).append(figure)
    return beside(table((name, ""), ((each.name, str(each)) for each in own)) for name, own in groups.items())


def _events(events: Sequence[Event]) -> str:
    if not events:
        return ""
    shown = list(enumerate(events, 1))
    rest = ""
    if len(shown) > _MOST_EVENTS:
        for least in Weight:
            kept = [pair for pair in shown if pair[1].weight >= least]
            if len(kept) <= _MOST_EVENTS:
                break
        kept = kept[:_MOST_EVENTS]
        rest = paragraph(f"{len(shown)} events in all; the {len(kept)} that matter most are told here.")
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
    return rest + table(head, rows, numbers=(0, 1, 2), kinds=kinds, wordy=True)


def _complaints(story: Story) -> Section:
    rows = [
        (c.node, _SAID.get(c.level, "error"), c.message, f"{c.count}", f"{_clock(c.first)} to {_clock(c.last)}")
        for c in story.complaints
    ]
    about = paragraph("What the nodes said of themselves once a second and at each change, where it was not all well.")
    head = ("node", "", "message", "times", "when")
    return Section("nodes", "What the nodes complained of", about + table(head, rows, numbers=(3, 4)))


def _missing(story: Story) -> Section:
    rows = [(f"`{topic}`", hidden) for topic, hidden in story.missing]
    html = box(map(_sentence, (*damage(story), *story.notes)))
    if rows:
        html += paragraph("These topics are not in the recording, and so this report cannot show:")
        html += table(("topic", "what it would show"), rows)
    else:
        html += paragraph("Nothing: all topics that a report uses are in the recording.")
    return Section("missing", "What is missing", html)
