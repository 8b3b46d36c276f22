"""Walking from a script: with a velocity, or to a place; ended where someone else drives or the robot cannot go on."""

from __future__ import annotations

from dataclasses import replace
from math import degrees, hypot, inf, radians, sqrt
from types import TracebackType
from typing import Any

from quadleg.client.connection import StackConnection
from quadleg.client.gait_report import GaitReport
from quadleg.client.listener import HEARD_WITHIN
from quadleg.client.override_watch import OverrideWatch
from quadleg.client.place import PlaceTracker, Track, approach_velocity, is_near, left_to, seconds_for, way_to_rest
from quadleg.client.posing import FollowingJudge, judge_state
from quadleg.client.results import EstimateSource, GroundMove, WalkResult
from quadleg.client.snapshot import Snapshot
from quadleg.errors import NotReached, Overridden, Refused
from quadleg.gait.velocity_selection import LEAST_SCALE
from quadleg.gait.walk_obstacles import Obstacle
from quadleg.geometry.planar import ZERO_TWIST, Planar, compose_planar, motion
from quadleg.robot.model import RobotModel
from quadleg.topic_table import COMMAND_FRESH

OWN_TOPIC = "cmd_vel"
VELOCITY_PERIOD = 0.05  # s
ANOTHER_DRIVES_AFTER = COMMAND_FRESH + 1.5  # s: a velocity ages, and gait says so within a second
STOP_WALKING_WITHIN = 15.0  # s for a stride or two
# s besides three times what the way takes at the gait's limits: for setting off, stopping, and going on after a slip
WALK_PATIENCE = 20.0
STOPS_WITHIN = (0.003, radians(0.5))  # m, rad of the goal, by the plan
STOPS_WITHIN_BY_ODOM = (0.005, radians(1.5))  # it wavers with each step
ARRIVED_WITHIN = (0.015, radians(3.0))  # m, rad: with its last steps a robot slips a little
WALKED_SHARE = 0.5  # of the way asked for: a robot that falls short of more has not walked as it was asked to
MOST_HEADING = 360.0  # degrees: a goal that turns farther is a mistake in the unit


class WalkClock:
    """Counts the seconds of a walk: not those before the plan sets off, nor those in which the robot holds."""

    def __init__(self, seconds: float) -> None:
        self.left = seconds
        self._before: float | None = None
        self._set_off = False

    def tick(self, active: bool, planned: Planar, now: float) -> bool:
        """Whether to go on, now, with the planned velocity. Times are of the steady clock, in s."""
        self._set_off = self._set_off or planned != ZERO_TWIST
        if self._before is not None and active and self._set_off:
            self.left -= now - self._before
        self._before = now
        return self.left > 0


