"""Reads an IMU while a person tilts the robot by hand, until the body is at rest again."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from math import degrees, radians

import numpy as np

from quadleg.commissioning.calibration.imu_mounting import MountingFault, RestReading, angle_between, check_gravity
from quadleg.commissioning.calibration.servo_pulses import Stopped
from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.errors import BoardError, MountingError
from quadleg.estimation.stillness import LARGEST_BIAS, StillnessTest
from quadleg.geometry.rotations import Quaternion, quaternion_from_rotation_vector, quaternion_product
from quadleg.geometry.vectors import ZERO_VECTOR, Vector, difference
from quadleg.hardware.readings import ImuReading
from quadleg.hardware.reconnecting_sensor import Driver

PERIOD = 0.01  # s between two readings
TICK = 0.1  # s whose mean is judged: the tremor of a hand, 8 to 12 Hz (common practice, no source), averages out
REST = 1.5  # s of rest that are averaged
RESTING_TICKS = round(REST / TICK)
PATIENCE = 40.0  # s for one pose
SILENT = 1.0  # s without a reading, after which the IMU counts as unplugged
TILTED = radians(5)  # a body that is tilted by less still lies as before
DRIFT = radians(0.5)  # between the means of the two halves of a rest
LEAST_FORCE = 1.0  # m/s²: a body that is tilted by hand always feels more
_NO_JOINTS = np.zeros(0)


class TiltRecorder:
    """Records one IMU by its driver, with a steady clock and a sleep in s.

    While `recording`, `tilt` (rad) is that of the body, and `rest` (s) how long it has been at rest. Only `stop` may be
    called from another thread.
    """

    def __init__(self, imu: Driver[ImuReading], clock: Callable[[], float], sleep: Callable[[float], None]) -> None:
        self._imu = imu
        self._clock = clock
        self._sleep = sleep
        self._stopped = False
        self.recording = False
        self.tilt = self.rest = 0.0

    def stop(self) -> None:
        """End the recording that is under way."""
        self._stopped = True

    def level(self) -> RestReading:
        """Wait for a rest. Raises MountingError if there is none, BoardError if the IMU fails, Stopped."""
        return self._record(None)

    def tilted(self, level: RestReading) -> RestReading:
        """Wait until the body, at rest as in `level`, has been tilted and rests again; the same errors."""
        return self._record(level)

    def _record(self, level: RestReading | None) -> RestReading:
        self._stopped, self.recording = False, True
        try:
            self._imu.start()
            return self._until_rest(level)
        finally:
            self.recording, self.tilt, self.rest = False, 0.0, 0.0

    def _until_rest(self, level: RestReading | None) -> RestReading:
        bias = level.rate if level else ZERO_VECTOR
        ticks = _Ticks(self._imu, self._clock, self._sleep, bias)
        stillness = StillnessTest(TICK)
        resting: list[RestReading] = []
        begin = self._clock()
        mean = self._next(ticks)
        if level and angle_between(level.up, mean.up) > TILTED:
            raise MountingFault.NOT_LEVEL.error(
                f"it was tilted by {degrees(angle_between(level.up, mean.up)):.0f}° already",
                "lay it down as at first, answer, and only then tilt it",
            )
        while self._clock() - begin < PATIENCE:
            self.tilt = angle_between(level.up, mean.up) if level else 0.0
            x, y, z = mean.up
            # An accelerometer that is off in scale is judged by its size later: here its direction counts.
            force = (STANDARD_GRAVITY * x, STANDARD_GRAVITY * y, STANDARD_GRAVITY * z)
            stillness.update(difference(mean.rate, bias), force, _NO_JOINTS)
            untouched = level is not None and self.tilt < TILTED
            resting = [*resting, mean] if stillness.still and not untouched else []
            self.rest = TICK * len(resting)
            if len(resting) == RESTING_TICKS:
                if _drift(resting) <= DRIFT:
                    return replace(_mean_of(resting), turned=ticks.attitude)
                resting = resting[1:]
            mean = self._next(ticks)
        if level and self.tilt < TILTED:
            raise MountingFault.TOO_LITTLE.error(
                f"it was not tilted within {PATIENCE:.0f} s", "20 to 40° would be right"
            )
        raise _never_still(mean, stillness)

    def _next(self, ticks: _Ticks) -> RestReading:
        if self._stopped:
            raise Stopped
        mean = ticks.next()
        if mean.size < LEAST_FORCE:
            check_gravity(mean)
        return mean


class _Ticks:
    """Means over ticks, one after the other. `attitude` is that of the IMU in that at the beginning, by the gyro
    without its `bias` (rad/s)."""

    def __init__(
        self, imu: Driver[ImuReading], clock: Callable[[], float], sleep: Callable[[float], None], bias: Vector
    ) -> None:
        self._imu = imu
        self._clock = clock
        self._sleep = sleep
        self._bias = bias
        self._last: float | None = None  # s, of the last reading
        self.attitude: Quaternion = (1.0, 0.0, 0.0, 0.0)

    def next(self) -> RestReading:
        """The means over the next tick. Raises BoardError where the IMU fails."""
        begin, readings = self._clock(), list[ImuReading]()
        while not readings or self._clock() - begin < TICK:
            reading, now = self._imu.read(), self._clock()
            if reading:
                readings.append(reading)
                if self._last is not None:
                    x, y, z = ((now - self._last) * rate for rate in difference(reading.gyro, self._bias))
                    self.attitude = quaternion_product(self.attitude, quaternion_from_rotation_vector((x, y, z)))
                self._last = now
            elif not readings and now - begin > SILENT:
                raise BoardError("the IMU says nothing new", "check its plug, supply, SDA and SCL")
            self._sleep(PERIOD)
        return RestReading(
            _mean(reading.acceleration for reading in readings), _mean(reading.gyro for reading in readings)
        )


def _mean(vectors: Iterable[Vector]) -> Vector:
    x, y, z = np.mean(list(vectors), axis=0).tolist()
    return x, y, z


def _mean_of(readings: Sequence[RestReading]) -> RestReading:
    return RestReading(_mean(reading.force for reading in readings), _mean(reading.rate for reading in readings))


def _drift(readings: Sequence[RestReading]) -> float:
    """The angle in rad between gravity in the two halves of a rest."""
    half = len(readings) // 2
    return angle_between(_mean_of(readings[:half]).up, _mean_of(readings[half:]).up)


def _never_still(mean: RestReading, stillness: StillnessTest) -> MountingError:
    found = f"it did not keep still for {REST:g} s within {PATIENCE:.0f} s"
    if max(map(abs, stillness.turn)) > LARGEST_BIAS:
        rates = ", ".join(f"{degrees(rate):.1f}" for rate in mean.rate)
        return MountingFault.MOVED.error(
            f"{found}: the gyro says {rates} °/s",
            "if it did lie still, take these figures to imu.gyro_bias_deg_s in the robot file (added to those that are "
            "there), and begin again",
        )
    return MountingFault.MOVED.error(found, "lean it on something solid, take the hands off or hold them still")
