"""How the feet on the ground share the robot's weight when it stands still on them."""

from __future__ import annotations

from collections.abc import Sequence

_FLAT = 1e-9  # m²: feet in one line have no more than that across


def share_weight(feet: Sequence[tuple[float, float]], centre: tuple[float, float]) -> list[float]:
    """The share of the weight on each of two to four feet (x, y) with the centre of mass at `centre` (m).

    Of all shares that are in balance, the most even ones (least squares). A foot cannot pull: where the centre
    is outside the feet, the shares are those that come nearest.
    """
    x0, y0 = centre
    places = [(x - x0, y - y0) for x, y in feet]
    count = len(places)
    sx, sy = sum(x for x, _ in places), sum(y for _, y in places)
    sxx, syy = sum(x * x for x, _ in places), sum(y * y for _, y in places)
    sxy = sum(x * y for x, y in places)
    # f = a + b x + c y with sum f = 1, sum f x = sum f y = 0: the normal equations, by Cramer's rule.
    determinant = count * (sxx * syy - sxy * sxy) - sx * (sx * syy - sxy * sy) + sy * (sx * sxy - sxx * sy)
    if abs(determinant) < _FLAT * _FLAT:
        return _along_a_line(places)
    a = (sxx * syy - sxy * sxy) / determinant
    b = (sxy * sy - sx * syy) / determinant
    c = (sx * sxy - sxx * sy) / determinant
    shares = [max(a + b * x + c * y, 0.0) for x, y in places]
    total = sum(shares)
    return [share / total for share in shares]


def _along_a_line(places: Sequence[tuple[float, float]]) -> list[float]:
    """Feet in one line: by lever about the centre's nearest point of the line between the first and the last."""
    (ax, ay), (bx, by) = places[0], places[-1]
    dx, dy = bx - ax, by - ay
    share = min(max(-(ax * dx + ay * dy) / (dx * dx + dy * dy), 0.0), 1.0)
    return [1.0 - share, *[0.0] * (len(places) - 2), share]
