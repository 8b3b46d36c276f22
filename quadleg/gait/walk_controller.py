"""A robot's walk on request: whose velocity counts, in which gait, how much of it is walked, and why no more."""

from __future__ import annotations

from collections import deque
from math import hypot

from quadleg.gait.gait_selection import GaitSelection
from quadleg.gait.planner import Planner
from quadleg.gait.stability import froude_number
from quadleg.gait.velocity_selection import (
    VelocityCommand,
    VelocityCommands,
    WalkDirection,
    ways_left_out,
)
from quadleg.gait.walk_obstacles import Obstacle, WalkMotion
from quadleg.gait.walker import Walker
from quadleg.gait.walking_limits import RAMP_STRIDES, WalkingLimits
from quadleg.geometry.planar import ZERO_TWIST
from quadleg.health import OK, WARN, CodedFact, Health, numbers
from quadleg.robot.model import RobotModel

MARGIN_TIME = 2.0  # s over which the least margin is reported: a stride or more


class WalkController:
    """One robot's walk by `velocities` in the gait of `gaits`, tick after tick of `period` s.

    `walker` plans it. `active` is whether velocities count; else the watchdog leads the joints, and the plan stands on
    the feet as they are, so that there is no step when the watchdog lets go. Times are of a steady clock in s.
    """

    def __init__(
        self,
        robot: RobotModel,
        gaits: GaitSelection,
        velocities: VelocityCommands,
        period: float,
        keep_course: bool,
        level: bool,
    ) -> None:
        self._robot = robot
        self._gaits = gaits
        self._velocities = velocities
        limits = gaits.limits()
        assert limits  # those of the first gait are there from the start
        self.walker = Walker(robot, limits, period, keep_course, level)
        self.active = False
        self._asked = VelocityCommand()
        self._use = 0.0
        self._margins = deque([self.walker.margin], maxlen=round(MARGIN_TIME / period))

    @property
    def planner(self) -> Planner:
        """What plans the feet."""
        return self.walker.planner

    @property
    def limits(self) -> WalkingLimits:
        """Of the gait that is walked."""
        return self.planner.limits

    def follow_state(self, state: str) -> None:
        """Take the watchdog's state."""
        self.active = state == "active"
        if state in ("off", "fault"):
            self.walker.stand_on(self._robot.standing.feet)

    def step(self, now: float) -> None:
        """Plan the next tick."""
        limits = self._gaits.limits()
        if limits:
            self.planner.change(limits)
        self._asked = self._velocities.wanted(now)
        self._use = self.walker.step(self._asked.twist if self.active else None, now)
        self._margins.append(self.walker.margin)

    # What it tells

    @property
    def _left_out(self) -> tuple[WalkDirection, ...]:
        """Return the directions asked for in which the limit is zero."""
        asked = self._asked.twist if self.active else ZERO_TWIST
        return ways_left_out(asked, self.limits.possible(asked))

    @property
    def _scale(self) -> float:
        """Return the share of the velocity that is walked, without impossible directions; 0 if none is left."""
        nothing = self._left_out and self.limits.possible(self._asked.twist) == ZERO_TWIST
        return 0.0 if nothing else 1.0 / max(self._use, 1.0)

    @property
    def _motion(self) -> WalkMotion:
        planner = self.planner
        if planner.settled:
            return WalkMotion.STANDS
        if not planner.walking or planner.gait_changes or (self._asked.twist == ZERO_TWIST and self.active):
            return WalkMotion.STOPS
        return WalkMotion.WALKS

    @property
    def source(self) -> str:
        """The topic whose velocity counts, empty where none does."""
        return self._asked.source

    def progress(self) -> tuple[object, ...]:
        """Return what is reported as soon as it changes."""
        return self._motion, self._use > 1.0, self._left_out, self._asked.source, self._velocities.refusal

    def health(self, now: float, paused: bool, publishers: int) -> Health:
        """How it walks; `paused`: it does not tick; `publishers` is how many there are of `source`."""
        planner, limits, asked = self.planner, self.limits, self._asked
        margin, trouble = min(self._margins), limits.trouble
        complaint = CodedFact.of(Obstacle.PAUSED) if paused else self._complaint(now, publishers)
        obstacle = Obstacle(complaint.code) if complaint else self._obstacle()
        values: dict[str, object] = {
            "gait": limits.gait.name,
            "gait_asked": self._gaits.chosen,
            "motion": self._motion.value,
            "asked": numbers(asked.twist),
            "asker": asked.source,
            "asker_stamp": asked.stamp,
            "scale": f"{self._scale:.4f}",
            "left_out": " ".join(way.value for way in self._left_out),
            "planned": numbers(planner.twist),
            "limits_forward": numbers(limits.forward),
            "limits_backward": numbers(limits.backward),
            "footprint_mm": numbers((2000 * half for half in limits.footprint), 0),
            "way_scale": numbers(limits.gait.way_scale),
            "way_scale_deviation": numbers(limits.gait.way_scale_deviation or ()),
            "odometry_scale": numbers(limits.gait.odometry_scale),
            "ramp_s": f"{RAMP_STRIDES * limits.gait.stride_period:.3f}",
            "margin_mm": f"{1000 * margin:.1f}",
            "froude_number": f"{froude_number(hypot(*planner.twist[:2]), self._robot.standing.height):.4f}",
            "slope_deg": f"{self.walker.slope:.1f}",
            "obstacle": obstacle.value,
            **(trouble.values("trouble") if trouble else {"trouble": ""}),
        }
        if complaint:
            return Health(values=values, level=WARN, state=self._motion.value, notices=(complaint,))
        return Health("", values, OK, self._motion.value, self._reason(), self._notices())

    def _complaint(self, now: float, publishers: int) -> CodedFact | None:
        """Return what keeps the robot from walking as asked, if a person has to act on it."""
        asked, limits, margin = self._asked, self.limits, min(self._margins)
        if unclear := self._velocities.unclear(now, asked.source, publishers):
            return unclear
        if limits.trouble:
            return limits.cannot_walk if asked.source else None
        if self.planner.walking and limits.margin is not None and margin < limits.margin / 2:
            return CodedFact.of(Obstacle.LEANS, margin_mm=f"{1000 * margin:.0f}")
        return self._impossible_ways() if self.active and self._left_out and not self._scale else None

    def _obstacle(self) -> Obstacle:
        """Return what else keeps the robot from walking as asked."""
        if self.limits.trouble:
            return Obstacle.CANNOT_WALK
        if not self.active:
            return Obstacle.NOT_ACTIVE
        if self._left_out:
            return Obstacle.WAY_IMPOSSIBLE
        return Obstacle.TOO_FAST if self._use > 1.0 else Obstacle.NONE

    def _impossible_ways(self) -> CodedFact:
        ways = " ".join(way.value for way in self._left_out)
        return CodedFact.of(Obstacle.WAY_IMPOSSIBLE, ways=ways, gait=self.limits.gait.name)

    def _reason(self) -> CodedFact:
        gait, motion = self.limits.gait.name, self._motion
        if self.planner.gait_changes:
            return CodedFact.of(WalkMotion.CHANGES_GAIT, gait=gait, next_gait=self._gaits.chosen)
        if motion is WalkMotion.WALKS:
            return CodedFact.of(motion, gait=gait, velocity=numbers(self.planner.twist, 3))
        return CodedFact.of(motion)

    def _notices(self) -> tuple[CodedFact, ...]:
        """Return which part of the velocity asked for is not walked."""
        if self._motion is not WalkMotion.WALKS:
            return ()
        asked, notices = numbers(self._asked.twist, 3), []
        if self._use > 1.0:
            notices.append(CodedFact.of(Obstacle.TOO_FAST, asked_velocity=asked, times=f"{self._use:.1f}"))
        if self._left_out:
            notices.append(self._impossible_ways())
        return tuple(notices)
