"""The sway of the body: how it shifts over a stride so that its centre of mass keeps a margin.

The shift is a Fourier series over the stride without a constant term, so it averages to zero. Of all that
keep the margin it is the one with the least mean square acceleration; where none does, the one that comes
nearest, by a penalty on what is missing (Nocedal & Wright, Numerical Optimization, 2006, 17.1).
"""

from __future__ import annotations

from math import pi

import numpy as np
from numpy.typing import NDArray

from quadleg.gait.steady_strides import SAMPLES, Balance, Strides
from quadleg.geometry.arrays import Array
from quadleg.robot.model import RobotModel

HARMONICS = 6
_PENALTY = 1e6
_PASSES = 30
# The neighbours of each leg, clockwise around the robot.
_BEFORE, _AFTER = np.array([2, 0, 3, 1]), np.array([1, 3, 0, 2])


def sway(robot: RobotModel, path: Strides, balance: Balance, margin: float) -> Array:
    """(n, 2 · HARMONICS, 2) coefficients for n strides, with which the centre of mass keeps the margin in m."""
    rows, least = half_planes(path.feet[..., :2], path.in_air, balance.centres(robot, path.feet), margin)
    return _least_acceleration(rows, least) / balance.follows


def basis(phase: float | Array) -> Array:
    """(..., 2 · HARMONICS): cosines, then sines, at phases of the stride (0 to 1)."""
    turns = 2 * pi * np.multiply.outer(phase, np.arange(1, HARMONICS + 1))
    return np.concatenate((np.cos(turns), np.sin(turns)), axis=-1)


def half_planes(feet: Array, in_air: NDArray[np.bool_], centres: Array, margin: float) -> tuple[Array, Array]:
    """What coefficients (x's, then y's) have to fulfil, rows (n, m, 4 · HARMONICS) @ coefficients >= least (n, m).

    The centre (n, samples, 2) of mass keeps inside each edge of support of the feet (n, samples, 4, 2), that which a
    missing foot opens. A foot that lifts off or lands at a sample counts as in the air there.
    """
    sample, leg = np.nonzero(in_air | np.roll(in_air, 1, axis=0) | np.roll(in_air, -1, axis=0))
    # The edge that the missing leg opens is between its two neighbours.
    start, end = feet[:, sample, _BEFORE[leg]], feet[:, sample, _AFTER[leg]]
    edge = end - start
    inward = np.stack((edge[..., 1], -edge[..., 0]), axis=-1) / np.hypot(edge[..., 0], edge[..., 1])[..., None]
    rows = inward[..., :, None] * basis(sample / SAMPLES)[None, :, None, :]
    least = ((start - centres[:, sample]) * inward).sum(axis=-1) + margin
    return rows.reshape(*least.shape, -1), least


def _least_acceleration(rows: Array, least: Array) -> Array:
    """(n, 2 · HARMONICS, 2) the series of least mean square acceleration that fulfil the half-planes."""
    orders = np.tile(np.arange(1, HARMONICS + 1), 2)
    # Twice: x's coefficients, then y's. Fourth powers: the mean square of the second derivative (Parseval).
    stiffness = np.diag(np.tile(orders**4.0, 2))
    coefficients = np.zeros((len(rows), len(stiffness)))
    short = least > 0.0
    open_rows = np.arange(len(rows))
    for _ in range(_PASSES):
        held = rows[open_rows] * short[open_rows, :, None]
        transposed = held.transpose(0, 2, 1)
        wanted = transposed @ least[open_rows, :, None]
        found = np.linalg.solve(stiffness + _PENALTY * (transposed @ held), _PENALTY * wanted)
        coefficients[open_rows] = found[..., 0]
        again = (rows[open_rows] @ found)[..., 0] < least[open_rows]
        changed = (again != short[open_rows]).any(axis=1)
        short[open_rows] = again
        open_rows = open_rows[changed]
        if not len(open_rows):
            break
    return coefficients.reshape(len(rows), 2, -1).transpose(0, 2, 1)
