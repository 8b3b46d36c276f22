"""How the feet on the ground share the robot's weight when it stands still on them."""

from __future__ import annotations

from collections.abc import Sequence

_FLAT = 1e-8  # m²: feet in one line have no more than that across


def share_weight(feet: Sequence[tuple[float, float]], centre: tuple[float, float]) -> list[float]:
    """The share of the weight on each of two to four feet (x, y) with the centre of mass at `centre` (m).

    Of all shares that are in balance, the most even ones (least squares). A foot cannot pull: one that would have to
    carries nothing. Where the centre is outside the feet, the shares are those of a centre on their edge near it.
    """
    x0, y0 = centre
    places = [(x - x0, y - y0) for x, y in feet]
    count = len(places)
    sx = sy = sxx = syy = sxy = 0.0
    for x, y in places:
        sx, sy, sxx, syy, sxy = sx + x, sy + y, sxx + x * x, syy + y * y, sxy + x * y
    # f = a + b x + c y with sum f = 1, sum f x = sum f y = 0: the normal equations, by Cramer's rule.
    determinant = count * (sxx * syy - sxy * sxy) - sx * (sx * syy - sxy * sy) + sy * (sx * sxy - sxx * sy)
    if count == 2 or abs(determinant) < _FLAT * _FLAT:
        return _along_a_line(places)
    a = (sxx * syy - sxy * sxy) / determinant
    b = (sxy * sy - sx * syy) / determinant
    c = (sx * sxy - sxx * sy) / determinant
    shares = [a + b * x + c * y for x, y in places]
    least = min(range(count), key=shares.__getitem__)
    if shares[least] >= 0.0:
        return shares
    others = share_weight([*feet[:least], *feet[least + 1 :]], centre)
    return [*others[:least], 0.0, *others[least:]]


def _along_a_line(places: Sequence[tuple[float, float]]) -> list[float]:
    """Feet in one line: by lever about the centre's nearest point of the line between the first and the last."""
    (ax, ay), (bx, by) = places[0], places[-1]
    dx, dy = bx - ax, by - ay
    share = min(max(-(ax * dx + ay * dy) / (dx * dx + dy * dy), 0.0), 1.0)
    return [1.0 - share, *[0.0] * (len(places) - 2), share]
