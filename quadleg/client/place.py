"""Where a walking robot is, seen from where its walk began, and the velocity towards a goal; without ROS."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import copysign, hypot, inf, remainder, tau
from typing import Any

from quadleg.client.results import EstimateSource
from quadleg.estimation.footprint import footprint
from quadleg.geometry.planar import ZERO_TWIST, Planar, compose_planar, motion, to_frame
from quadleg.kinematics.body_pose import all_forward
from quadleg.robot.model import JOINT_NAMES, LEGS, RobotModel

ODOM_FRESH = 0.5  # s


@dataclass(frozen=True)
class Track:
    """Places and headings of base_footprint (m, m, rad), from where it was at the first plan heard.

    `place` is by odometry where that is heard, carried on by the plan; `planned` by the plan alone; `twist` is the
    planned velocity; `estimated_at` tells when odometry was last heard, in s of the steady clock.
    """

    place: Planar = ZERO_TWIST
    planned: Planar = ZERO_TWIST
    twist: Planar = ZERO_TWIST
    estimated_at: float = -inf

    def source(self, now: float) -> EstimateSource:
        """By what the place is known."""
        return EstimateSource.ODOMETRY if now - self.estimated_at < ODOM_FRESH else EstimateSource.PLAN


class PlaceTracker:
    """Follows base_footprint by the plan and, where there is one, an estimate. `track` is replaced as a whole."""

    def __init__(self, model: RobotModel) -> None:
        self._model = model
        self.track = Track()
        self._plan: Any = None  # the last message, and the time (s) that it is of
        self._planned_at = 0.0
        self._began = ZERO_TWIST  # in the estimate's world

    @property
    def heard(self) -> bool:
        """Whether there is a plan."""
        return self._plan is not None

    def hear_plan(self, message: Any) -> None:
        """Take one message of `planned_feet`, whose last twist is that of the frame itself."""
        going, stamp, track = message.twist[-1], message.header.stamp, self.track
        seconds, twist = stamp.sec + 1e-9 * stamp.nanosec, (going.linear.x, going.linear.y, going.angular.z)
        if self.heard:
            x, y, yaw = ((a + b) / 2 for a, b in zip(track.twist, twist))
            moved = motion((x, y, yaw), max(seconds - self._planned_at, 0.0))
            track = replace(
                track, place=compose_planar(track.place, moved), planned=compose_planar(track.planned, moved)
            )
        self._plan, self._planned_at, self.track = message, seconds, replace(track, twist=twist)

    def hear_estimate(self, message: Any, angles: Mapping[str, float], now: float) -> None:
        """Take one message of `odom`, with the joints' angles (rad), at a time in s of the steady clock."""
        found = self._footprint(message, angles)
        if found is None:
            return
        place = self.track.place
        if self.track.source(now) is not EstimateSource.ODOMETRY:
            self._began = compose_planar(found, (*to_frame(place, 0.0, 0.0), -place[2]))
        x, y = to_frame(self._began, found[0], found[1])
        more = remainder(found[2] - self._began[2] - place[2], tau)  # of a robot that turns round and round
        self.track = replace(self.track, place=(x, y, place[2] + more), estimated_at=now)

    def _footprint(self, message: Any, angles: Mapping[str, float]) -> Planar | None:
        """Place and heading of base_footprint in the estimate's world, None where they are not known."""
        from quadleg.middleware.topics import known_pose

        carrying = (
            [leg for leg, wrench in enumerate(self._plan.wrench[: len(LEGS)]) if wrench.force.z] if self._plan else []
        )
        if len(carrying) < 2 or len(angles) < len(JOINT_NAMES):
            return None
        body = known_pose(message)
        if body is None:
            return None
        feet = all_forward(self._model, [angles[name] for name in JOINT_NAMES])
        places = [self._plan.transforms[leg].translation for leg in carrying]
        planned = [(place.x, place.y, place.z) for place in places]
        ground, _ = footprint(body, [feet[leg] for leg in carrying], planned, self._model.legs[0].foot_radius)
        return ground.position[0], ground.position[1], ground.rpy[2]


def left_to(goal: Planar, place: Planar) -> Planar:
    """A goal seen from a place, both in one frame. Headings are not wrapped: a goal may be more than half a turn on."""
    return (*to_frame(place, goal[0], goal[1]), goal[2] - place[2])


def is_near(way: Planar, tolerance: tuple[float, float]) -> bool:
    """Whether a place and heading that are `way` off (m, m, rad) are within a tolerance (m, rad)."""
    return hypot(way[0], way[1]) < tolerance[0] and abs(way[2]) < tolerance[1]


def way_to_rest(twist: Planar, fastest: Planar, ramp: float) -> Planar:
    """How far the plan goes on (m, m, rad) when it brakes from a twist.

    `fastest` is the gait's velocity along each axis, `ramp` the time in s in which it comes from that to rest.
    """
    x, y, yaw = (speed * abs(speed) / (2 * limit / ramp) if limit else 0.0 for speed, limit in zip(twist, fastest))
    return x, y, yaw


def approach_velocity(way: Planar, fastest: Planar, ramp: float) -> Planar:
    """The velocity towards a place and heading that are `way` off where the robot would now come to rest."""
    x, y, yaw = (copysign(min(limit, 2 * abs(left) / ramp), left) for left, limit in zip(way, fastest))
    return x, y, yaw


def seconds_for(way: Planar, fastest: Planar) -> float:
    """How long a way (m, m, rad) takes along one axis after the other; axes without a way or a limit take nothing."""
    return sum(abs(left) / limit for left, limit in zip(way, fastest) if limit)
