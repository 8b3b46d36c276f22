"""An IMU's samples as they come: which of them are of use, and which time each stands for."""

from __future__ import annotations

from math import inf, isfinite
from typing import NamedTuple

from quadleg.geometry.vectors import Vector

GAP = 0.1  # s from one sample to the next: over a longer time the motion of the body is unknown
LOST = 1.5  # times the usual step between two samples: one between them was lost
USUAL_SHARE = 0.02  # of a new step in the usual one
BEHIND = 5  # samples in a row that seem to be old: it is then their clock that was put back
FROZEN = 8  # equal samples in a row: noise alone lets no sensor that works repeat itself so often
FASTEST_TURN, HARDEST_JOLT = 40.0, 200.0  # rad/s, m/s²: above the ranges of the usual parts, 2000 °/s and 16 g


class ImuInterval(NamedTuple):
    """Means of angular rate (rad/s) and specific force (m/s²) from `begin` to `end` (s of the IMU's clock), in its
    axes. For `lost` s of it another sample stands in that was not there."""

    begin: float
    end: float
    gyro: Vector
    acceleration: Vector
    lost: float = 0.0


class ImuStream:
    """Checks samples one after the other. `refused` counts those of no use, `jumps` the gaps in their time."""

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
        """Take one sample: rad/s and m/s², the means over the time (s) since the one before. None: it is of no use.

        After a gap a sample stands for no longer than the usual step.
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
