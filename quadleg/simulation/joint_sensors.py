"""What sensors at the joints say of the angles: late, off by a constant, noisy and in whole counts."""

from __future__ import annotations

from collections import deque
from math import ceil

import numpy as np

from quadleg.geometry.arrays import Array
from quadleg.simulation.world_difference import WorldDifference


class JointSensors:
    """The twelve sensors of one world, read once in a servo frame of `period` s; their noise is by `seed`."""

    def __init__(self, difference: WorldDifference, period: float, seed: int) -> None:
        self._random = np.random.default_rng([seed, 14])
        self._noise = difference.sensor_noise
        self._offsets = np.array(difference.sensor_offset)
        self._step = difference.sensor_step
        self._frames = difference.sensor_delay / period
        self._exact = not (self._noise or self._step or self._frames or self._offsets.any())
        self._past: deque[Array] = deque(maxlen=ceil(self._frames) + 1)

    def begin(self, angles: Array) -> Array:
        """What they say (rad) of joints that have been at these angles for long."""
        self._past.clear()
        return self.read(angles)

    def read(self, angles: Array) -> Array:
        """What they say (rad) at the end of a frame that ends at these angles."""
        if self._exact:
            return angles
        self._past.append(angles)
        said = late(self._past, self._frames) + self._offsets
        if self._noise:
            said = said + self._noise * self._random.standard_normal(len(said))
        return np.round(said / self._step) * self._step if self._step else said


def late(past: deque[Array], periods: float) -> Array:
    """The value so many periods before the last of `past`, between two that are known; the first if that was later."""
    whole = int(periods)
    newer, older = (past[max(len(past) - 1 - back, 0)] for back in (whole, whole + 1))
    return newer + (periods - whole) * (older - newer)
