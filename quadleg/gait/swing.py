"""The path of a foot in the air: at rest on the ground at both ends, and as slow between as its clearance allows.

Over the ground the speed is a trapezoid: the steadier a foot moves, the slower its fastest moment. It ends before the
foot comes down: legs give way under the body, so that a foot lands a little early, and one that still moves forward
then holds the robot back (in physics the demo robot lost a tenth of its speed in the creep, and a fifth in the trot).
Up and down it is a trapezoid whose top rises towards the highest point, where the leg is folded and its joints lift the
foot with less turning. The figures are the best of a search over both test robots.
"""

from __future__ import annotations

import numpy as np

from quadleg.geometry.arrays import Array

OVER = 0.92  # of the time in the air; from then on the foot is over the place where it lands
_START, _END = 0.12, 0.04  # of the time in the air, spent on gaining speed over the ground, and on losing it
_FULL = 1 / (OVER - (_START + _END) / 2)  # the speed over the ground between
RAMP = 0.125  # of the time in the air, spent on gaining speed upward, and on losing it downward
_TURN = 0.4  # from here to its mirror image the foot turns from upward to downward
# The vertical speed after lift-off and before landing, in clearances per time in the air. Another one, RAMP or _TURN:
# another LIFT_TURN in derived_gaits.py.
_LIFT_OFF_AND_LANDING_SPEED = 2.0
# The fastest, before the turn: with it the trapezoid up to the highest point, at half of the time, has an area of 1.
_TOP_SPEED = (2 - _LIFT_OFF_AND_LANDING_SPEED * _TURN) / (0.5 - RAMP)


def advance(share: float) -> tuple[float, float]:
    """How far over the ground a foot has come at a share (0 to 1) of its time in the air: way, and its rate."""
    if share < _START:
        return _FULL * share * share / (2 * _START), _FULL * share / _START
    left = OVER - share
    if left <= 0.0:
        return 1.0, 0.0
    if left < _END:
        return 1 - _FULL * left * left / (2 * _END), _FULL * left / _END
    return _FULL * (share - _START / 2), _FULL


def lift(share: float) -> tuple[float, float]:
    """How high the foot is, as a share of its clearance, and the rate of it."""
    if share > 0.5:
        height, rate = lift(1 - share)
        return height, -rate
    if share < RAMP:
        return _LIFT_OFF_AND_LANDING_SPEED * share * share / (2 * RAMP), _LIFT_OFF_AND_LANDING_SPEED * share / RAMP
    if share > _TURN:
        left, time = 0.5 - share, 0.5 - _TURN
        return 1 - _TOP_SPEED * left * left / (2 * time), _TOP_SPEED * left / time
    since = share - RAMP
    gain = (_TOP_SPEED - _LIFT_OFF_AND_LANDING_SPEED) / (_TURN - RAMP)
    return _LIFT_OFF_AND_LANDING_SPEED * (
        RAMP / 2 + since
    ) + gain * since * since / 2, _LIFT_OFF_AND_LANDING_SPEED + gain * since


def advance_batch(shares: Array) -> Array:
    """`advance`'s way for an array of shares."""
    left = np.maximum(OVER - shares, 0.0)
    ends = np.where(shares < _START, _FULL * shares**2 / (2 * _START), 1 - _FULL * left**2 / (2 * _END))
    return np.where((shares < _START) | (left < _END), ends, _FULL * (shares - _START / 2))


def lift_batch(shares: Array) -> Array:
    """`lift`'s height for an array of shares."""
    up = 0.5 - np.abs(shares - 0.5)
    since = up - RAMP
    between = (
        _LIFT_OFF_AND_LANDING_SPEED * (RAMP / 2 + since)
        + (_TOP_SPEED - _LIFT_OFF_AND_LANDING_SPEED) / (_TURN - RAMP) * since**2 / 2
    )
    top = 1 - _TOP_SPEED * (0.5 - up) ** 2 / (2 * (0.5 - _TURN))
    return np.where(up < RAMP, _LIFT_OFF_AND_LANDING_SPEED * up**2 / (2 * RAMP), np.where(up > _TURN, top, between))


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
