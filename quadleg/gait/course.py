"""Keeping the course: a walk slips, rolls on its feet and turns a little; what the estimate shows is given back.

The course is where the robot would be had every velocity been kept. It pulls like a spring, and never far.
"""

from __future__ import annotations

from math import remainder, tau

from quadleg.kinematics.planar import STILL, Planar, carried, compose, motion, seen_from

GAIN = 0.8  # 1/s: of a deviation, given back as velocity
MOST_SHARE = 0.3  # of the gait's limits: what is given back at most
LEASH = (0.04, 0.04, 0.25)  # m, m, rad: a robot that is held back is not pulled harder for ever


class Course:
    """The course of one robot.

    `place` is None before the first estimate.
    """

    def __init__(self) -> None:
        self.place: Planar | None = None
        self._twist = STILL

    def forget(self) -> None:
        """The course begins anew, where the robot is at the next estimate."""
        self.place, self._twist = None, STILL

    def correction(self, wanted: Planar, estimate: Planar, fastest: Planar, acceleration: Planar, dt: float) -> Planar:
        """The velocity (m/s, m/s, rad/s) to add to the one that is wanted, `dt` s after the last.

        `estimate` is base_footprint's estimated place and heading (m, m, rad), `fastest` and `acceleration` are what
        the gait can do along each axis. No velocity wanted for a while: the robot stays where it has come to.
        """
        x, y, yaw = (
            now + min(max(goal - now, -most * dt), most * dt)
            for now, goal, most in zip(self._twist, wanted, acceleration)
        )
        self._twist = x, y, yaw
        if self.place is None or self._twist == STILL:
            self.place = estimate
            return STILL
        self.place = compose(self.place, motion(self._twist, dt))
        ahead, aside = seen_from(estimate, self.place[0], self.place[1])
        off = (ahead, aside, remainder(self.place[2] - estimate[2], tau))
        ahead, aside, turned = (min(max(value, -most), most) for value, most in zip(off, LEASH))
        self.place = (*carried(estimate, ahead, aside), estimate[2] + turned)
        x, y, yaw = (
            min(max(GAIN * value, -MOST_SHARE * most), MOST_SHARE * most)
            for value, most in zip((ahead, aside, turned), fastest)
        )
        return x, y, yaw
