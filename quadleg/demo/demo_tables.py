"""The tables that `quadleg demo` ends with, failures first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.box import SIMPLE_HEAD
from rich.table import Table

from quadleg.analysis.course_measures import MeasuredCourse, course_figures
from quadleg.analysis.pose_run import AXES, Step, shown_axes
from quadleg.analysis.walk_measures import walk_figures
from quadleg.demo.demo_record import Act, DemoRecord
from quadleg.demo.own_stack import is_real
from quadleg.robot.model import RobotModel


def demo_tables(record: DemoRecord, seconds: float) -> list[Table]:
    """All tables of a demo that took so many seconds, failures first."""
    tables = [_failures(record)] if record.failures else []
    tables += [_table(record), _notes(record), _walks(record)]
    if record.course:
        tables.append(_course(record.model, record.course))
    return [*tables, _figures(record, seconds)]


def _rows(rows: Iterable[Sequence[str]], title: str | None = None, title_style: str | None = None) -> Table:
    """A table without a heading."""
    table = Table(
        title=title,
        title_justify="left",
        title_style=title_style,
        show_header=False,
        box=SIMPLE_HEAD,
        pad_edge=False,
    )
    for row in rows:
        table.add_row(*row)
    return table


def _failures(record: DemoRecord) -> Table:
    rows = ((step.name, step.failure) for step in record.failures)
    return _rows(rows, f"FAILED: {len(record.failures)} of {len(record.steps)} steps", "bold red")


def announcement(model: RobotModel, steps: Sequence[Act]) -> Table:
    title = (
        f"The demo moves {model.name} on its real board ({model.board.kind}), at a third of the usual speed. "
        "Ctrl-C lowers it, then off; `quadleg stop` in another terminal switches off at once"
    )
    return _rows(((f"{number:>2}", act.name, str(act.asked or "")) for number, act in enumerate(steps, 1)), title)


def _height_error_mm(step: Step) -> float:
    return abs(step.asked.position[2] - step.reached.position[2]) * 1000 if step.asked and step.reached else 0.0


def _table(record: DemoRecord) -> Table:
    servos = "what the simulated servos did"
    if record.droops:
        servos = "the joints as the simulated body's weight left them"
    if is_real(record.model):
        servos = f"joint angles that are modelled from the commands: the board ({record.model.board.kind}) is real"
    table = Table(
        title=f"Body pose asked → reached, by forward kinematics of {servos}",
        title_justify="left",
        box=SIMPLE_HEAD,
        pad_edge=False,
        padding=(0, 1, 0, 0),
    )
    table.add_column("step")
    for name, unit in AXES:
        table.add_column(f"{name} {unit}", justify="right", no_wrap=True)
    for step in record.steps:
        if step.asked and step.reached:
            asked, reached = shown_axes(step.asked), shown_axes(step.reached)
            table.add_row(step.name, *(f"{a:g}→{r:.1f}" if a else f"{r:+.1f}" for a, r in zip(asked, reached)))
    return table


def _notes(record: DemoRecord) -> Table:
    table = Table(show_header=False, box=None, pad_edge=False)
    for step in record.steps:
        if step.note:
            table.add_row(step.name, step.note)
    return table


def _walks(record: DemoRecord) -> Table:
    """What was seen of each walk, side by side."""
    table = Table(title="Walking", title_justify="left", box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("")
    columns = []
    for walk in record.walks():
        table.add_column(walk.name)
        columns.append(walk_figures(record.model, walk))
    for name in dict.fromkeys(name for column in columns for name in column):
        table.add_row(name, *(column.get(name, "") for column in columns))
    return table


def _figures(record: DemoRecord, seconds: float) -> Table:
    worst = max((step for step in record.steps if step.name != "out of reach"), key=_height_error_mm)
    figures = {
        "largest height error, within reach": f"{_height_error_mm(worst):.2f} mm ({worst.name})",
        **_body_figures(record),
        **record.figures,
        "the demo took": f"{seconds:.0f} s",
    }
    return _rows(figures.items())


def _body_figures(record: DemoRecord) -> dict[str, str]:
    """How far the simulated body itself is off the heights asked for."""
    if not record.droops:
        return {}
    worst = max(record.droops, key=lambda name: abs(record.droops[name]))
    droop = 1000 * record.droops[worst]
    side = "below" if droop > 0 else "above"
    return {"the body itself, farthest from the height asked for": f"{abs(droop):.1f} mm {side} it ({worst})"}


def _course(model: RobotModel, course: MeasuredCourse) -> Table:
    title = "Measured course, creeping: the simulated body and its estimate"
    return _rows(course_figures(model, course).items(), title)
