"""The body's inertial sensor: a cheap MEMS part, with noise and biases, and what builders' parts have besides."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import ceil, pi, radians, sqrt

import numpy as np

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.geometry.arrays import Array
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import ZERO_VECTOR
from quadleg.simulation.joint_sensors import late
from quadleg.simulation.world_difference import NO_DIFFERENCE, WorldDifference

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
# Of servos and gears, and of links that ring (common practice, no source): above half of RATE, so that they alias.
VIBRATIONS = (60.0, 400.0)  # Hz
TONES = 6  # a vibration is made of (our own choice)


@dataclass(frozen=True)
class ImuSample:
    """One sample in the sensor's own frame: `gyro` in rad/s and `acceleration` (specific force) in m/s², the means
    over the sampling period that ends at `time` s.
    """

    time: float
    gyro: Array
    acceleration: Array


class SimulatedImu:
    """Noise and biases, by seed, upon what a perfect sensor would measure over each period of `period` s.

    A `difference` also has it turned, late, wrongly scaled and stamped, and shaken.
    """

    def __init__(self, period: float, seed: int, difference: WorldDifference = NO_DIFFERENCE) -> None:
        self._random = np.random.default_rng([seed, 4])
        biases = self._random.uniform(-1.0, 1.0, 6)
        self.bias: Array = biases * np.repeat((GYRO_BIAS, ACCELEROMETER_BIAS), 3)
        for axes, own in ((slice(3), difference.gyro_bias), (slice(3, 6), difference.accelerometer_bias)):
            if own is not None:
                self.bias[axes] = own
        self.deviation: Array = np.repeat((GYRO_NOISE, ACCELEROMETER_NOISE), 3) / sqrt(period)
        self._faults = self._noise_and_biases()
        self._delay = difference.imu_delay
        self._periods = difference.imu_delay / period
        self._past: deque[Array] = deque(maxlen=ceil(self._periods) + 1)
        turn = np.array(Pose.from_rpy(*ZERO_VECTOR, *difference.imu_misalignment).matrix).T
        scales = 1.0 + np.array((difference.gyro_scale, difference.accelerometer_scale))
        # Both of the sensor's triads are turned alike; each axis has a scale of its own.
        self._response = np.zeros((6, 6))
        self._response[:3, :3], self._response[3:, 3:] = (scale[:, None] * turn for scale in scales)
        self._vibration = Vibration(difference, seed)
        self._exact = np.array_equal(self._response, np.eye(6)) and not self._delay and self._vibration.still
        self._jitter = difference.imu_jitter
        self._stamps = np.random.default_rng([seed, 12])

    def samples(
        self, times: Sequence[float], true: Sequence[Sequence[float]], activity: float = 0.0
    ) -> list[ImuSample]:
        """What it measures at several times (s) of true angular rates and specific forces in its frame (n, 6).

        `activity` is the share of its vibration that the body has (0 to 1).
        """
        if not self._exact:
            true = [self._measured(time, np.array(felt), activity).tolist() for time, felt in zip(times, true)]
        measured = [(time, fault + felt) for time, felt, fault in zip(times, true, self._faults)]
        if self._jitter:
            measured = [(time + self._jitter * self._stamps.uniform(-1.0, 1.0), row) for time, row in measured]
        return [ImuSample(time, row[:3], row[3:]) for time, row in measured]

    def _measured(self, time: float, felt: Array, activity: float) -> Array:
        """What of one true sample comes out before noise and biases."""
        shaken = felt + activity * self._vibration.at(time)
        self._past.append(shaken)
        measured: Array = self._response @ late(self._past, self._periods)
        return measured

    def _noise_and_biases(self) -> Iterator[Array]:
        while True:  # noise is cheaper by the thousand
            yield from self.deviation * self._random.standard_normal((1000, 6)) + self.bias


class Vibration:
    """Angular rates and accelerations (6) of a body that shakes: tones whose frequencies and phases are by seed."""

    def __init__(self, difference: WorldDifference, seed: int) -> None:
        random = np.random.default_rng([seed, 13])
        self._turning = 2 * pi * random.uniform(*VIBRATIONS, (6, TONES))
        self._phases = random.uniform(0.0, 2 * pi, (6, TONES))
        # A tone's rms is 1/√2 of its amplitude, and the powers of tones add.
        self._amplitudes = np.repeat((difference.turning_vibration, difference.vibration), 3) * sqrt(2 / TONES)
        self.still = not self._amplitudes.any()

    def at(self, time: float) -> Array:
        """At a moment (s), in the sensor's axes."""
        tones: Array = np.sin(self._turning * time + self._phases).sum(axis=1)
        return self._amplitudes * tones