class WalkSession:
    """One walk of a robot that stands: publishes velocities, and knows where the robot has come to.

    A context: it ends with no velocity. Raises Refused where the robot is not active or cannot walk at all.
    """

    def __init__(self, connection: StackConnection, model: RobotModel, frame: str) -> None:
        from geometry_msgs.msg import TwistStamped

        self._connection = connection
        self.steady_time = connection.steady_time
        self._tracker = PlaceTracker(model)
        self._watch = OverrideWatch((OWN_TOPIC,), inf)  # until the walk begins
        self._judged = 0.0  # when the report that was judged last came
        self.asked = ZERO_TWIST  # where the walk is to lead
        self.scale = 1.0
        self._following = FollowingJudge()
        self.report = gait_report(connection)
        self._message = TwistStamped()
        self._message.header.frame_id = frame
        self._velocities = connection.advertise(OWN_TOPIC)
        self._heard = [
            connection.listen("planned_feet", self._hear_plan, 10),
            connection.listen("odom", self._hear_estimate, 10),
        ]

    def __enter__(self) -> WalkSession:
        try:
            self._connection.wait_for_listener(self._velocities, OWN_TOPIC)
            self._connection.wait(
                lambda: self._tracker.heard, HEARD_WITHIN, lambda: "no planned_feet: is gait running?"
            )
            self._check_that_no_other_drives()
        except BaseException:
            self._close()
            raise
        self._judged = self.steady_time()
        self._watch = OverrideWatch((OWN_TOPIC,), self._judged)
        return self

    def _check_that_no_other_drives(self) -> None:
        """Raise Overridden where the robot goes with another's velocity, once any older one of this client has aged."""

        def idle() -> bool:
            self.report = GaitReport.of(self._connection.last.values("gait"))
            return self.report.asked == ZERO_TWIST

        try:
            self._connection.wait(idle, ANOTHER_DRIVES_AFTER, lambda: "driven", NotReached)
        except NotReached:
            by = self._watch.another(self.report.asker)
            raise Overridden(
                f"someone else drives the robot, by {by}, and this walk has not begun",
                replace(self.result(), overridden_by=by),
            ) from None

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._close()

    def _close(self) -> None:
        self._send(ZERO_TWIST)
        for subscription in self._heard:
            self._connection.node.destroy_subscription(subscription)
        self._connection.node.destroy_publisher(self._velocities)

    @property
    def track(self) -> Track:
        """Where the robot is, seen from where the walk began."""
        return self._tracker.track

    @property
    def said(self) -> str:
        """What gait says of the walk, as a sentence."""
        return self._connection.last.message("gait")

    @property
    def active(self) -> bool:
        """Whether the robot follows the plan."""
        return self._connection.last.state == "active"

    def go(self, twist: Planar) -> None:
        """Ask for a velocity, for one period. Raises NotReached or Overridden where it is not walked."""
        self.check()
        self._send(twist)
        self._connection.pause(VELOCITY_PERIOD)

    def stand(self) -> None:
        """Ask for no velocity and return when the robot is in its square stance."""
        self._send(ZERO_TWIST)
        stopped = self.steady_time()

        def stands() -> bool:
            self.check()
            return self.report.motion == "stands" and self.report.asked == ZERO_TWIST and self._judged > stopped

        try:
            self._connection.wait(stands, STOP_WALKING_WITHIN, lambda: "no square stance", NotReached)
        except NotReached as error:
            if error.result is not None:
                raise
            raise NotReached(f"{error}; {self._so_far()}", self.result()) from None

    def check(self) -> None:
        """Judge what was heard last. Raises NotReached or Overridden, with what was reached so far."""
        self._connection.check()
        now = self._connection.last
        try:
            judge_state(now, self.steady_time())
            self._following.judge(now, self.steady_time())
        except NotReached as error:
            raise NotReached(f"{error}; {self._so_far()}", self.result()) from None
        heard = now.heard("gait")
        if heard <= self._judged:
            return
        self.report, self._judged = GaitReport.of(now.values("gait")), heard
        self._judge(now)

    def _judge(self, now: Snapshot) -> None:
        report = self.report
        if by := self._watch.driven_by(now):
            raise Overridden(
                f"someone else drives the robot, by {by}, and this walk has ended; {self._so_far()}",
                replace(self.result(), overridden_by=by),
            )
        if self._watch.has_sent(report.asker, report.asker_stamp):
            self.scale = min(self.scale, report.scale)
        unheard = not report.asker and report.obstacle in (Obstacle.UNHEARD_TYPE, Obstacle.VELOCITY_REFUSED)
        if unheard or report.obstacle is Obstacle.CANNOT_WALK:
            raise NotReached(f"{now.message('gait')}; {self._so_far()}", self.result())

    def result(self) -> WalkResult:
        """What was reached so far."""
        track, off = self.track, self.report.way_deviation
        unsure = tuple(abs(part * share) for part, share in zip(track.planned, off or ()))
        return WalkResult(
            GroundMove.of(self.asked),
            GroundMove.of(track.place),
            track.source(self.steady_time()),
            self.report.gait,
            self.scale,
            shortfall=self._following.shortfall,
            planned=GroundMove.of(track.planned),
            unsure=GroundMove.of((unsure[0], unsure[1], unsure[2])) if off else None,
        )

    def _so_far(self) -> str:
        result = self.result()
        return f"it came {result.reached}, by {result.source.value}"

    def _send(self, twist: Planar) -> None:
        from quadleg.middleware.topics import nanoseconds

        message = self._message
        message.header.stamp = self._connection.node.stamp()
        message.twist.linear.x, message.twist.linear.y, message.twist.angular.z = map(float, twist)
        self._watch.sent(OWN_TOPIC, nanoseconds(message.header.stamp))
        self._velocities.publish(message)

    def _hear_plan(self, plan: Any) -> None:
        self._tracker.hear_plan(plan)
        self._connection.tell("on_plan", plan)

    def _hear_estimate(self, estimate: Any) -> None:
        self._tracker.hear_estimate(estimate, self._connection.last.angles, self.steady_time())


def gait_report(connection: StackConnection) -> GaitReport:
    """What gait says, which is waited for."""
    connection.wait(lambda: bool(connection.last.values("gait")), HEARD_WITHIN, lambda: "gait is not heard")
    return GaitReport.of(connection.last.values("gait"))


