"""Whether the body is still: one test of the IMU's samples, and of the joints where there is no IMU.

The generalised likelihood-ratio test for zero velocity of Skog, Händel, Nilsson & Rantakokko, IEEE Trans. Biomedical
Engineering 57 (2010) 2657, equation 17, with the gyro's constant bias as one more unknown: over a window of N ticks

    T = 1/N Σ (|a - g u|²/σ_a² + |ω - ω_mean|²/σ_ω²),    u = a_mean/|a_mean|

is below a threshold. Without an IMU it is the spread of the joints. A steady rotation looks like a bias, so
the mean rate is bounded as well.
"""

from __future__ import annotations

from collections import deque
from math import inf, sqrt

from quadleg.dynamics.gravity import STANDARD_GRAVITY as GRAVITY
from quadleg.geometry.arrays import Array
from quadleg.geometry.vectors import ZERO_VECTOR, Vector

WINDOW = 0.5  # s: that of the paper, and longer than half a stride
# Of the mean over a tick, including accelerometer bias and vibration of the servos. With these, T is 0.5 lying or
# standing, and 30 in the slowest part of a rise of the demo robot (the walks of test/physics_walks.py).
TURN_NOISE, FORCE_NOISE = 0.005, 0.1  # rad/s, m/s²
JOINT_NOISE = 0.005  # rad: an inexpensive joint sensor, and the dead band of a servo
THRESHOLD = 4.0
LARGEST_BIAS = 0.1  # rad/s: a faster rotation is motion, no bias


class StillnessTest:
    """`still`: the body was still over the last window. `turn` is the mean rate in it (3, rad/s, bias included),
    `last_turn` that of the last tick. `begins`: this is the first still tick. `felt`: by an IMU."""

    def __init__(self, period: float) -> None:
        self._size = max(2, round(WINDOW / period))
        self._rows: deque[tuple[float, ...]] = deque()
        self._sums: list[float] = []
        self._squares: list[float] = []
        self.still = self.begins = False
        self.turn = self.last_turn = ZERO_VECTOR

    @property
    def felt(self) -> bool:
        """Whether the last window is of an IMU's samples."""
        return len(self._rows) == self._size and len(self._sums) == 6

    def update(self, turn: Vector | None, force: Vector | None, joints: Array) -> None:
        """Take one tick: mean rate (rad/s, with its bias) and specific force (m/s²), or joints (12, rad) where there
        are no samples (None)."""
        felt = turn is not None and force is not None
        row = (*turn, *force) if turn is not None and force is not None else tuple(joints.tolist())
        if len(row) != len(self._sums):
            self._rows.clear()
            self._sums, self._squares = [0.0] * len(row), [0.0] * len(row)
        old = self._rows.popleft() if len(self._rows) == self._size else (0.0,) * len(row)
        self._rows.append(row)
        # Plain numbers: so few of them are quicker than arrays.
        self._sums = [total + x - y for total, x, y in zip(self._sums, row, old)]
        self._squares = [total + x * x - y * y for total, x, y in zip(self._squares, row, old)]
        was = self.still
        if turn is not None:
            self.last_turn = turn
        self.still = len(self._rows) == self._size and (self._by_samples() if felt else self._by_joints()) < THRESHOLD
        self.begins = self.still and not was

    def _by_joints(self) -> float:
        n = self._size
        squares = sum(square / n - (total / n) ** 2 for square, total in zip(self._squares, self._sums))
        return squares / (len(self._sums) * JOINT_NOISE**2)

    def _by_samples(self) -> float:
        n = self._size
        tx, ty, tz, fx, fy, fz = (total / n for total in self._sums)
        ux, uy, uz, gx, gy, gz = (square / n for square in self._squares)
        self.turn = (tx, ty, tz)
        if max(abs(tx), abs(ty), abs(tz)) > LARGEST_BIAS:
            return inf
        turns = ux + uy + uz - tx * tx - ty * ty - tz * tz
        size = sqrt(fx * fx + fy * fy + fz * fz)
        # Σ|a - g u|²/N is the spread about the mean, and how far the mean's size is from g.
        forces = gx + gy + gz - size * size + (size - GRAVITY) ** 2
        return turns / TURN_NOISE**2 + forces / FORCE_NOISE**2
