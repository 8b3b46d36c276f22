"""Worlds drawn by seed from the table of world_difference.py, as a whole or one row alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any
from zlib import crc32

import numpy as np

from quadleg.errors import SpreadError
from quadleg.simulation.spread_kinds import Spread
from quadleg.simulation.world_difference import NO_DIFFERENCE, ROWS, SpreadRow, WorldDifference, check

Values = tuple[float, ...]  # of one row, in its unit


@dataclass(frozen=True)
class WorldSpread:
    """Where worlds come from: a spread, and, if `only` names rows, those alone.

    A row of `only` is drawn from its range, or has the values given (in its unit): one for all of its joints, legs or
    axes, with a sign of its own for each where the row goes both ways; or as many as it has, as they are.
    """

    spread: Spread = Spread.NONE
    only: Mapping[str, Values] = field(default_factory=lambda: MappingProxyType({}))

    def __post_init__(self) -> None:
        for name, values in self.only.items():
            if name not in ROWS:
                raise SpreadError(f"the spread has no row {name}; there are {', '.join(ROWS)}")
            row = ROWS[name]
            if len(values) not in (0, 1, row.count):
                raise SpreadError(f"{name} has {len(values)} values: 1 or {row.count} would be right")
            if not values and self.spread is Spread.NONE:
                raise SpreadError(f"{name} has no value, and spread none has no range: {name}=VALUE would be right")
            for value in values:
                check(row, value)

    def __reduce__(self) -> tuple[object, tuple[Spread, dict[str, Values]]]:
        return WorldSpread, (self.spread, dict(self.only))  # a mapping proxy does not go to other processes

    @property
    def sentence(self) -> str:
        """What robots these are, for a person."""
        if not self.only and self.spread is Spread.NONE:
            return "Robots: the one that the robot file describes."
        rows = (
            f"{name} {'/'.join(f'{v:g}' for v in values)} {ROWS[name].unit}" if values else name
            for name, values in self.only.items()
        )
        what = f"in {', '.join(rows)} alone" if self.only else "in all rows of docs/spread.md"
        kind = "" if self.spread is Spread.NONE else f" ({self.spread.value})"
        return f"Robots: they differ from the robot file {what}{kind}, by seed."

    def draw(self, seed: int) -> WorldDifference:
        """Return the difference of a seed's world. A row is drawn alike alone and with others."""
        names = self.only or (ROWS if self.spread is not Spread.NONE else ())
        if not names:
            return NO_DIFFERENCE
        drawn: dict[str, Any] = {name: self._row(ROWS[name], self.only.get(name, ()), seed) for name in names}
        return WorldDifference(**drawn)

    def _row(self, row: SpreadRow, values: Values, seed: int) -> float | Values:
        random = np.random.default_rng([seed, 11, crc32(row.name.encode())])
        if len(values) == row.count and row.count > 1:
            found = np.array(values)
        elif values:
            signs = random.choice((-1.0, 1.0), row.count) if row.signed and row.count > 1 else 1.0
            found = np.full(row.count, values[0]) * signs
        else:
            low, high = row.calibrated if self.spread is Spread.CALIBRATED else row.as_built
            own = random.uniform(-1.0, 1.0, row.count)
            place = row.shared * random.uniform(-1.0, 1.0) + (1.0 - row.shared) * own
            found = np.clip((low + high) / 2 + (high - low) / 2 * place, low, high)
        scaled = (row.scale * found).tolist()
        return tuple(scaled) if row.count > 1 else float(scaled[0])


def world_spread(spread: str, only: str = "") -> WorldSpread:
    """Return the spread of a command's words, as `calibrated` and `play,stiffness=0.6,centre_of_mass=0/15/0`.

    Raises SpreadError for words that say none.
    """
    names = [one.value for one in Spread]
    if spread not in names:
        raise SpreadError(f"there is no spread {spread!r}: {', '.join(names)} would be right")
    rows: dict[str, Values] = {}
    for part in filter(None, only.split(",")):
        name, given, text = part.partition("=")
        try:
            rows[name.strip()] = tuple(map(float, text.split("/"))) if given else ()
        except ValueError:
            raise SpreadError(f"{text!r} of {name} is not a number, as 0.6 or 0/15/0 would be") from None
    return WorldSpread(Spread(spread), rows)


PERFECT = WorldSpread()
