"""Path feedback: a PI controller corrects what a walk slips, rolls and turns, as the estimate shows it.

The path is where the robot would be had it kept every velocity. The error to it is corrected by a proportional and
an integral term, both limited.
"""

from __future__ import annotations

from math import remainder, tau

from quadleg.geometry.planar import ZERO_TWIST, Planar, compose_planar, from_frame, motion, to_frame

# The heading has the highest gains, as all else depends on it. Sideways steps turn a trot, so their integral is weak.
PROPORTIONAL_GAINS = (0.8, 0.3, 2.5)  # 1/s
INTEGRAL_GAINS = (0.4, 0.02, 0.6)  # 1/s²
MOST_SHARE = 0.3  # of the gait's limits: the largest correction
ERROR_LIMITS = (0.04, 0.04, 0.25)  # m, m, rad: a blocked robot does not push ever harder (anti-windup)


class PathFeedback:
    """Path feedback of one robot.

    `place` is None before the first estimate.
    """

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Restart the path where the robot is at the next estimate."""
        self.place: Planar | None = None
        self._twist = self._integral = ZERO_TWIST

    def correction(self, wanted: Planar, estimate: Planar, fastest: Planar, acceleration: Planar, dt: float) -> Planar:
        """Return the velocity (m/s, m/s, rad/s) to add to the one that is asked for, `dt` s after the last.

        `estimate` is base_footprint's estimated place and heading (m, m, rad), `fastest` and `acceleration` are what
        the gait can do along each axis. While the velocity is zero, the path restarts at the robot.
        """
        x, y, yaw = (
            now + min(max(goal - now, -most * dt), most * dt)
            for now, goal, most in zip(self._twist, wanted, acceleration)
        )
        self._twist = x, y, yaw
        if self.place is None or self._twist == ZERO_TWIST:
            self.place, self._integral = estimate, ZERO_TWIST
            return ZERO_TWIST
        self.place = compose_planar(self.place, motion(self._twist, dt))
        ahead, aside = to_frame(estimate, self.place[0], self.place[1])
        off = (ahead, aside, remainder(self.place[2] - estimate[2], tau))
        ahead, aside, turned = (_within(value, most) for value, most in zip(off, ERROR_LIMITS))
        self.place = (*from_frame(estimate, ahead, aside), estimate[2] + turned)
        off, most = (ahead, aside, turned), tuple(MOST_SHARE * value for value in fastest)
        x, y, yaw = (
            _within(integral + gain * value * dt, limit)
            for integral, gain, value, limit in zip(self._integral, INTEGRAL_GAINS, off, most)
        )
        self._integral = x, y, yaw
        x, y, yaw = (
            _within(integral + gain * value, limit)
            for integral, gain, value, limit in zip(self._integral, PROPORTIONAL_GAINS, off, most)
        )
        return x, y, yaw


def _within(value: float, most: float) -> float:
    return min(max(value, -most), most)
