"""The path of a foot in the air: at rest on the ground at both ends, and as slow between as its clearance allows.

Over the ground, and up and down again, the speed is a trapezoid: the steadier a foot moves, the slower its
fastest moment. Of the ramps that a servo can still follow, these ask the least of the fastest joint.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

RAMP = 0.2  # of the way, spent on gaining the full speed, and on losing it


def advance(share: float) -> tuple[float, float]:
    """How far over the ground a foot has come at a share (0 to 1) of its time in the air: way, and its rate."""
    full = 1 / (1 - RAMP)
    if share < RAMP:
        return full * share * share / (2 * RAMP), full * share / RAMP
    if share > 1 - RAMP:
        left = 1 - share
        return 1 - full * left * left / (2 * RAMP), full * left / RAMP
    return full * (share - RAMP / 2), full


def lift(share: float) -> tuple[float, float]:
    """How high the foot is, as a share of its clearance, and the rate of it: `advance` up, and down again."""
    if share <= 0.5:
        way, rate = advance(2 * share)
        return way, 2 * rate
    way, rate = advance(2 * (1 - share))
    return way, -2 * rate


def advance_batch(shares: Array) -> Array:
    """`advance`'s way for an array of shares."""
    full = 1 / (1 - RAMP)
    left = 1 - shares
    ends = np.where(shares < RAMP, full * shares**2 / (2 * RAMP), 1 - full * left**2 / (2 * RAMP))
    result: Array = np.where((shares < RAMP) | (shares > 1 - RAMP), ends, full * (shares - RAMP / 2))
    return result


def lift_batch(shares: Array) -> Array:
    """`lift`'s height for an array of shares."""
    return advance_batch(1 - np.abs(2 * shares - 1))


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
