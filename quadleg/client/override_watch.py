"""Whether another operator commands the robot while commands of several topics go out; without ROS."""

from __future__ import annotations

from collections import defaultdict

from quadleg.client.snapshot import Snapshot
from quadleg.errors import Overridden
from quadleg.gait.velocity import FRESH

TELEOP_TARGET = "teleop/base_target"


class OverrideWatch:
    """Compares the commands sent with those that gait and base_motion say they follow, by topic and stamp.

    `began` is when the first command goes out, in s of the steady clock.
    """

    def __init__(self, began: float) -> None:
        self._settled = began + FRESH  # until then, what counts may have been sent before
        self._sent: defaultdict[str, set[str]] = defaultdict(set)
        self._target_taken = False

    def sent(self, topic: str, stamp: int) -> None:
        """Take note of a velocity or base target about to be published, with its stamp in ns."""
        self._sent[topic].add(str(stamp))

    def judge(self, now: Snapshot) -> None:
        """Raise Overridden where gait follows another velocity, or base_motion another target."""
        self._judge_velocity(now)
        self._judge_target(now)

    def _judge_velocity(self, now: Snapshot) -> None:
        said = now.values("gait")
        topic = said.get("asker", "")
        if not topic or said.get("asker_stamp") in self._sent[topic] or now.heard("gait") < self._settled:
            return
        by = f"another publisher of {topic}" if self._sent[topic] else topic
        raise Overridden(f"someone else drives the robot, by {by}")

    def _judge_target(self, now: Snapshot) -> None:
        said = now.values("base_motion")
        topic, stamp = said.get("asker", ""), said.get("target_stamp")
        if topic == TELEOP_TARGET:
            if stamp not in self._sent[topic] and now.heard("base_motion") >= self._settled:
                raise Overridden(f"someone else poses the body, on {topic}")
        elif stamp in self._sent["base_target"]:
            self._target_taken = True
        elif self._target_taken and now.state == "active":
            raise Overridden("another base target came after those sent, and the body follows that")
