"""The table of world_difference.py as a guide shows it: `python -m quadleg.simulation.spread_table docs/spread.md`."""

from __future__ import annotations

import sys
from pathlib import Path

from quadleg.simulation.world_difference import ROWS, Range, SpreadRow

BEGIN, END = "<!-- table: made by quadleg.simulation.spread_table -->\n", "<!-- end of table -->\n"
_PER = {1: "robot", 3: "axis", 4: "leg", 12: "joint"}
_OF_ROW = {"masses": "part", "links": "link"}


def table() -> str:
    """The rows in Markdown."""
    lines = ["| row | what differs | none | calibrated | as built | one for each | in common | source |"]
    lines.append("|---|---|---|---|---|---|---|---|")
    for row in ROWS.values():
        common = f"{100 * row.shared:.0f} %" if row.count > 1 else "-"
        per = _OF_ROW.get(row.name, _PER[row.count])
        cells = (
            f"`{row.name}`", row.what, f"{row.none} {row.unit}", _in_words(row, row.calibrated),
            _in_words(row, row.as_built), per, common, row.source,
        )  # fmt: skip
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


def with_table(page: str) -> str:
    """The page with its table made anew."""
    before, _, rest = page.partition(BEGIN)
    _, _, after = rest.partition(END)
    return f"{before}{BEGIN}{table()}{END}{after}"


def _in_words(row: SpreadRow, bounds: Range) -> str:
    low, high = bounds
    if low == high:
        return f"{low:g} {row.unit}"
    return f"± {high:g} {row.unit}" if low == -high else f"{low:g} to {high:g} {row.unit}"


if __name__ == "__main__":
    path = Path(sys.argv[1])
    path.write_text(with_table(path.read_text(encoding="utf-8")), encoding="utf-8")
