"""Whether another operator commands the robot while commands of one or several topics go out; without ROS."""

from __future__ import annotations

from collections import deque
from collections.abc import Collection

from quadleg.client.snapshot import Snapshot
from quadleg.errors import Overridden
from quadleg.topic_table import COMMAND_FRESH

TELEOP_TARGET = "teleop/base_target"
STAMPS_KEPT = 1000  # of a topic: 10 s at 100 Hz, and nodes say within a second which one they follow


class OverrideWatch:
    """Compares the commands sent with those that gait and base_motion say they follow, by topic and stamp.

    `topics` are those that commands are sent on. `began` is when the first one goes out, in s of the steady clock.
    """

    def __init__(self, topics: Collection[str], began: float) -> None:
        self._settled = began + COMMAND_FRESH  # until then, what counts may have been sent before
        self._sent = {topic: deque[str](maxlen=STAMPS_KEPT) for topic in topics}
        self._target_taken = False

    def sent(self, topic: str, stamp: int) -> None:
        """Take note of a velocity or base target about to be published, with its stamp in ns."""
        self._sent[topic].append(str(stamp))

    def has_sent(self, topic: str, stamp: int | str) -> bool:
        """Whether a command with this stamp (ns) went out on a topic."""
        return str(stamp) in self._sent.get(topic, ())

    def another(self, topic: str) -> str:
        """Another operator than this one, by the topic of its commands."""
        return f"another publisher of {topic}" if topic in self._sent else topic

    def driven_by(self, now: Snapshot) -> str:
        """The other operator whose velocity gait follows; empty where it follows none or that sent here."""
        said = now.values("gait")
        topic = said.get("asker", "")
        if not topic or self.has_sent(topic, said.get("asker_stamp", "")) or now.heard("gait") < self._settled:
            return ""
        return self.another(topic)

    def judge(self, now: Snapshot) -> None:
        """Raise Overridden where gait follows another velocity, or base_motion another target."""
        if by := self.driven_by(now):
            raise Overridden(f"someone else drives the robot, by {by}")
        self._judge_target(now)

    def _judge_target(self, now: Snapshot) -> None:
        said = now.values("base_motion")
        topic, stamp = said.get("asker", ""), said.get("target_stamp", "")
        if topic == TELEOP_TARGET:
            if not self.has_sent(topic, stamp) and now.heard("base_motion") >= self._settled:
                raise Overridden(f"someone else poses the body, on {topic}")
        elif self.has_sent("base_target", stamp):
            self._target_taken = True
        elif self._target_taken and now.state == "active":
            raise Overridden("another base target came after those sent, and the body follows that")
