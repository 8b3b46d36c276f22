"""The tables that `quadleg demo` ends with, failures first."""

from __future__ import annotations

from collections.abc import Sequence
from math import pi
from typing import TYPE_CHECKING

from rich.box import SIMPLE_HEAD
from rich.table import Table

from quadleg.kinematics.body import Pose
from quadleg.own_stack import is_real
from quadleg.recording.course import Course, course_figures
from quadleg.recording.run import Step
from quadleg.recording.walk import walk_figures
from quadleg.robot.model import Robot as Model

if TYPE_CHECKING:
    from quadleg.demo import Act, Demo

AXES = (
    ("height", "mm", 1000.0),
    ("x", "mm", 1000.0),
    ("y", "mm", 1000.0),
    ("roll", "°", 180 / pi),
    ("pitch", "°", 180 / pi),
    ("yaw", "°", 180 / pi),
)


def demo_tables(demo: Demo, seconds: float) -> list[Table]:
    """All tables of a demo that took so many seconds, failures first."""
    tables = [_failures(demo)] if demo.failures else []
    tables += [_table(demo), _notes(demo), _walks(demo)]
    if demo.course:
        tables.append(_course(demo.model, demo.course))
    return [*tables, _figures(demo, seconds)]


def _failures(demo: Demo) -> Table:
    table = Table(
        title=f"FAILED: {len(demo.failures)} of {len(demo.steps)} steps",
        title_justify="left",
        title_style="bold red",
        show_header=False,
        box=SIMPLE_HEAD,
        pad_edge=False,
    )
    for step in demo.failures:
        table.add_row(step.name, step.failure)
    return table


def announcement(model: Model, steps: Sequence[Act]) -> Table:
    table = Table(
        title=f"The demo moves {model.name} on its real board ({model.board.kind}), at a third of the usual speed. "
        "Ctrl-C lowers it, then off; `quadleg stop` in another terminal switches off at once",
        title_justify="left",
        show_header=False,
        box=SIMPLE_HEAD,
        pad_edge=False,
    )
    for number, act in enumerate(steps, 1):
        table.add_row(f"{number:>2}", act.name, str(act.asked or ""))
    return table


def _height_error_mm(step: Step) -> float:
    return abs(step.asked.position[2] - step.reached.position[2]) * 1000 if step.asked and step.reached else 0.0


def _table(demo: Demo) -> Table:
    servos = "what the simulated servos did"
    if demo.droops:
        servos = "the joints as the simulated body's weight left them"
    if is_real(demo.model):
        servos = f"joint angles that are modelled from the commands: the board ({demo.model.board.kind}) is real"
    table = Table(
        title=f"Body pose asked → reached, by forward kinematics of {servos}",
        title_justify="left",
        box=SIMPLE_HEAD,
        pad_edge=False,
        padding=(0, 1, 0, 0),
    )
    table.add_column("step")
    for name, unit, _ in AXES:
        table.add_column(f"{name} {unit}", justify="right", no_wrap=True)
    for step in demo.steps:
        if step.asked and step.reached:
            asked, reached = _axes(step.asked), _axes(step.reached)
            table.add_row(step.name, *(f"{a:g}→{r:.1f}" if a else f"{r:+.1f}" for a, r in zip(asked, reached)))
    return table


def _axes(pose: Pose) -> list[float]:
    """Height, x, y in mm and roll, pitch, yaw in degrees, as the table shows them."""
    x, y, z = pose.position
    return [round(value * scale, 6) for value, (_, _, scale) in zip((z, x, y, *pose.rpy), AXES)]


def _notes(demo: Demo) -> Table:
    table = Table(show_header=False, box=None, pad_edge=False)
    for step in demo.steps:
        if step.note:
            table.add_row(step.name, step.note)
    return table


def _walks(demo: Demo) -> Table:
    """What was seen of each walk, side by side."""
    table = Table(title="Walking", title_justify="left", box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("")
    columns = []
    for walk in demo.walks():
        table.add_column(walk.name)
        columns.append(walk_figures(demo.model, walk))
    for name in dict.fromkeys(name for column in columns for name in column):
        table.add_row(name, *(column.get(name, "") for column in columns))
    return table


def _figures(demo: Demo, seconds: float) -> Table:
    table = Table(show_header=False, box=SIMPLE_HEAD, pad_edge=False)
    worst = max((step for step in demo.steps if step.name != "out of reach"), key=_height_error_mm)
    figures = {
        "largest height error, within reach": f"{_height_error_mm(worst):.2f} mm ({worst.name})",
        **_body_figures(demo),
        **demo.figures,
        "the demo took": f"{seconds:.0f} s",
    }
    for name, value in figures.items():
        table.add_row(name, value)
    return table


def _body_figures(demo: Demo) -> dict[str, str]:
    """How far the simulated body itself is off the heights asked for."""
    if not demo.droops:
        return {}
    worst = max(demo.droops, key=lambda name: abs(demo.droops[name]))
    droop = 1000 * demo.droops[worst]
    side = "below" if droop > 0 else "above"
    return {"the body itself, farthest from the height asked for": f"{abs(droop):.1f} mm {side} it ({worst})"}


def _course(model: Model, course: Course) -> Table:
    """What was seen of the measured course."""
    table = Table(
        title="Measured course, creeping: the simulated body and its estimate",
        title_justify="left",
        show_header=False,
        box=SIMPLE_HEAD,
        pad_edge=False,
    )
    for name, value in course_figures(model, course).items():
        table.add_row(name, value)
    return table
