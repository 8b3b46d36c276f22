"""Where words and panels lie in a picture: within it, and not on each other."""

from __future__ import annotations

from itertools import combinations

from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

Boxes = list[tuple[str, Bbox]]


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
