"""The verdicts of `quadleg check` for a person at a terminal."""

from __future__ import annotations

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from quadleg.cautions import BUILDING
from quadleg.commissioning.feasibility.check import SECTIONS, Check
from quadleg.commissioning.feasibility.reach import shown
from quadleg.commissioning.feasibility.verdict import FAILS, GOOD, TIGHT

_STYLE = {GOOD: "green", TIGHT: "yellow", FAILS: "bold red"}


def print_check(checked: Check, console: Console | None = None) -> None:
    """The table of verdicts, what stops each move, the supply to buy, and the cautions."""
    console = console or Console()
    console.print(_verdicts(checked))
    console.print(_moves(checked))
    console.print(checked.conclusion, style="bold", highlight=False)
    console.print(checked.buy, style="bold", highlight=False)
    for note in _notes(checked):
        console.print(note, highlight=False)
    console.print()
    for caution in BUILDING:
        console.print(f"- {caution}", highlight=False)


def _verdicts(checked: Check) -> Table:
    table = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("what", no_wrap=True)
    table.add_column("verdict", no_wrap=True)
    table.add_column("why, and what to change")
    for section in SECTIONS:
        rows = checked.verdicts[section]
        for row in rows:
            words = Text(row.why)
            if row.cure:
                words.append(f"\n-> {row.cure}", style="italic")
            table.add_row(row.about, Text(row.word, style=_STYLE[row.word]), words, end_section=row is rows[-1])
    return table


def _moves(checked: Check) -> Table:
    table = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for heading in ("body", "goes", "stopped by"):
        table.add_column(heading, justify="right" if heading == "goes" else "left")
    for axis, ends in checked.reach.moves.items():
        for end in ends:
            table.add_row(axis, shown(axis, end.value), Text(end.by))
    return table


def _notes(checked: Check) -> list[str]:
    notes = [
        "Torques are static, with the body level and not shifted. Currents are worked out; in physics a walk draws up "
        "to a quarter more.",
        "Stall torques to buy do for rising and for walking well, where servos keep some 20 % of what they give; only "
        "to step on the spot takes less. They are as a data sheet has them.",
        "Margin 2, a half more current than in use, 80 % of a battery and the motors' friction: rules of thumb.",
        "Heat is by a model of each servo's current, in a room of 30 °C; nothing measures it.",
    ]
    robot = checked.robot
    if robot.masses.assumed:
        notes.append("Only the total mass is given: how it is split between body and legs is assumed.")
    if robot.uncalibrated:
        notes.append(f"Not calibrated yet, assuming defaults for: {', '.join(robot.uncalibrated)}.")
    return notes
