"""The longitudinal stability margin, by which McGhee & Frank, Mathematical Biosciences 3 (1968) 331 compare gaits."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from quadleg.gait.stability import Place, support_polygon


def longitudinal_margin(feet: Sequence[Place], centre: Place) -> float:
    """The lesser distance in m, forward and backward along x, from the centre of mass to the polygon's edge.

    Negative where the line along x through the centre does not cross the polygon on both sides of it.
    """
    polygon = support_polygon(feet)
    x0, y0 = centre
    crossings = []
    for (ax, ay), (bx, by) in zip(polygon, polygon[1:] + polygon[:1]):
        if ay == by or not min(ay, by) <= y0 <= max(ay, by):
            continue
        crossings.append(ax + (bx - ax) * (y0 - ay) / (by - ay))
    if not crossings:
        return -inf
    return min(max(crossings) - x0, x0 - min(crossings))
