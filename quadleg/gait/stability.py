"""Static stability: the support polygon, and how far inside it the centre of mass is over the ground.

After McGhee & Frank, Mathematical Biosciences 3 (1968) 331. Places are (x, y) in m.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot, inf

from quadleg.dynamics.gravity import STANDARD_GRAVITY

Place = tuple[float, float]


def support_polygon(feet: Sequence[Place]) -> list[Place]:
    """The convex hull of the feet on the ground, anticlockwise, by Andrew's monotone chain (tested against scipy's)."""
    ordered = sorted(set(feet))
    if len(ordered) < 3:
        return ordered

    def half(points: Sequence[Place]) -> list[Place]:
        chain: list[Place] = []
        for point in points:
            while len(chain) > 1 and _turn(chain[-2], chain[-1], point) <= 0:
                chain.pop()
            chain.append(point)
        return chain[:-1]

    return half(ordered) + half(ordered[::-1])


def static_margin(feet: Sequence[Place], centre: Place) -> float:
    """The least distance in m from the centre of mass to an edge of the support polygon; negative outside.

    With two feet: less than nothing, the distance to the line between them; with fewer: minus infinity.
    """
    polygon = support_polygon(feet)
    if len(polygon) < 2:
        return -inf
    if len(polygon) == 2:
        return -abs(_beyond(polygon[0], polygon[1], centre))
    return min(_beyond(a, b, centre) for a, b in zip(polygon, polygon[1:] + polygon[:1]))


def froude_number(speed: float, hip_height: float) -> float:
    """v² / (g h) for a speed in m/s and a hip height in m: Alexander, Physiological Reviews 69 (1989) 1199."""
    return speed * speed / (STANDARD_GRAVITY * hip_height)


def _beyond(a: Place, b: Place, point: Place) -> float:
    """How far a point is to the left of the line from a to b."""
    return _turn(a, b, point) / hypot(b[0] - a[0], b[1] - a[1])


def _turn(a: Place, b: Place, c: Place) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
