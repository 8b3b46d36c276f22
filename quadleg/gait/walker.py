"""A robot's walk: the plan of its feet, corrected by the estimated place and the slope of the ground."""

from __future__ import annotations

from collections.abc import Sequence
from math import degrees, inf

from quadleg.gait.path_feedback import PathFeedback
from quadleg.gait.planner import GaitPlan, Planner
from quadleg.gait.slope import Slope
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.geometry.planar import ZERO_TWIST, Planar, from_frame
from quadleg.geometry.registration import fit_pose
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector
from quadleg.kinematics.body_pose import all_forward
from quadleg.robot.model import Angles, RobotModel

LOOK_PERIOD = 0.1  # s between updates of the body's pose over its feet
PLACE_FRESH = 0.5  # s that a place counts after it was found


class Walker:
    """One robot's walk, tick after tick of `period` s. Times `now` are of a steady clock in s.

    `keep_course`: with an estimate of the place, what the walk slips and turns is given back. `level`: on a slope
    the body is level; else it is along the ground. `plan` is that of the last tick.
    """

    def __init__(
        self, robot: RobotModel, limits: WalkingLimits, period: float, keep_course: bool = True, level: bool = True
    ) -> None:
        self._robot = robot
        self._period = period
        self.planner = Planner(robot, limits, period)
        self.keep_course = keep_course
        self._course = PathFeedback()
        self._level = level
        self._slope = Slope(robot)
        self._slope_shift = self._slope.shift(level)
        self._body: Planar = ZERO_TWIST  # in base_footprint, without the plan's shift
        self._looked_at = -inf
        self._place: tuple[Planar, float] = (ZERO_TWIST, -inf)  # of base_footprint, and when it was found
        self.plan: GaitPlan = self.planner.step()

    @property
    def shift(self) -> Pose:
        """Of the body in base_footprint: sway, and what the slope asks for."""
        (x, y), (up_x, up_y, _) = self.plan.shift, self._slope_shift.position
        return Pose((x + up_x, y + up_y, 0.0), self._slope_shift.quaternion)

    @property
    def margin(self) -> float:
        """The static margin of the last plan in m, with the body where it stands over its feet."""
        return self.planner.margin(self._body[:2])

    @property
    def slope(self) -> float:
        """How steep the ground is, in degrees."""
        return degrees(self._slope.angle)

    def stand_on(self, feet: Sequence[Vector]) -> None:
        """Be at rest over feet (m, in base_footprint) to which the watchdog has led them."""
        self.planner.stand_on(feet)

    # What is known of the body

    def uses_pose(self) -> bool:
        """Whether an estimated place would be used now."""
        return self.keep_course and self.planner.walking

    def update_pose(self, body: Pose, now: float) -> None:
        """Take the pose of base_link in the world."""
        (shift_x, shift_y, _), (body_x, body_y, body_yaw) = self.shift.position, self._body
        (x, y, _), heading = body.position, body.yaw - body_yaw
        self._place = (*from_frame((x, y, heading), -shift_x - body_x, -shift_y - body_y), heading), now

    def body_update_due(self, now: float) -> bool:
        """Whether an update of the body's pose is due; it takes three feet on the ground."""
        return now - self._looked_at >= LOOK_PERIOD and sum(load > 0.0 for load in self.plan.loads) >= 3

    def update_body(self, angles: Angles, up: Vector | None, now: float) -> None:
        """Take the joints' angles (rad) and the vertical in base_link (unit vector; None: not measured)."""
        standing = [leg for leg, load in enumerate(self.plan.loads) if load]
        feet = all_forward(self._robot, angles)
        body = fit_pose([feet[leg] for leg in standing], [self.plan.feet[leg] for leg in standing])
        (x, y, _), (shift_x, shift_y, _) = body.position, self.shift.position
        self._body = x - shift_x, y - shift_y, body.yaw
        self._slope.update(up, body, min(now - self._looked_at, 2 * LOOK_PERIOD))
        self._slope_shift = self._slope.shift(self._level)
        self._looked_at = now

    # One tick

    def step(self, asked: Planar | None, now: float) -> float:
        """The next tick's plan with the velocity (m/s, m/s, rad/s) asked for, and how much of what is possible in its
        direction that takes, ways of no limit left out. None: the watchdog leads, and the plan stands.
        """
        use = 0.0
        if asked is not None:
            use = self.planner.limits.use(self.planner.limits.possible(asked))
            self.planner.walk(self._kept_on_course(asked, now))
        self.plan = self.planner.step()
        return use

    def _kept_on_course(self, twist: Planar, now: float) -> Planar:
        """Return the velocity with the path feedback added."""
        place, found = self._place
        if not self.keep_course or now - found > PLACE_FRESH or twist == ZERO_TWIST:
            self._course.forget()
            return twist
        limits = self.planner.limits
        x, y, yaw = limits.scaled(twist)
        more = self._course.correction((x, y, yaw), place, limits.forward, limits.acceleration, self._period)
        return x + more[0], y + more[1], yaw + more[2]
