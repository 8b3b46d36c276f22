"""What all pictures share: a sheet laid out in pixels, and the style of what is on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from quadleg.geometry.arrays import AnyArray
from quadleg.robot.colours import LEG, rgb
from quadleg.robot.model import LEGS

WIDTH = 2400  # pixels
DPI = 200
MARGIN = 60  # pixels
LINE, _BOLD = 28, 14.2  # pixels between lines; of a bold character
_SMALLEST = 0.05  # m that axes of places show at the least

TEXT, SECTION, TITLE = 8.0, 11.0, 14.0  # points
INK, QUIET, PALE = "#27313d", "#66717e", "#b9c1ca"


def styled() -> AbstractContextManager[None]:
    """Set the text style of pictures made within; a `$` in a recording's texts or a file's name is not a formula."""
    return matplotlib.rc_context(
        {"font.family": "DejaVu Sans", "font.size": TEXT, "text.color": INK, "text.parse_math": False}
    )


def tinted(colour: str, strength: float) -> tuple[float, float, float]:
    """Return the colour mixed with white; strength 1 is the colour itself."""
    red, green, blue = (1 - strength * (1 - part) for part in rgb(colour))
    return red, green, blue


def quiet_frame(axes: Axes) -> None:
    """Leave lines below and at the left only."""
    axes.tick_params(color=QUIET, labelcolor=INK)
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(QUIET)


def fit_equal(axes: Axes, places: AnyArray, shape: float, margin: float = 1.1, reach: float = 0.0) -> None:
    """Set limits around places (n, 2) and `reach` m beyond, to one scale in axes `shape` times as wide as high."""
    low, high = np.nanmin(places, axis=0) - reach, np.nanmax(places, axis=0) + reach
    size = np.maximum(margin * (high - low), _SMALLEST)
    half = np.maximum(size, [size[1] * shape, size[0] / shape]) / 2
    middle = (low + high) / 2
    axes.set(xlim=(middle[0] - half[0], middle[0] + half[0]), ylim=(middle[1] - half[1], middle[1] + half[1]))


def spread(places: Sequence[float], apart: float, last: float) -> list[float]:
    """Return rising places moved so that neighbours are at least `apart` and none is beyond `last`."""
    result: list[float] = []
    for place in places:
        result.append(max(place, result[-1] + apart) if result else place)
    limit = last
    for i in reversed(range(len(result))):
        result[i] = min(result[i], limit)
        limit = result[i] - apart
    return result


def save_png(figure: Figure, path: Path) -> None:
    """Write a figure into a PNG file, `WIDTH` pixels wide. Raises OSError."""
    figure.savefig(path, format="png", dpi=DPI)


def leg_handles(own: Mapping[str, Mapping[str, Any]] | None = None, **style: Any) -> list[Line2D]:
    """The legs' names beside their colours, for a legend: lines of one style, and of each leg's own."""
    return [
        Line2D([], [], label=leg.replace("_", " "), color=LEG[leg], **style, **(own or {}).get(leg, {})) for leg in LEGS
    ]


class Sheet:
    """A white figure, `WIDTH` pixels wide and `height` high, laid out in pixels from its upper left corner."""

    def __init__(self, height: int) -> None:
        self._height = height
        self.figure = Figure(figsize=(WIDTH / DPI, height / DPI), dpi=DPI, facecolor="white")

    def axes(self, label: str, left: float, top: float, width: float, height: float) -> Axes:
        """Add axes in a box, with a label to find them by."""
        place = (left / WIDTH, 1 - (top + height) / self._height, width / WIDTH, height / self._height)
        return self.figure.add_axes(place, label=label)

    def write(self, left: float, baseline: float, words: str, **style: Any) -> None:
        """Write words that begin at `left`, or are aligned as `ha` in the style says."""
        self.figure.text(left / WIDTH, 1 - baseline / self._height, words, **style)

    def title(self, name: str, explained: Sequence[str]) -> None:
        """Write the title, and lines below it that say what is shown."""
        self.write(MARGIN, 62, name, fontsize=TITLE, fontweight="bold")
        for line, words in enumerate(explained):
            self.write(MARGIN, 104 + LINE * line, words, color=QUIET)

    def named(self, left: float, baseline: float, name: str, words: str) -> None:
        """Write the name of the panel below, and words about it."""
        self.write(left, baseline, name, fontweight="bold")
        self.write(left + _BOLD * len(name) + 16, baseline, words, color=QUIET)

    def legend(self, handles: Sequence[Artist], right: float, middle: float, handlelength: float = 1.6) -> None:
        """Add a legend in one line that ends at `right`."""
        legend = self.figure.legend(
            handles=list(handles),
            loc="center right",
            bbox_to_anchor=(right / WIDTH, 1 - middle / self._height),
            ncol=max(1, len(handles)),
            frameon=False,
            borderpad=0,
            borderaxespad=0,
            handlelength=handlelength,
            columnspacing=1.6,
        )
        legend.set_in_layout(False)
