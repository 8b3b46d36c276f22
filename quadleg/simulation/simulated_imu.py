"""The body's inertial sensor: a cheap MEMS part, with noise and biases."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import radians, sqrt

import numpy as np

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.geometry.arrays import Array

RATE = 100.0  # Hz, about: a whole number of samples goes into a servo frame
# White noise, as angle random walk (rad/s/√Hz) and velocity random walk (m/s²/√Hz) in the sense of IEEE Std 952-1997:
# a sample over T s has the standard deviation density / √T. 0.01 °/s/√Hz and 300 µg/√Hz: common practice for cheap
# parts, no source.
GYRO_NOISE = radians(0.01)
ACCELEROMETER_NOISE = 300e-6 * STANDARD_GRAVITY
# Each axis has a constant bias, spread evenly up to this. A gyro's from switching on to switching off; an
# accelerometer's is what one careful calibration leaves (common practice, no source): out of the box it is five to ten
# times as much, which is one to three degrees of tilt that nothing on board could see.
GYRO_BIAS = radians(1.0)
ACCELEROMETER_BIAS = 5e-3 * STANDARD_GRAVITY


@dataclass(frozen=True)
class ImuSample:
    """One sample in the sensor's own frame: `gyro` in rad/s and `acceleration` (specific force) in m/s², the means
    over the sampling period that ends at `time` s.
    """

    time: float
    gyro: Array
    acceleration: Array


class SimulatedImu:
    """Noise and biases, by seed, upon what a perfect sensor would measure over each period of `period` s."""

    def __init__(self, period: float, seed: int) -> None:
        self._random = np.random.default_rng([seed, 4])
        biases = self._random.uniform(-1.0, 1.0, 6)
        self.bias: Array = biases * np.repeat((GYRO_BIAS, ACCELEROMETER_BIAS), 3)
        self.deviation: Array = np.repeat((GYRO_NOISE, ACCELEROMETER_NOISE), 3) / sqrt(period)
        self._faults = self._noise_and_biases()

    def samples(self, times: Sequence[float], true: Sequence[Sequence[float]]) -> list[ImuSample]:
        """What it measures at several times (s) of true angular rates and specific forces in its frame (n, 6)."""
        measured = [(time, fault + felt) for time, felt, fault in zip(times, true, self._faults)]
        return [ImuSample(time, row[:3], row[3:]) for time, row in measured]

    def _noise_and_biases(self) -> Iterator[Array]:
        while True:  # noise is cheaper by the thousand
            yield from self.deviation * self._random.standard_normal((1000, 6)) + self.bias
