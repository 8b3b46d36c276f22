"""The body's shift over its feet: its sway while it walks, and the way from rest to that and back."""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, sin, tau

from quadleg.gait.sway import HARMONICS
from quadleg.gait.swing import advance, towards
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.geometry.planar import ZERO_TWIST, Planar, from_frame, motion, to_frame
from quadleg.geometry.vectors import Vector

SHIFT_TIME = 0.5  # s to shift the body before the first step and after the last

Shift = tuple[float, float, float, float]  # of the body: x, y in m, and their rates in m/s
RESTING_SHIFT: Shift = (0.0, 0.0, 0.0, 0.0)


class BodyShift:
    """One robot's shift, tick after tick of `period` s; `home` are the feet of the square stance (x, y in m).

    `now` is the shift of the last tick; `left` the time until it has come to where it was sent, in s.
    """

    def __init__(self, limits: WalkingLimits, home: Sequence[tuple[float, float]], period: float) -> None:
        self._home = home
        self._period = period
        self.take(limits)
        self.rest()

    def take(self, limits: WalkingLimits) -> None:
        """Sway as these limits' gait does."""
        self._limits = limits
        self._sway_for(ZERO_TWIST)

    def _sway_for(self, twist: Planar) -> None:
        """Take the sway's coefficients, by harmonic: its order, and those of cosine and sine along x and y."""
        coefficients = self._limits.sway(twist).tolist()
        self._twist, self._stride_twist = twist, self._limits.gait.stride_twist(twist)
        self._harmonics = [
            (order, *cosine, *sine)
            for order, (cosine, sine) in enumerate(zip(coefficients[:HARMONICS], coefficients[HARMONICS:]), 1)
        ]

    def rest(self) -> None:
        """Reset to rest over the feet."""
        self.now, self.left = RESTING_SHIFT, 0.0

    def begin(self) -> None:
        """Start towards the sway, if the gait has one."""
        sways = self._limits.margin is not None or any(self._limits.lean)
        self.left = SHIFT_TIME if sways else 0.0

    def end(self) -> None:
        """Start back to rest."""
        self.left = SHIFT_TIME

    def go_towards(self, goal: Shift) -> None:
        """One period of the way to a shift and its rate, in the time that is left."""
        left, dt = self.left, self._period
        self.left = max(left - dt, 0.0)
        moved = []
        for axis in (0, 1):
            # Reaching a place with a rate is coming to rest in a frame that moves at that rate.
            rate = goal[2 + axis]
            start = self.now[axis] - (goal[axis] - rate * left)
            place, speed = towards(start, self.now[2 + axis] - rate, 0.0, left, dt)
            moved.append((place + goal[axis] - rate * self.left, speed + rate))
        (x, vx), (y, vy) = moved
        self.now = x, y, vx, vy

    def sway(self, feet: Sequence[Vector], twist: Planar, phase: float, since: Sequence[float]) -> Shift:
        """The sway and lean at a phase of the stride over feet (m, in base_footprint) for a twist over the ground.

        `since` are the shares of a stride since each foot landed.
        """
        if twist != self._twist:
            self._sway_for(twist)
        turn = tau * phase
        rate = tau / self._limits.gait.stride_period
        x = y = vx = vy = 0.0
        for order, cx, cy, sx, sy in self._harmonics:
            c, s = cos(order * turn), sin(order * turn)
            x, y = x + cx * c + sx * s, y + cy * c + sy * s
            vx, vy = vx + order * (sx * c - cx * s), vy + order * (sy * c - cy * s)
        dx, dy = self._astray(feet, since)
        lean_x, lean_y = self._limits.lean
        return x + dx + lean_x, y + dy + lean_y, rate * vx, rate * vy

    def _astray(self, feet: Sequence[Vector], since: Sequence[float]) -> tuple[float, float]:
        """How far the middle of the feet is from where a constant velocity would have put it."""
        gait, twist = self._limits.gait, self._stride_twist
        half = gait.duty_factor * gait.stride_period / 2
        seconds = (1 - gait.duty_factor) * gait.stride_period
        sum_x = sum_y = 0.0
        for landed, home, (foot_x, foot_y, _) in zip(since, self._home, feet):
            if landed < gait.duty_factor:
                x, y = to_frame(motion(twist, landed * gait.stride_period - half), *home)
            else:
                share = (landed - gait.duty_factor) / (1 - gait.duty_factor)
                ax, ay = to_frame(motion(twist, half), *home)
                bx, by = from_frame(motion(twist, seconds + half), *home)
                way, _ = advance(share)
                x, y = to_frame(motion(twist, share * seconds), ax + (bx - ax) * way, ay + (by - ay) * way)
            sum_x, sum_y = sum_x + foot_x - x, sum_y + foot_y - y
        return sum_x / len(self._home), sum_y / len(self._home)
