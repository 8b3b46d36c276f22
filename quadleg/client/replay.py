"""`quadleg replay`: asks a running stack once more for the velocities and base targets of a recording.

Joint commands are never replayed: gait, limits and watchdog of the running stack judge all of it anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from quadleg.client import SIMULATED, Robot
from quadleg.client.override_watch import OverrideWatch
from quadleg.errors import NotReached, Overridden, RecordingError, Refused
from quadleg.recording.reader import Recording
from quadleg.recording.signal_table import DIAGNOSTICS
from quadleg.recording.signals import Signals, signals_of, skipped
from quadleg.safety.state_machine import State

VELOCITIES = ("cmd_vel", "teleop/cmd_vel")
TARGETS = ("base_target", "teleop/base_target")
STATES = ("state", "joint_watchdog/status")
GAIT = "gait"
SAID_EVERY = 5.0  # s
LOOK_PERIOD = 0.05  # s


@dataclass(frozen=True)
class ReplayedRequest:
    """What was asked for at a time in s: a `topic` with the numbers of its message, or `gait` with its name."""

    time: float
    topic: str
    what: Any


def replay(
    recording: Recording,
    namespace: str = "",
    speed: float = 1.0,
    say: Callable[[str], None] = print,
    warn: Callable[[str], None] = print,
) -> None:
    """Ask for all of it, `speed` times faster; velocities are so much larger, so that the way stays the same.

    A simulated robot that is off stands up first, and sits down in the end. `warn` takes a sentence for each thing that
    is left out. Raises RecordingError where nothing was asked for, Refused for a real robot that does not stand,
    NotReached where the watchdog ends it, Overridden where someone else commands the robot, and what Robot raises.
    """
    asked = list(asked_for(recording, warn))
    with Robot(namespace) as robot:
        replay_on(robot, asked, recording.path, speed, say)


def replay_on(
    robot: Robot, asked: Sequence[ReplayedRequest], path: Path, speed: float, say: Callable[[str], None]
) -> None:
    """Ask a robot for all that was asked for in the recording at `path`; see `replay`."""
    length = (asked[-1].time - asked[0].time) / speed
    was_off = robot.status().state != "active"
    if was_off:
        if robot.board_kind != SIMULATED:
            raise Refused("the robot does not stand: `quadleg stand` first, which asks whether its legs are placed")
        robot.stand()
    say(f"{len(asked)} messages in {length:.0f} s, from {path}. Ctrl-C ends it; the robot then stops.")
    _play(robot, asked, speed, say)
    if was_off:
        robot.sit()
    say("replayed")


def asked_for(recording: Recording, warn: Callable[[str], None] = lambda words: None) -> Iterator[ReplayedRequest]:
    """All that was asked for while the recorded robot was active, in order. Raises RecordingError for nothing.

    `warn` takes a sentence for each thing that is left out.
    """
    signals = signals_of(recording, ("joint_states", *VELOCITIES, *TARGETS, *STATES, DIAGNOSTICS))
    all_asked = sorted(_all_of(signals), key=lambda one: one.time)
    found = [one for one in all_asked if _is_finite(one)]
    for words in (*skipped(recording, signals), *_not_finite(all_asked)):
        warn(words)
    active = [time for time, status in signals.states("joint_watchdog") if status.state == State.ACTIVE]
    begin = active[0] if active else 0.0
    before = {one.topic: one for one in found if one.time < begin and one.topic in ("base_target", GAIT)}
    kept = [one for one in found if one.time >= begin]
    if not any(one.topic != GAIT for one in kept):
        raise RecordingError(f"{recording.path} has no velocity and no base target in it: nothing was asked for")
    yield from (ReplayedRequest(begin, one.topic, one.what) for one in before.values())
    yield from kept


def _all_of(signals: Signals) -> Iterator[ReplayedRequest]:
    for topic in VELOCITIES:
        if signal := signals.get(topic):
            yield from (
                ReplayedRequest(t, topic, twist) for t, twist in zip(signal.times.tolist(), signal["twist"].tolist())
            )
    for topic in TARGETS:
        if signal := signals.get(topic):
            poses = zip(signal["position"].tolist(), signal["quaternion"].tolist())
            yield from (ReplayedRequest(t, topic, pose) for t, pose in zip(signal.times.tolist(), poses))
    gait = None
    for said in signals.diagnostics:
        if said.node == "gait" and said.values.get("gait_asked", gait) != gait:
            gait = said.values["gait_asked"]
            yield ReplayedRequest(said.time, GAIT, gait)


def _not_finite(asked: Iterable[ReplayedRequest]) -> Iterator[str]:
    """How many messages of each topic have numbers that are not finite, and when the first came."""
    bad: dict[str, list[ReplayedRequest]] = {}
    for one in asked:
        if not _is_finite(one):
            bad.setdefault(one.topic, []).append(one)
    for topic, messages in bad.items():
        yield (
            f"messages of {topic} with numbers that are not finite are left out: {len(messages)}, the first at "
            f"{messages[0].time:.1f} s"
        )


def _is_finite(asked: ReplayedRequest) -> bool:
    """Whether all its numbers are finite: those of a damaged recording may not be, and are not replayed."""
    return asked.topic == GAIT or bool(np.isfinite(np.hstack(asked.what)).all())


def _play(robot: Robot, asked: Sequence[ReplayedRequest], speed: float, say: Callable[[str], None]) -> None:
    from quadleg.middleware.topics import nanoseconds

    publishers = {
        topic: robot.advertise(topic) for topic in (*VELOCITIES, *TARGETS) if any(one.topic == topic for one in asked)
    }
    for topic, publisher in publishers.items():
        robot.wait_for_listener(publisher, topic)
    begun, origin = robot.steady_time(), asked[0].time
    said = begun
    watch = OverrideWatch(publishers, begun)

    def check() -> None:
        now = robot.last
        if now.state != "active":
            raise NotReached(f"ended after {robot.steady_time() - begun:.0f} s: {now.state}, {now.why}")
        try:
            watch.judge(now)
        except Overridden as error:
            raise Overridden(f"{error}; the replay has ended after {robot.steady_time() - begun:.0f} s") from None

    try:
        for one in asked:
            while (left := begun + (one.time - origin) / speed - robot.steady_time()) > 0:
                robot.pause(min(left, LOOK_PERIOD))
                check()
            check()
            if one.topic == GAIT:
                robot.set_parameter("gait", "gait", one.what)
            else:
                stamp = robot.node.stamp()
                watch.sent(one.topic, nanoseconds(stamp))
                publishers[one.topic].publish(_message(one, speed, robot.frame, stamp))
            if robot.steady_time() - said > SAID_EVERY:
                said = robot.steady_time()
                say(f"{said - begun:.0f} s of {(asked[-1].time - origin) / speed:.0f} s")
    finally:
        # Silence is a stop, and the robot comes into its square stance.
        for publisher in publishers.values():
            robot.node.destroy_publisher(publisher)
    robot.wait_until_it_stands(check)


def _message(one: ReplayedRequest, speed: float, frame: str, stamp: Any) -> Any:
    from geometry_msgs.msg import PoseStamped, TwistStamped

    if one.topic in VELOCITIES:
        message = TwistStamped()
        message.header.frame_id, message.header.stamp = frame, stamp
        going = message.twist
        going.linear.x, going.linear.y, going.angular.z = (speed * value for value in one.what)
        return message
    message = PoseStamped()
    message.header.frame_id, message.header.stamp = frame, stamp
    position, quaternion = one.what
    p, q = message.pose.position, message.pose.orientation
    p.x, p.y, p.z = position
    q.w, q.x, q.y, q.z = quaternion
    return message
