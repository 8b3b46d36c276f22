"""Checks of an IMU's samples as they come, and the time interval that each stands for."""

from __future__ import annotations

from math import inf, isfinite
from typing import NamedTuple

from quadleg.geometry.vectors import Vector

GAP = 0.1  # s between two samples; over a longer gap the motion of the body is unknown
LOST = 1.5  # times the mean step between two samples: one in between was lost
USUAL_SHARE = 0.02  # of a new step in the mean step
BEHIND = 5  # samples in a row with old stamps: their clock was set back
FROZEN = 8  # equal samples in a row: the noise of a working sensor never repeats so often
FASTEST_TURN, HARDEST_JOLT = 40.0, 200.0  # rad/s, m/s²: above the ranges of common parts, 2000 °/s and 16 g


class ImuInterval(NamedTuple):
    """Means of angular rate (rad/s) and specific force (m/s²) from `begin` to `end` (s of the IMU's clock), in its
    axes. `lost` s of it belong to a missing sample."""

    begin: float
    end: float
    gyro: Vector
    acceleration: Vector
    lost: float = 0.0


class ImuStream:
    """Checks samples one by one. `refused` counts those that are unusable, `jumps` the gaps in their time."""

    def __init__(self) -> None:
        self.refused = 0
        self.jumps = 0
        self.frozen = False
        self.step = 0.0  # s from the last sample but one to the last
        self.usual = 0.0  # s, the mean step between samples; a stamp may come a little early or late
        self.time = -inf
        self._behind = 0
        self._equal = 0
        self._last: tuple[float, ...] = ()

    def take(self, time: float, gyro: Vector, acceleration: Vector) -> ImuInterval | None:
        """Take one sample: rad/s and m/s², means over the time (s) since the one before. None: it is unusable.

        After a gap, a sample stands for the mean step.
        """
        numbers = (*gyro, *acceleration)
        if (
            not isfinite(time + sum(numbers))
            or max(map(abs, gyro)) > FASTEST_TURN
            or (max(map(abs, acceleration)) > HARDEST_JOLT)
        ):
            self.refused += 1
            return None
        step = time - self.time
        if step <= 0.0 and self._behind < BEHIND:
            self._behind += 1
            self.refused += 1
            return None
        self._behind, self.time = 0, time
        self._equal = self._equal + 1 if numbers == self._last else 0
        self._last = numbers
        self.frozen = self._equal >= FROZEN
        self.step = step
        if self.frozen:
            return None
        if not 0.0 < step <= GAP:
            self.jumps += isfinite(step)
            return ImuInterval(time - self.usual, time, gyro, acceleration) if self.usual else None
        lost = step - self.usual if step > LOST * self.usual > 0.0 else 0.0
        self.usual += (USUAL_SHARE if self.usual else 1.0) * (step - self.usual)
        return ImuInterval(time - step, time, gyro, acceleration, lost)
