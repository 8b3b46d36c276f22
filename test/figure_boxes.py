"""The panels of a picture and their lines by name; where words and panels lie: within it, and not on each other."""

from __future__ import annotations

from itertools import combinations

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.transforms import Bbox

Boxes = list[tuple[str, Bbox]]


def axes_of(figure: Figure, label: str) -> Axes:
    """The panel of that name."""
    return next(axes for axes in figure.axes if axes.get_label() == label)


def lines_of(axes: Axes) -> dict[str, Line2D]:
    """The lines of a panel by their names."""
    return {line.get_label(): line for line in axes.lines}


def words_of(figure: Figure, legends: bool = True) -> Boxes:
    """Every word that is drawn, those of legends where they are asked for, once the picture is laid out."""
    FigureCanvasAgg(figure).draw()
    texts = list(figure.texts)
    if legends:
        texts += [text for legend in figure.legends for text in legend.get_texts()]
    for axes in figure.axes:
        if axes.axison:
            texts += [axes.xaxis.label, axes.yaxis.label, *axes.texts]
            # Ticks beyond the ends of an axis are not drawn.
            for axis, ends in ((axes.xaxis, axes.get_xlim()), (axes.yaxis, axes.get_ylim())):
                texts += [tick.label1 for tick in axis.get_major_ticks() if min(ends) <= tick.get_loc() <= max(ends)]
    seen = [text for text in texts if text.get_visible() and text.get_text().strip()]
    return [(text.get_text(), text.get_window_extent()) for text in seen]


def assert_within(figure: Figure, boxes: Boxes) -> None:
    """All named boxes lie within the picture."""
    whole = figure.bbox
    for name, box in boxes:
        assert whole.x0 <= box.x0 <= box.x1 <= whole.x1, name
        assert whole.y0 <= box.y0 <= box.y1 <= whole.y1, name


def assert_apart(boxes: Boxes, least: float = -1.0) -> None:
    """No two named boxes overlap by a pixel or more."""
    for (name, box), (other_name, other) in combinations(boxes, 2):
        apart = max(box.x0 - other.x1, other.x0 - box.x1, box.y0 - other.y1, other.y0 - box.y1)
        assert apart > least, (name, other_name)
