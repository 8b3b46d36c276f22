"""`Robot`: a running stack from a Python script. Each call returns when it is done, or raises with the reason."""

from __future__ import annotations

from collections.abc import Callable
from math import degrees, radians

from quadleg.client.gait_report import GaitReport
from quadleg.client.keywords import check_numbers, check_place, check_seconds, check_speeds, keywords_only
from quadleg.client.listener import HEARD_WITHIN
from quadleg.client.posed_robot import PosedRobot
from quadleg.client.results import WalkResult
from quadleg.client.walking import (
    ARRIVED_WITHIN,
    MOST_HEADING,
    STOP_WALKING_WITHIN,
    WalkSession,
    gait_report,
    walk_for,
    walk_to_place,
)
from quadleg.errors import NotReached, Refused
from quadleg.geometry.planar import ZERO_TWIST


class Robot(PosedRobot):
    """One running stack, found by its `namespace`; see StackConnection for its callbacks.

    `stand`, `pose`, `walk` and `walk_to` take keywords only, with the unit in the name, and return a frozen result:
    asked, reached, error, and by what that is known. Numbers that are not finite or make no sense raise Refused.
    Raises RosMissing without ROS, and StackNotFound where no stack is found within five seconds.
    """

    def choose_gait(self, gait: str) -> None:
        """Walk in another gait from now on; a walking robot first stops square. Raises Refused with the names."""
        self.set_parameter("gait", "gait", gait)
        self.wait(
            lambda: self.last.values("gait").get("gait") == gait,
            STOP_WALKING_WITHIN,
            lambda: f"the gait does not change; gait: {self.last.message('gait')}",
            NotReached,
        )

    @keywords_only(
        vx="forward_m_s (m/s)", vy="left_m_s (m/s)", yaw_rate="turn_deg_s (degrees a second to the left, no radians)"
    )
    def walk(
        self,
        *,
        forward_m_s: float = 0.0,
        left_m_s: float = 0.0,
        turn_deg_s: float = 0.0,
        seconds: float,
        exact: bool = False,
    ) -> WalkResult:
        """Walk as far as a velocity (m/s forward, m/s and degrees/s to the left) leads in so long; then stop square.

        The time begins when the plan sets off, and stands still while the robot holds; a walk too short for its full
        speed takes longer. What is faster than the gait can go is scaled, keeping its direction, which the result
        says; with `exact` that raises. Where it came to is by `odom` where that is heard, else by the plan. Raises
        Refused where the robot cannot walk so, Overridden where someone else drives, NotReached (its `result` tells
        how far it came) or StackNotFound.
        """
        check_numbers(turn_deg_s=turn_deg_s)
        check_speeds(forward_m_s=forward_m_s, left_m_s=left_m_s)
        check_seconds(seconds)
        twist = float(forward_m_s), float(left_m_s), radians(turn_deg_s)
        if twist == ZERO_TWIST:
            raise Refused("no velocity is asked for: give forward_m_s, left_m_s or turn_deg_s")
        with self._walk_session() as session:
            return walk_for(session, twist, seconds, exact)

    @keywords_only(x="x_mm", y="y_mm", heading="heading_deg (degrees, no radians)")
    def walk_to(
        self,
        *,
        x_mm: float = 0.0,
        y_mm: float = 0.0,
        heading_deg: float = 0.0,
        within_mm: float = 1000 * ARRIVED_WITHIN[0],
        within_deg: float = degrees(ARRIVED_WITHIN[1]),
        speed_share: float = 1.0,
    ) -> WalkResult:
        """Walk to a place (mm forward, mm to the left) and heading (degrees to the left) seen from where it stands.

        It walks again where it has slipped, until it stands within `within_mm` and `within_deg` of the goal: by `odom`
        where that is heard, else by the plan. `speed_share` (0 to 1) is that of the gait's limits. Raises Refused where
        the robot cannot walk, Overridden where someone else drives, NotReached (its `result` tells how far it came)
        after 20 s and three times what the way takes at those limits, or StackNotFound.
        """
        check_place(x_mm, y_mm, within_mm)
        check_numbers(heading_deg=heading_deg, within_deg=within_deg, speed_share=speed_share)
        if abs(heading_deg) > MOST_HEADING:
            raise Refused(f"the heading is {heading_deg:g}; it is in degrees, and more than a whole turn leads nowhere")
        if min(within_mm, within_deg) <= 0:
            raise Refused(f"within_mm is {within_mm:g} and within_deg {within_deg:g}; both must be greater than 0")
        if not 0 < speed_share <= 1:
            raise Refused(f"speed_share is {speed_share:g}; it must be greater than 0 and at most 1")
        goal = x_mm / 1000, y_mm / 1000, radians(heading_deg)
        with self._walk_session() as session:
            return walk_to_place(session, goal, (within_mm / 1000, radians(within_deg)), speed_share)

    def gait_report(self) -> GaitReport:
        """What gait says of itself: its limits, whose velocity counts, what blocks the walk; raises StackNotFound."""
        return gait_report(self)

    def wait_until_it_stands(self, check: Callable[[], None] = lambda: None) -> None:
        """Return when the robot, asked for no velocity any more, is in its square stance; raises NotReached.

        `check` is called whenever something is heard, and may raise.
        """
        stopped = self.steady_time()

        def stands() -> bool:
            check()
            if self.last.heard("gait") <= stopped:
                return False
            report = GaitReport.of(self.last.values("gait"))
            return report.motion == "stands" and report.asked == ZERO_TWIST

        self.wait(stands, STOP_WALKING_WITHIN, lambda: "no square stance", NotReached)

    def _walk_session(self) -> WalkSession:
        self.wait(self._everyone, HEARD_WITHIN, self._who_is_missing)
        self._need_active()
        return WalkSession(self, self.model, self.frame)
