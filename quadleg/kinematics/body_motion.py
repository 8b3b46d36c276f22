"""The body on its way to base targets: whose target counts, how far it has come, and what it tells of it."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector
from quadleg.health import OK, WARN, CodedFact, Health, numbers
from quadleg.kinematics.body_codes import BodyMotionState, BodyNotice
from quadleg.kinematics.posture import Posture
from quadleg.robot.model import Angles, RobotModel
from quadleg.topic_table import COMMAND_FRESH


class BodyMotion:
    """One robot's body over its planned feet, one planned frame of `period` s after another.

    Targets are poses of base_link in base_footprint; `stamp` names a target's message (ns). `now` is of a steady clock
    in s. `active` is whether targets count; else the watchdog leads the joints, and the body follows them, so that
    there is no step when the watchdog lets go.
    """

    def __init__(self, robot: RobotModel, posture: Posture, period: float) -> None:
        self._standing = Pose.from_rpy(0.0, 0.0, robot.standing.height, 0.0, 0.0, 0.0)
        self._posture = posture
        self._period = period
        self._planned: Sequence[Vector] = robot.standing.feet
        self.active = False
        self._target: tuple[Pose, int] | None = None
        self._teleop: tuple[Pose, int] | None = None
        self._teleop_heard = -inf
        self._refusal: CodedFact | None = None
        self._refused_stamp = 0

    # Targets

    def target(self, pose: Pose, stamp: int) -> None:
        """Take a target, which does not age."""
        self._target = pose, stamp
        self._refusal = self._posture.stop = None

    def teleop_target(self, pose: Pose, stamp: int, now: float) -> None:
        """Take a target of teleop, which wins while it is fresh."""
        self._teleop, self._teleop_heard = (pose, stamp), now
        self._refusal = self._posture.stop = None

    def refuse(self, why: object, stamp: int) -> CodedFact:
        """Keep the last good target instead of one that makes no sense, and return that."""
        refusal = CodedFact.of(BodyNotice.BASE_TARGET_REFUSED, detail=why)
        self._refusal, self._refused_stamp = refusal, stamp
        return refusal

    def _teleop_counts(self, now: float) -> bool:
        return self._teleop is not None and now - self._teleop_heard < COMMAND_FRESH

    def _wanted(self, now: float) -> tuple[Pose, int]:
        if self._teleop and self._teleop_counts(now):
            return self._teleop
        return self._target or (self._posture.pose, 0)

    # The watchdog

    def follow_state(self, state: str) -> None:
        self.active = state == "active"
        if state in ("off", "fault"):
            self._target = self._teleop = None
            self._posture.rest()
        elif state == "rising" and self._target is None:
            # To go back to after a hold; who starts beside a robot that stands knows of no pose, and waits.
            self._target = self._standing, 0
        if not self.active:
            self._posture.stop = None

    def lead(self, angles: Angles) -> None:
        """Be where the watchdog has led the joints (rad)."""
        self._posture.lead(angles, self._planned)

    # One frame

    def step(self, planned: Sequence[Vector], shift: Pose, now: float) -> Sequence[Vector]:
        """The feet in base_link (m), for planned feet (m) and the body's planned shift in base_footprint."""
        self._planned = planned
        if not self.active:
            return self._posture.led_feet
        target, _ = self._wanted(now)
        return self._posture.step(target, planned, shift, self._period)

    # What it tells

    def _motion(self, target: Pose) -> BodyMotionState:
        if not self.active:
            return BodyMotionState.WAITING
        if self._posture.stop:
            return BodyMotionState.STOPPED
        return BodyMotionState.ARRIVED if self._posture.pose == target else BodyMotionState.MOVING

    def progress(self, now: float) -> tuple[BodyMotionState, int]:
        """The motion, and the stamp of the target that counts."""
        target, stamp = self._wanted(now)
        return self._motion(target), stamp

    def health(self, now: float) -> Health:
        """How far the body has come, or why a target is refused."""
        target, stamp = self._wanted(now)
        motion = self._motion(target)
        posture, stop = self._posture, self._posture.stop
        values: dict[str, object] = {
            "target_stamp": stamp,
            "refused_stamp": self._refused_stamp,
            "asker": "teleop/base_target" if self._teleop_counts(now) else "base_target" if stamp else "",
            "asked": numbers((*target.position, *target.rpy), 5),
            "planned": numbers((*posture.over_feet.position, *posture.over_feet.rpy), 5),
            "motion": motion.value,
            "stopped_by": stop.limit.value if stop else "",
            "stopped_parts": " ".join(stop.parts) if stop else "",
            "short_of": " ".join(posture.short_of),
        }
        notice = self._refusal
        if not notice and stop and motion is BodyMotionState.STOPPED:
            axes = " ".join(posture.short_of)
            notice = CodedFact.of(BodyNotice.stopped_by(stop.limit), pose=posture.pose, axes=axes, **stop.figures)
        if notice:
            return Health("", values, WARN, motion.value, notices=(notice,))
        return Health("", values, OK, motion.value, CodedFact.of(motion))
