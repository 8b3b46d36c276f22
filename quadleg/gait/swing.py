"""The path of a foot in the air: at rest on the ground at both ends, and as slow between as its clearance allows.

Over the ground the speed is a trapezoid: the steadier a foot moves, the slower its fastest moment. Up and down it is
one whose top rises towards the highest point, where the leg is folded and its joints lift the foot with less turning.
The figures are the best of a search over both test robots, with little more acceleration of the joints than plain
trapezoids ask for (6 % in the demo robot's creep).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

RAMP = 0.125  # of the time in the air, spent on gaining speed over the ground and upward, and on losing it
_FULL = 1 / (1 - RAMP)  # the speed over the ground between
_TURN = 0.4  # from here to its mirror image the foot turns from upward to downward
_FIRST, _LAST = 2.0, 3.2  # the speeds upward after the ramp and before the turn; with these the way is 1


def advance(share: float) -> tuple[float, float]:
    """How far over the ground a foot has come at a share (0 to 1) of its time in the air: way, and its rate."""
    if share < RAMP:
        return _FULL * share * share / (2 * RAMP), _FULL * share / RAMP
    if share > 1 - RAMP:
        left = 1 - share
        return 1 - _FULL * left * left / (2 * RAMP), _FULL * left / RAMP
    return _FULL * (share - RAMP / 2), _FULL


def lift(share: float) -> tuple[float, float]:
    """How high the foot is, as a share of its clearance, and the rate of it."""
    if share > 0.5:
        height, rate = lift(1 - share)
        return height, -rate
    if share < RAMP:
        return _FIRST * share * share / (2 * RAMP), _FIRST * share / RAMP
    if share > _TURN:
        left, time = 0.5 - share, 0.5 - _TURN
        return 1 - _LAST * left * left / (2 * time), _LAST * left / time
    since = share - RAMP
    gain = (_LAST - _FIRST) / (_TURN - RAMP)
    return _FIRST * (RAMP / 2 + since) + gain * since * since / 2, _FIRST + gain * since


def advance_batch(shares: Array) -> Array:
    """`advance`'s way for an array of shares."""
    left = 1 - shares
    ends = np.where(shares < RAMP, _FULL * shares**2 / (2 * RAMP), 1 - _FULL * left**2 / (2 * RAMP))
    result: Array = np.where((shares < RAMP) | (shares > 1 - RAMP), ends, _FULL * (shares - RAMP / 2))
    return result


def lift_batch(shares: Array) -> Array:
    """`lift`'s height for an array of shares."""
    up = 0.5 - np.abs(shares - 0.5)
    since = up - RAMP
    between = _FIRST * (RAMP / 2 + since) + (_LAST - _FIRST) / (_TURN - RAMP) * since**2 / 2
    top = 1 - _LAST * (0.5 - up) ** 2 / (2 * (0.5 - _TURN))
    result: Array = np.where(up < RAMP, _FIRST * up**2 / (2 * RAMP), np.where(up > _TURN, top, between))
    return result


def towards(place: float, speed: float, end: float, seconds: float, dt: float) -> tuple[float, float]:
    """`dt` s along the cubic from a place and speed to rest at `end` in `seconds`: place and speed (Hermite's form)."""
    if dt >= seconds:
        return end, 0.0
    k = dt / seconds
    k2, k3 = k * k, k * k * k
    rest = 3 * k2 - 2 * k3
    way = (1 - rest) * place + (k3 - 2 * k2 + k) * seconds * speed + rest * end
    rate = 6 * (k - k2) * (end - place) / seconds + (3 * k2 - 4 * k + 1) * speed
    return way, rate