def walk_for(session: WalkSession, twist: Planar, seconds: float, exact: bool) -> WalkResult:
    """Walk with a velocity (m/s, m/s, rad/s) as far as it leads in so many seconds; see `RobotModel.walk`."""
    report = session.report
    if reason := report.impossible(twist):
        raise Refused(f"{reason}; `quadleg status` says more")
    too_fast = report.too_fast(twist)
    if exact and too_fast:
        raise Refused(f"too fast for the gait {report.gait}: {too_fast}; an exact walk is not scaled")
    use = min(1.0, max(abs(part) / limit for part, limit in zip(twist, report.along(twist)) if part))
    # In a walk too short for its full speed, speeding up and braking are a triangle over time, of the same area.
    clock = WalkClock(max(seconds, sqrt(seconds * use * report.ramp)))
    session.asked = motion(twist, seconds)
    while clock.tick(session.active, session.track.twist, session.steady_time()):
        session.go(twist)
        if exact and session.scale < LEAST_SCALE:
            raise NotReached(
                f"too fast for the gait {report.gait}, which walks {100 * session.scale:.0f} % of this velocity; an "
                "exact walk is not scaled",
                session.result(),
            )
    session.stand()
    result = session.result()
    x, y, yaw = (session.scale * part for part in twist)
    expected = motion((x, y, yaw), seconds)
    off = left_to(expected, session.track.place)
    distance = hypot(*expected[:2])
    most = (
        max(ARRIVED_WITHIN[0], (1 - WALKED_SHARE) * distance),
        max(ARRIVED_WITHIN[1], (1 - WALKED_SHARE) * abs(expected[2])),
    )
    if not is_near(off, most):
        raise NotReached(f"it did not walk as it was asked to: {result}; {what_stops(session)}", result)
    return result


def walk_to_place(session: WalkSession, goal: Planar, within: tuple[float, float], speed_share: float) -> WalkResult:
    """Walk to a place and heading (m, m, rad), until within a tolerance (m, rad) of it; see `RobotModel.walk_to`."""
    report = session.report
    fastest, ramp = report.both_ways, report.ramp
    if reason := report.impossible(goal):
        raise Refused(f"{reason}; `quadleg status` says more")
    session.asked = goal
    slower = speed_share * fastest[0], speed_share * fastest[1], speed_share * fastest[2]
    limit = WALK_PATIENCE + 3 * seconds_for(goal, slower)
    until = session.steady_time() + limit
    stops_by_odom = min(STOPS_WITHIN_BY_ODOM[0], within[0] / 2), min(STOPS_WITHIN_BY_ODOM[1], within[1] / 2)
    slip = ZERO_TWIST  # from where the plan would rest to where the robot does, which is much the same each time
    while True:
        rest = session.track.place
        while session.steady_time() < until:
            track = session.track
            estimated = track.source(session.steady_time()) is EstimateSource.ODOMETRY
            rest = compose_planar(track.place, way_to_rest(track.twist, fastest, ramp))
            off = left_to((goal[0] - slip[0], goal[1] - slip[1], goal[2] - slip[2]), rest)
            if is_near(off, stops_by_odom if estimated else STOPS_WITHIN):
                break
            session.go(approach_velocity(off, slower, ramp))
        session.stand()
        result, place = session.result(), session.track.place
        if is_near(left_to(goal, place), within):
            return result
        if session.steady_time() > until:
            far = f"{result.error_mm:.0f} mm and {result.error_deg:.1f}° away by {result.source.value}"
            raise NotReached(f"still {far} after {limit:.0f} s; {what_stops(session)}", result)
        x, y, turn = (now - planned for now, planned in zip(place, rest))
        if is_near((x, y, turn), ARRIVED_WITHIN):  # more than that is a push, and none to make up for in advance
            before = (x, y, turn) if slip == ZERO_TWIST else slip
            slip = (before[0] + x) / 2, (before[1] + y) / 2, (before[2] + turn) / 2


def what_stops(session: WalkSession) -> str:
    """What keeps a walk from its goal, by gait's words and by plan and estimate."""
    track, said = session.track, session.said
    planned = hypot(*track.planned[:2]), abs(degrees(track.planned[2]))
    words = f"the plan went {1000 * planned[0]:.0f} mm and turned {planned[1]:.0f}°"
    return words if session.report.obstacle is Obstacle.NONE else f"{words}; {said}"
