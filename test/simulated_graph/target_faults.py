"""What may become of joint targets on their way to the watchdog: seldom, beyond a limit, not finite, useless."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from math import inf, nan
from typing import Any

from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from quadleg.middleware.simulated_bus import BusPublisher
from quadleg.robot.model import JOINT_NAMES
from quadleg.safety.deadlines import HOLD_TIME, LIMIT_TIME, MAX_BAD_TARGETS
from simulated_graph.deadline_judge import STOPPED, UPSET_AFTER
from simulated_graph.happening_kinds import Kind, Scene
from simulated_graph.stack import SimulatedStack

GARBLED_LEG = "front_left_ik"
NOT_FINITE = (nan, inf, -inf)
BEYOND = 0.3  # rad past a knee's limit
BURST = MAX_BAD_TARGETS + 2  # bad targets at once, of which three come in a row whatever frame comes between
# Targets that are of no use: joints, and positions (rad) of each point.
USELESS: tuple[tuple[Sequence[Any], ...], ...] = (
    (("elbow",), (0.0,)),
    (JOINT_NAMES[:3],),
    (JOINT_NAMES[:3], (0.0, 0.3, 0.3), (0.0, 0.3, 0.3)),
    (("shoulder", "elbow", "wrist"), (0.0, 0.3, 0.3)),
    (JOINT_NAMES[1:4], (0.0, 0.3, 0.3)),
    (JOINT_NAMES[:3], (nan, inf, nan)),
)
EVERY = (4, 8)  # control periods between frames that come seldom: the hold they end begins anew before the next
SPARSE = (0.3, 1.0)  # s between single bad targets


class TargetFaults:
    """Changes or drops joint targets as they are published, while it is told to."""

    def __init__(self, stack: SimulatedStack) -> None:
        self._stack = stack
        self._publish = stack.bus.publish
        self._passes: Callable[[str, Any], bool] | None = None
        stack.bus.publish = self._pass_on  # type: ignore[method-assign]

    def _pass_on(self, publisher: BusPublisher, message: Any) -> None:
        ours = publisher.topic.endswith("/joint_targets") and publisher.node_name.endswith("_ik")
        if not (ours and self._passes) or self._passes(publisher.node_name, message):
            self._publish(publisher, message)

    def garble(self, passes: Callable[[str, Any], bool], seconds: float) -> None:
        """Have each target of a leg's node, by its name, passed on or dropped for so many seconds."""
        self._passes = passes

        def end() -> None:
            if self._passes is passes:
                self._passes = None

        self._stack.time.after(seconds, end)

    def seldom(self, every: int) -> Callable[[str, Any], bool]:
        """One frame in so many comes."""
        stamps: list[tuple[int, int]] = []

        def passes(_: str, message: Any) -> bool:
            stamp = message.header.stamp.sec, message.header.stamp.nanosec
            if stamp not in stamps:
                stamps.append(stamp)
            return stamps.index(stamp) % every == 0

        return passes

    def beyond(self, _: int) -> Callable[[str, Any], bool]:
        """A knee is sent past its limit."""
        joint = self._stack.robot.joints[JOINT_NAMES.index("front_left_knee")]

        def passes(node: str, message: Any) -> bool:
            if node == GARBLED_LEG:
                (point,) = message.points
                i = list(message.joint_names).index(joint.name)
                point.positions[i] = joint.upper + BEYOND
            return True

        return passes

    def not_finite(self, which: int) -> Callable[[str, Any], bool]:
        """A leg's targets are no numbers: one of NOT_FINITE."""

        def passes(node: str, message: Any) -> bool:
            if node == GARBLED_LEG:
                (point,) = message.points
                point.positions[0] = NOT_FINITE[which % len(NOT_FINITE)]
            return True

        return passes


HELD_WITHIN = {"seldom": 0.5, "beyond": LIMIT_TIME + 0.5, "not_finite": 0.5}  # s


def garble(scene: Scene, how: str, which: int, seconds: float) -> None:
    """Garble in place of what was garbled before, which is to come to nothing any more."""
    for other in HELD_WITHIN:
        scene.deadlines.fit(f"targets are {other}")
    scene.targets.garble(getattr(scene.targets, how)(which), seconds)


def _garble(scene: Scene, how: str, every: int, seconds: float) -> None:
    garble(scene, how, every, seconds)
    if scene.person.state("joint_watchdog") != "active":
        return
    held = HELD_WITHIN[how]
    if how != "seldom":  # a single frame that comes does not end a hold, and it is heard of late
        scene.deadlines.wants("no_hold", held, seconds, ("hold", *STOPPED), f"targets are {how}")
    if how != "beyond":
        scene.deadlines.wants("no_lowering", held + HOLD_TIME, seconds, STOPPED, f"targets are {how}")


def _draw_garbling(chance: random.Random) -> tuple[Any, ...]:
    how = chance.choice(("seldom", "seldom", "beyond", "not_finite"))
    return how, chance.randrange(*EVERY), round(chance.uniform(1.0, 7.0), 2)


def _bad_targets(scene: Scene, count: int, gap: float) -> None:
    deadlines, what = scene.deadlines, "bad targets came in a row"

    def heard() -> None:
        if gap:
            return
        deadlines.upset(UPSET_AFTER)
        if scene.person.state("joint_watchdog") == "active":
            deadlines.wants("no_hold", 0.1, 1.0, ("hold", *STOPPED), what)
            deadlines.wants("no_lowering", HOLD_TIME + 0.2, HOLD_TIME + 2.0, STOPPED, what)

    names, *points = USELESS[count % len(USELESS)]
    message = JointTrajectory(
        joint_names=list(names), points=[JointTrajectoryPoint(positions=list(point)) for point in points]
    )
    scene.stranger.say("joint_targets", message, heard, count, gap)


def _draw_bad_targets(chance: random.Random) -> tuple[Any, ...]:
    if chance.random() < 0.4:
        return chance.randrange(BURST, BURST + len(USELESS)), 0.0
    return chance.randrange(3, 12), round(chance.uniform(*SPARSE), 2)


TARGET_KINDS = {
    "garble_targets": Kind(1.5, _draw_garbling, _garble),
    "bad_targets": Kind(1.0, _draw_bad_targets, _bad_targets, upsets=0.0),
}
