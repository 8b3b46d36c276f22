"""The path of a foot in the air: at rest on the ground at both ends, and as slow in between as its clearance allows.

The horizontal speed is a trapezoid: the steadier a foot moves, the lower its peak speed. It ends before touch-down:
legs give way under the body, which also tips over a diagonal, so a foot lands early, and a foot that still moves then
brakes the robot (docs/spread.md says by how much on robots that differ from their file). The vertical speed is a
trapezoid whose top rises towards the highest point, where the leg is folded and its joints lift the foot with less
turning; the way down mirrors the way up. The figures are the best of a search over both test robots.

LIFT_TURN of derived_gaits.py follows from RAMP, _TURN_START and _NEAR_GROUND_SPEED: measure it again after changing one
(test/test_derived_gaits.py).
"""

from __future__ import annotations

import numpy as np

from quadleg.geometry.arrays import Array

# Of the time in the air; from then on the foot is above its landing place. It is then 0.18 clearances high, about as
# much as softer, looser legs give way more than the file's; the higher it is, the slower the robot (docs/spread.md).
OVER = 0.85
_START, _END = 0.12, 0.04  # of the time in the air: accelerating and braking horizontally
_FULL = 1 / (OVER - (_START + _END) / 2)  # the horizontal speed in between
RAMP = 0.125  # of the time in the air: accelerating upward after lift-off, and braking before touch-down
_TURN_START = 0.4  # of the time in the air; from here to its mirror image the foot turns from upward to downward
# Lift-off and landing speed: the vertical speed at the end of the ramp after lift-off and, mirrored, at the start of
# the ramp before touch-down, in clearances per time in the air. At lift-off and touch-down themselves it is 0.
_NEAR_GROUND_SPEED = 2.0
# The peak vertical speed, at _TURN_START: the height at half of the time in the air is then 1 clearance.
_TOP_SPEED = (2 - _NEAR_GROUND_SPEED * _TURN_START) / (0.5 - RAMP)


def advance(share: float) -> tuple[float, float]:
    """Return the horizontal distance covered at a share (0 to 1) of the time in the air, as a share, and its rate."""
    if share < _START:
        return _FULL * share * share / (2 * _START), _FULL * share / _START
    left = OVER - share
    if left <= 0.0:
        return 1.0, 0.0
    if left < _END:
        return 1 - _FULL * left * left / (2 * _END), _FULL * left / _END
    return _FULL * (share - _START / 2), _FULL


def lift(share: float) -> tuple[float, float]:
    """Return the height of the foot at a share of the time in the air, in clearances, and its rate."""
    if share > 0.5:
        height, rate = lift(1 - share)
        return height, -rate
    if share < RAMP:
        return _NEAR_GROUND_SPEED * share * share / (2 * RAMP), _NEAR_GROUND_SPEED * share / RAMP
    if share > _TURN_START:
        left, time = 0.5 - share, 0.5 - _TURN_START
        return 1 - _TOP_SPEED * left * left / (2 * time), _TOP_SPEED * left / time
    since = share - RAMP
    gain = (_TOP_SPEED - _NEAR_GROUND_SPEED) / (_TURN_START - RAMP)
    return _NEAR_GROUND_SPEED * (RAMP / 2 + since) + gain * since * since / 2, _NEAR_GROUND_SPEED + gain * since


def advance_batch(shares: Array) -> Array:
    """Return the distance of `advance` for an array of shares."""
    left = np.maximum(OVER - shares, 0.0)
    ends = np.where(shares < _START, _FULL * shares**2 / (2 * _START), 1 - _FULL * left**2 / (2 * _END))
    return np.where((shares < _START) | (left < _END), ends, _FULL * (shares - _START / 2))


def lift_batch(shares: Array) -> Array:
    """Return the height of `lift` for an array of shares."""
    up = 0.5 - np.abs(shares - 0.5)
    since = up - RAMP
    between = (
        _NEAR_GROUND_SPEED * (RAMP / 2 + since)
        + (_TOP_SPEED - _NEAR_GROUND_SPEED) / (_TURN_START - RAMP) * since**2 / 2
    )
    top = 1 - _TOP_SPEED * (0.5 - up) ** 2 / (2 * (0.5 - _TURN_START))
    return np.where(up < RAMP, _NEAR_GROUND_SPEED * up**2 / (2 * RAMP), np.where(up > _TURN_START, top, between))


def towards(place: float, speed: float, end: float, seconds: float, dt: float) -> tuple[float, float]:
    """Return place and speed after `dt` s on the Hermite cubic from a place and speed to rest at `end` in `seconds`."""
    if dt >= seconds:
        return end, 0.0
    k = dt / seconds
    k2, k3 = k * k, k * k * k
    rest = 3 * k2 - 2 * k3
    way = (1 - rest) * place + (k3 - 2 * k2 + k) * seconds * speed + rest * end
    rate = 6 * (k - k2) * (end - place) / seconds + (3 * k2 - 4 * k + 1) * speed
    return way, rate
