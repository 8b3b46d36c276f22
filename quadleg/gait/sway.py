"""The sway of the body: how it shifts over a stride so that its centre of mass keeps a margin.

The shift is a Fourier series over the stride without a constant term, so it averages to zero. Of all that
keep the margin it is the one with the least mean square acceleration; where none does, the one that comes
nearest, by a penalty on what is missing (Nocedal & Wright, Numerical Optimization, 2006, 17.1).
"""

from __future__ import annotations

from math import pi

import numpy as np
from numpy.typing import NDArray

from quadleg.gait.steady import SAMPLES, Balance, Strides
from quadleg.robot.model import Robot

Array = NDArray[np.float64]

HARMONICS = 6
_PENALTY = 1e6
_PASSES = 30
# The neighbours of each leg, clockwise around the robot.
_BEFORE, _AFTER = np.array([2, 0, 3, 1]), np.array([1, 3, 0, 2])


def sway(robot: Robot, path: Strides, balance: Balance, margin: float) -> Array:
    """(n, 2 · HARMONICS, 2) coefficients for n strides, with which the centre of mass keeps the margin in m."""
    centres = balance.centres(robot, path.feet)
    series = [_series(feet, path.in_air, own, margin) for feet, own in zip(path.feet[..., :2], centres)]
    result: Array = np.array(series) / balance.follows
    return result


def basis(phase: float | Array) -> Array:
    """(..., 2 · HARMONICS): cosines, then sines, at phases of the stride (0 to 1)."""
    turns = 2 * pi * np.multiply.outer(phase, np.arange(1, HARMONICS + 1))
    return np.concatenate((np.cos(turns), np.sin(turns)), axis=-1)


def _series(feet: Array, in_air: NDArray[np.bool_], centres: Array, margin: float) -> Array:
    rows, least = _half_planes(feet, in_air, centres, margin)
    orders = np.tile(np.arange(1, HARMONICS + 1), 2)
    # Twice: x's coefficients, then y's. Fourth powers: the mean square of the second derivative (Parseval).
    stiffness = np.diag(np.tile(orders**4.0, 2))
    coefficients = np.zeros(len(stiffness))
    short = rows @ coefficients < least
    for _ in range(_PASSES):
        held = rows[short]
        coefficients = np.linalg.solve(stiffness + _PENALTY * held.T @ held, _PENALTY * held.T @ least[short])
        again = rows @ coefficients < least
        if np.array_equal(again, short):
            break
        short = again
    return coefficients.reshape(2, -1).T


def _half_planes(feet: Array, in_air: NDArray[np.bool_], centres: Array, margin: float) -> tuple[Array, Array]:
    """What the coefficients have to fulfil, rows @ coefficients >= least: the centre inside each edge of support.

    A foot that lifts off or lands at a sample counts as in the air there.
    """
    sample, leg = np.nonzero(in_air | np.roll(in_air, 1, axis=0) | np.roll(in_air, -1, axis=0))
    # The edge that the missing leg opens is between its two neighbours.
    start, end = feet[sample, _BEFORE[leg]], feet[sample, _AFTER[leg]]
    edge = end - start
    inward = np.stack((edge[:, 1], -edge[:, 0]), axis=1) / np.hypot(*edge.T)[:, None]
    rows = (inward[:, :, None] * basis(sample / SAMPLES)[:, None, :]).reshape(len(sample), -1)
    return rows, np.einsum("ni,ni->n", inward, start - centres[sample]) + margin
