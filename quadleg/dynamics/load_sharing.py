"""How the feet on the ground share the robot's weight when it stands still on them.

Shares f ≥ 0 add up to 1 and have their centre of pressure under the centre of mass. Four feet leave one freedom, so the
problem is statically indeterminate: of all shares in balance the least-norm ones are taken, which is what four equal
springs give. This is the convex problem min ‖f‖² with f ≥ 0 (Nocedal & Wright, Numerical Optimization, 2006, 16.1).
With at most four feet its solution is closed: the shares in balance form a segment, and the best point on it is the
least-norm solution, or the end of the segment nearest to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import inf

import numpy as np

from quadleg.geometry.arrays import Array

Ground = tuple[float, float]  # a place on the ground: x, y in m

_LINE = 1e-7  # sine of the widest angle at which three feet count as one line
_ROUNDING = 1e-12  # of the weight: a share so little below zero is zero


def share_weight(feet: Sequence[Ground], centre: Ground) -> list[float]:
    """The share of the weight on each of two to four feet (x, y) with the centre of mass at `centre` (m).

    No foot pulls. With the centre outside the feet, where the robot would tip, the shares are those of the nearest
    point of their support polygon.
    """
    x0, y0 = centre
    places = [(x - x0, y - y0) for x, y in feet]
    if len(places) == 2:
        return _lever(places[0], places[1])
    shares = _least_norm(places)
    if shares is None or min(shares) < 0.0:
        shares = (shares and _without_pull(places, shares)) or _at_edge(places)
    return shares


def share_weight_batch(feet: Array, centres: Array) -> Array:
    """(n, k) `share_weight` for feet (n, k, 2) with the centre of mass at `centres` (n, 2); k is 2 to 4."""
    places = feet - centres[:, None]
    count = places.shape[1]
    if count == 2:
        start, along = places[:, 0], places[:, 1] - places[:, 0]
        far = -(start * along).sum(axis=1) / np.maximum((along**2).sum(axis=1), np.finfo(float).tiny)
        far = np.clip(far, 0.0, 1.0)
        return np.stack((1.0 - far, far), axis=1)
    middle = places.mean(axis=1)
    x, y = (places - middle[:, None]).transpose(2, 0, 1)
    vxx, vyy, vxy = (x * x).sum(axis=1), (y * y).sum(axis=1), (x * y).sum(axis=1)
    with np.errstate(all="ignore"):
        b, c = np.stack((vxy * middle[:, 1] - vyy * middle[:, 0], vxy * middle[:, 0] - vxx * middle[:, 1])) / (
            vxx * vyy - vxy * vxy
        )
        shares = 1.0 / count + b[:, None] * x + c[:, None] * y
    result: Array = shares
    # Few rows, and those of any kind: one by one.
    for row in np.flatnonzero(~(shares.min(axis=1) >= 0.0)):
        result[row] = share_weight([(px, py) for px, py in feet[row].tolist()], tuple(centres[row].tolist()))
    return result


def _least_norm(places: Sequence[Ground]) -> list[float] | None:
    """The least-norm shares in balance, of either sign; None for feet in one line.

    They are f = 1/n + b (x − mx) + c (y − my) about the feet's middle (mx, my), with Σf x = Σf y = 0.
    """
    count = len(places)
    mx, my = sum([x for x, _ in places]) / count, sum([y for _, y in places]) / count
    vxx = vyy = vxy = 0.0
    for x, y in places:
        dx, dy = x - mx, y - my
        vxx, vyy, vxy = vxx + dx * dx, vyy + dy * dy, vxy + dx * dy
    determinant = vxx * vyy - vxy * vxy
    if determinant <= (_LINE * (vxx + vyy)) ** 2:
        return None
    b, c = (vxy * my - vyy * mx) / determinant, (vxy * mx - vxx * my) / determinant
    return [1.0 / count + b * (x - mx) + c * (y - my) for x, y in places]


def _without_pull(places: Sequence[Ground], shares: Sequence[float]) -> list[float] | None:
    """The point nearest to least-norm `shares` with no share below zero; None where the centre is outside the feet.

    All shares in balance are f + t n, where n is normal to f: the areas of the triangles that the other feet make.
    """
    if len(places) == 3:
        return [max(share, 0.0) for share in shares] if min(shares) >= -_ROUNDING else None
    p, q, r, s = places
    normal = (_turn(q, r, s), -_turn(p, r, s), _turn(p, q, s), -_turn(p, q, r))
    size = max(map(abs, normal))
    rates = [rate / size for rate in normal]
    least, most = -inf, inf
    for share, rate in zip(shares, rates):
        if abs(rate) < _ROUNDING:
            if share < -_ROUNDING:
                return None
        elif rate > 0.0:
            least = max(least, -share / rate)
        else:
            most = min(most, -share / rate)
    if least > most + _ROUNDING:
        return None
    way = min(max(0.0, least), most)
    return [max(share + way * rate, 0.0) for share, rate in zip(shares, rates)]


def _at_edge(places: Sequence[Ground]) -> list[float]:
    """Shares of the point of the support polygon that is nearest to the origin, which is outside or on the edge."""
    nearest, edge = inf, (0, 1)
    for i, j in combinations(range(len(places)), 2):
        share = _lever(places[i], places[j])[1]
        x, y = (a + share * (b - a) for a, b in zip(places[i], places[j]))
        if x * x + y * y < nearest:
            nearest, edge = x * x + y * y, (i, j)
    return _in_line(places, *edge)


def _in_line(places: Sequence[Ground], start: int, end: int) -> list[float]:
    """Least-norm shares without pull of the feet in the line through two of them, the others carrying nothing."""
    (ax, ay), (bx, by) = places[start], places[end]
    dx, dy = bx - ax, by - ay
    length = dx * dx + dy * dy
    if length == 0.0:
        same = [place == places[start] for place in places]
        return [flag / sum(same) for flag in same]
    along = [((x - ax) * dx + (y - ay) * dy) / length for x, y in places]
    across = [abs((x - ax) * dy - (y - ay) * dx) / length for x, y in places]
    members = sorted((i for i, far in enumerate(across) if far < _LINE), key=along.__getitem__)
    centre = -(ax * dx + ay * dy) / length
    centre = min(max(centre, along[members[0]]), along[members[-1]])
    best: list[float] = []
    # Those that carry are neighbours in the line: any others would leave out one that could relieve them.
    for first, last in combinations(range(len(members) + 1), 2):
        carrying = members[first:last]
        mean = sum(along[i] for i in carrying) / len(carrying)
        spread = sum((along[i] - mean) ** 2 for i in carrying)
        slope = (centre - mean) / spread if spread > 0.0 else 0.0
        if spread == 0.0 and abs(centre - mean) > _ROUNDING:
            continue
        shares = [0.0] * len(places)
        for i in carrying:
            shares[i] = 1.0 / len(carrying) + slope * (along[i] - mean)
        if min(shares) >= -_ROUNDING and (not best or _square(shares) < _square(best)):
            best = [max(share, 0.0) for share in shares]
    return best


def _lever(a: Ground, b: Ground) -> list[float]:
    """Shares of two feet: by lever about the nearest point to the origin between them."""
    (ax, ay), (bx, by) = a, b
    dx, dy = bx - ax, by - ay
    length = dx * dx + dy * dy
    share = min(max(-(ax * dx + ay * dy) / length, 0.0), 1.0) if length > 0.0 else 0.5
    return [1.0 - share, share]


def _turn(a: Ground, b: Ground, c: Ground) -> float:
    """Twice the signed area of a triangle."""
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def _square(shares: Sequence[float]) -> float:
    return sum(share * share for share in shares)
