"""recorder: keeps the last minute of every topic in memory, saves it on each fault, and records into a file."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from std_srvs.srv import Trigger

from quadleg.health import Health
from quadleg.middleware.endpoint_quality import is_latched, quality_for, quality_in_yaml
from quadleg.middleware.interface import Middleware, Polled
from quadleg.middleware.message_definitions import class_of, definition_of
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.process_host import main_of
from quadleg.recording.flight_recorder import FlightRecorder, SavedMinute, Take

LOOK_PERIOD = 0.25  # s between looks at what is published
READ_PERIOD = 0.05  # s between readings of what has come: to be woken for each message takes ten times as long
DEPTH = 1000  # messages of one topic that wait while this process has no turn
FOLDER_MB = 500.0  # MB: a packed minute takes some megabytes, so that a hundred faults are kept


@dataclass(frozen=True)
class TopicSubscription:
    """A subscription, what takes its messages, and the number of the last message of each publisher."""

    polled: Polled
    take: Take
    numbers: dict[bytes, int] = field(default_factory=dict)


class Recorder(QuadlegNode):
    """Hears each topic as soon as it is published, whatever its quality of service."""

    def __init__(
        self, middleware: Middleware, name: str = "recorder", parameters: dict[str, Any] | None = None
    ) -> None:
        super().__init__(middleware, name, parameters)
        file = self.declare("file", "", "File to record into, .mcap; empty: only the last minute is kept, in memory")
        folder = self.declare("folder", "", "Where the last minute is saved; empty: ~/quadleg_recordings")
        about = "Size in MB of what faults have saved in the folder, beyond which the oldest of that is removed"
        most_mb = self.declare("folder_mb", FOLDER_MB, about, 1.0, 1e6)
        self._recorder = FlightRecorder(self, self.robot, file, folder, int(1e6 * most_mb))
        self._topics: dict[str, TopicSubscription] = {}
        self._of_two_types = f"{self.get_namespace().rstrip('/')}/cmd_vel"
        self._ending = False
        self.serve("recorder/keep", self._keep)
        self.every(LOOK_PERIOD, self._look)
        self.every(READ_PERIOD, self._read)
        self._say_where(most_mb)

    def _say_where(self, most_mb: float) -> None:
        """Say at the start where recordings go, and whether they can."""
        folder = self._recorder.folder
        if self._recorder.path:
            self.get_logger().info(f"every topic is recorded into {self._recorder.path}")
        if obstacle := self._recorder.obstacle():
            self.get_logger().error(f"on a fault nothing can be saved in {folder}: {obstacle}")
        else:
            most = f"at most {most_mb:g} MB, then the oldest go"
            self.get_logger().info(f"on a fault the last minute is saved in {folder} ({most})")

    def _look(self) -> None:
        for topic, _ in self.handle.get_topic_names_and_types():
            if topic == self._of_two_types and topic in self._topics:
                self._shut_if_of_another_type(topic)
            elif topic in self._recorder.topics and topic not in self._topics:
                self._hear(topic)
        now = self.steady_time()
        if saved := self._recorder.save_if_due(now):
            self._say_saved(saved)
        if self._ending and self._recorder.all_ended(now):
            self.finished = True

    def _shut_if_of_another_type(self, topic: str) -> None:
        """End with a topic that is published with another type now: it is heard anew from the next look on."""
        found = {publisher.topic_type for publisher in self.get_publishers_info_by_topic(topic)}
        if found and self._recorder.heard[topic] not in found:
            self.destroy_subscription(self._topics.pop(topic).polled)
            self._recorder.shut(topic)

    def _hear(self, topic: str) -> None:
        publishers = self.get_publishers_info_by_topic(topic)
        if not publishers:
            return
        kind = publishers[0].topic_type
        try:
            message = class_of(kind)
        except (ImportError, AttributeError):
            self._recorder.not_known(topic, kind)
            return
        quality = quality_in_yaml(publishers[0].qos_profile)
        take = self._recorder.hear(topic, kind, definition_of(kind), quality, is_latched(publishers))
        polled = self.create_polled(message, topic, quality_for(publishers, DEPTH))
        self._topics[topic] = TopicSubscription(polled, take)

    def _read(self) -> None:
        now = self.steady_time()
        for topic in self._topics.values():
            while taken := topic.polled.take():
                topic.take(taken.message.data, taken.received, now)
                if taken.publisher:
                    self._recorder.count(topic.numbers, taken.publisher, taken.number)

    def _keep(self, _: Trigger.Request) -> tuple[bool, str]:
        saved = self._recorder.save()
        self._say_saved(saved)
        return saved.path is not None, saved.message

    def _say_saved(self, saved: SavedMinute) -> None:
        if saved.path is None:
            self.get_logger().error(f"the last minute is not kept: {saved.message}")
            return
        self.get_logger().info(f"the last minute is kept: {saved.path}")
        for old in saved.removed:
            self.get_logger().warning(f"removed an old recording of a fault to make room: {old}")

    def health(self) -> Health:
        return self._recorder.health()

    def end(self, alone: bool) -> None:
        if alone:
            self.finished = True
        self._ending = True  # what the others do until their end is recorded

    def close(self) -> None:
        self._read()
        if saved := self._recorder.close():
            self._say_saved(saved)
        super().close()


main = main_of(Recorder)
