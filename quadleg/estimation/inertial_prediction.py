"""The prediction step: from control tick to control tick by the IMU's samples, extrapolating over their gaps."""

from __future__ import annotations

from collections import deque

import numpy as np

from quadleg.dynamics.gravity import STANDARD_GRAVITY as GRAVITY
from quadleg.estimation.clock_offset import ClockOffset
from quadleg.estimation.error_state_filter import ErrorStateFilter
from quadleg.estimation.imu_stream import GAP, ImuInterval, ImuStream
from quadleg.geometry.rotations import rotation_matrix
from quadleg.geometry.vectors import ZERO_VECTOR, Vector
from quadleg.robot.model import RobotModel

JUMP = 0.5  # s between two ticks; over a longer gap the motion is unknown
LATENESS = 0.75  # of the time between samples, or ticks if shorter: how far samples may lag a tick
OFFSET_SPREAD = 1.5  # periods: usual variation of the offset between the stamps of ticks and samples
LONGEST_STALL = 0.6  # s that a tick waits for its samples; an IMU that is silent for longer counts as dead
MOST_PENDING = 2000  # samples
SAME_TIME = 1e-6  # s


class InertialPrediction:
    """Matches samples and ticks by their stamps, in whatever order they come, and predicts from tick to tick.

    `elapsed` is in s of the ticks (`period` s apart) that are predicted, `force` the mean force of the ground on all
    feet in the last one, (3,) N in base_link, `turn` and `specific_force` the means of its samples (rad/s, with the
    bias, and m/s² in base_link), None without an IMU. The IMU's clock is its own: see `ClockOffset`.
    """

    def __init__(self, robot: RobotModel, kalman: ErrorStateFilter, period: float) -> None:
        self._mass = robot.masses.total
        self._filter = kalman
        self._inertial = kalman.inertial
        self._period = period
        self._stream = ImuStream()
        self._pending: deque[ImuInterval] = deque(maxlen=MOST_PENDING)
        self._offset = ClockOffset(OFFSET_SPREAD * period, LONGEST_STALL)
        self.force = np.array([0.0, 0.0, self._mass * GRAVITY])
        self.turn: Vector | None = None
        self.specific_force: Vector | None = None
        self.elapsed = 0.0
        self._time = self._newest = 0.0  # s of the stamps: the last tick that was predicted, and that came
        self._reached = 0.0  # s of the IMU's clock
        self._blind = 0.0  # s since the last usable sample, or the start
        self._arrived = self._heard = -float("inf")  # s of the ticks' stamps: last sample, and last usable one
        self._variances: tuple[float, float] | None = None
        self._met = 0.0  # s of the IMU's clock: the newest sample when a tick came last

    @property
    def imu(self) -> bool:
        """Whether there is an IMU: a usable sample came within GAP of the last predicted tick."""
        return self._blind <= GAP

    @property
    def silent(self) -> bool:
        """Whether no usable sample has come within GAP."""
        return not self.imu or self._newest - self._heard > GAP

    @property
    def ahead(self) -> float:
        """How far the newest tick is ahead of the last one that was predicted, in s."""
        return self._newest - self._time

    @property
    def _lateness(self) -> float:
        return LATENESS * min(self._stream.usual or self._period, self._period)

    @property
    def frozen(self) -> bool:
        """Whether the IMU repeats one and the same sample."""
        return self._stream.frozen

    @property
    def refused(self) -> int:
        """How many samples of the IMU were unusable."""
        return self._stream.refused + self._stream.jumps

    @property
    def step_too_long(self) -> float:
        """Return the time between samples in s if it is too long, else 0."""
        step = self._stream.step
        return step if GAP < step < JUMP and self._newest - self._arrived < 2 * step else 0.0

    def take(
        self, time: float, gyro: Vector, acceleration: Vector, variances: tuple[float, float] | None = None
    ) -> None:
        """Take one sample of the IMU: see `Estimator.imu`."""
        self._variances = variances
        sample = self._stream.take(time, gyro, acceleration)
        self._arrived = self._newest
        if sample:
            self._pending.append(sample)
            if self._stream.step <= GAP:
                self._heard = self._newest

    def meet(self, time: float, first: bool) -> None:
        """Take the arrival of a tick with this stamp (s); `first`: it is the first of all."""
        if first:
            self._time = time - self._period
            self._heard = max(self._heard, time)
        self._newest = time
        newest = self._stream.time
        if newest == -float("inf"):
            return
        if self._offset.update(newest - time, newest != self._met):
            assert self._offset.value is not None
            self._reached = self._time + self._offset.value
            while self._pending and self._pending[0].end > newest:  # from before the clock was set back
                self._pending.popleft()
        self._met = newest

    def ready(self, time: float) -> bool:
        """Whether the tick with this stamp (s) has its samples, or need not wait for them any longer."""
        offset = self._offset.value
        if offset is None or not self.imu or self._newest - self._heard > LONGEST_STALL:
            return True
        return not self._offset.doubtful and self._stream.time >= time + offset - self._lateness

    def predict(self, time: float, dt: float, turn_rate: float, jumped: bool) -> float:
        """Predict `dt` s up to the tick with this stamp (s); return the predicted time in s.

        Over gaps the last motion is extrapolated, and after GAP a constant velocity; `turn_rate` (rad/s about the
        body's z) then replaces the gyro. `jumped`: the tick's time did.
        """
        self.elapsed += dt
        self._time = time
        inertial, offset = self._inertial, self._offset.value
        measured = lost = blind = 0.0
        if offset is None:
            blind = 0.0 if jumped else self._go_blind(dt, turn_rate)
        else:
            target = time + offset
            if jumped:
                self._reached = target
            measured, lost, blind = self._go_by_samples(target, turn_rate)
            behind = target - self._reached
            known_lost = bool(self._pending) and self._pending[0].begin > target - SAME_TIME
            if behind > self._lateness or (known_lost and behind > SAME_TIME):
                blind += self._go_blind(behind, turn_rate)
                self._reached = target
        if measured + blind > 0.0:
            self.force = (self._mass / (measured + blind)) * np.array(inertial.velocity_increment)
        if measured > 0.0 and blind == 0.0:
            (x, y, z), (bx, by, bz) = inertial.turn_increment, inertial.gyro_bias
            fx, fy, fz = inertial.velocity_increment
            self.turn = x / measured + bx, y / measured + by, z / measured + bz
            self.specific_force = fx / measured, fy / measured, fz / measured
        elif not self.imu:
            self.turn = self.specific_force = None
        inertial.velocity_increment = inertial.turn_increment = ZERO_VECTOR
        if self._variances:
            self._filter.take_noise(*self._variances, self._stream.usual)
        self._filter.predict(measured - lost, lost, blind)
        return measured + blind

    def _go_by_samples(self, target: float, turn_rate: float) -> tuple[float, float, float]:
        """Integrate the samples up to a time (s) of the IMU's clock; return s with samples, of these s with lost ones,
        and s without samples."""
        measured = lost = blind = 0.0
        while self._pending and self._pending[0].begin < target - SAME_TIME:
            sample = self._pending[0]
            hole = sample.begin - self._reached
            if hole > SAME_TIME:
                blind += self._go_blind(hole, turn_rate)
                self._reached = sample.begin
            whole = sample.end <= target + self._stream.usual / 2
            end = sample.end if whole else target
            dt = end - self._reached
            if dt > 0.0:
                self._inertial.measured(dt, sample.gyro, sample.acceleration)
                measured, lost, self._reached = measured + dt, lost + min(sample.lost, dt), end
                if hole <= SAME_TIME:
                    self._blind = 0.0
            if not whole:
                break
            self._pending.popleft()
        return measured, lost, blind

    def _go_blind(self, dt: float, turn_rate: float) -> float:
        """Extrapolate without samples; return the time in s."""
        inertial = self._inertial
        self._blind += dt
        felt = inertial.specific_force
        if not self.imu or felt is None:
            inertial.angular_velocity = (0.0, 0.0, turn_rate)
            up = rotation_matrix(inertial.quaternion)[2]
            felt = GRAVITY * up[0], GRAVITY * up[1], GRAVITY * up[2]
        inertial.go(dt, inertial.angular_velocity, felt)
        return dt
