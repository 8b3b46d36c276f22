"""recorder: keeps the last minute of every topic in memory, saves it on each fault, and records into a file."""

from __future__ import annotations

import importlib.metadata
import platform
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from diagnostic_msgs.msg import DiagnosticStatus
from std_srvs.srv import Trigger

from quadleg.errors import OutputPathError, RecordingError
from quadleg.health import Health
from quadleg.middleware.endpoint_quality import is_latched, quality_for, quality_in_yaml
from quadleg.middleware.interface import Middleware, Polled
from quadleg.middleware.message_definitions import class_of, definition_of
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.process_host import main_of
from quadleg.middleware.topics import split_state
from quadleg.recording import signal_table
from quadleg.recording.mcap_file import finish
from quadleg.recording.recording_writer import RecordingWriter as Recording
from quadleg.recording.retention import ON_FAULT, ON_REQUEST, obstacle_to, recording_name, remove_oldest
from quadleg.recording.text_messages import DIAGNOSTIC_ARRAY, STRING, diagnostics_decoder, text_decoder

TOPICS = (*signal_table.TOPICS, "joint_targets", "joy", "markers")
OF_ALL_ROBOTS = ("/tf", "/tf_static")
LOOK_PERIOD = 0.25  # s between looks at what is published
READ_PERIOD = 0.05  # s between readings of what has come: to be woken for each message takes ten times as long
DEPTH = 1000  # messages of one topic that wait while this process has no turn
AFTER_FAULT = 2.0  # s that are kept after a fault, with the minute before it
FOLDER_MB = 500.0  # MB: a packed minute takes some megabytes, so that a hundred faults are kept
SILENT = 0.7  # s without joint_states: all others have ended


@dataclass(frozen=True)
class Heard:
    """One topic that is recorded; `take` gets each message with the system clock at its receipt in ns."""

    kind: str
    polled: Polled
    take: Callable[[bytes, int], None]
    numbers: dict[bytes, int] = field(default_factory=dict)  # of the last message of each publisher


class Recorder(QuadlegNode):
    """Hears each topic as soon as it is published, whatever its quality of service, and understands nothing of it."""

    def __init__(
        self, middleware: Middleware, name: str = "recorder", parameters: dict[str, Any] | None = None
    ) -> None:
        super().__init__(middleware, name, parameters)
        file = self.declare("file", "", "File to record into, .mcap; empty: only the last minute is kept, in memory")
        folder = self.declare("folder", "", "Where the last minute is saved; empty: ~/quadleg_recordings")
        self._folder = Path(folder).expanduser().absolute() if folder else Path.home() / "quadleg_recordings"
        about = "Size in MB of what faults have saved in the folder, beyond which the oldest of that is removed"
        self._most_bytes = int(1e6 * self.declare("folder_mb", FOLDER_MB, about, 1.0, 1e6))
        path = _free(Path(file).expanduser()) if file else None
        self._recording = Recording(path, self._metadata())
        self._heard: dict[str, Heard] = {}
        self._missed: int | None = None  # unknown where the middleware does not tell who published
        self._not_known: dict[str, str] = {}
        self._state = ""
        self._keep_at: float | None = None
        self._kept = ""
        self._ending = False
        self._states_at = self.steady_time()
        self.serve(Trigger, "~/keep", self._keep)
        self.every(LOOK_PERIOD, self._look)
        self.every(READ_PERIOD, self._read)
        self._say_where()

    def _say_where(self) -> None:
        """Say at the start where recordings go, and whether they can."""
        if self._recording.path:
            self.get_logger().info(f"every topic is recorded into {self._recording.path}")
        if obstacle := obstacle_to(self._folder):
            self.get_logger().error(f"on a fault nothing can be saved in {self._folder}: {obstacle}")
        else:
            most = f"at most {self._most_bytes / 1e6:g} MB, then the oldest go"
            self.get_logger().info(f"on a fault the last minute is saved in {self._folder} ({most})")

    def _metadata(self) -> dict[str, dict[str, str]]:
        about = {
            "version": _version(),
            "namespace": self.get_namespace().rstrip("/") + "/",
            "computer": platform.platform(),
            "python": platform.python_version(),
        }
        path = self.robot.path
        text = path.read_text(encoding="utf-8") if path else ""
        return {"quadleg": about, "robot_file": {"name": path.name if path else self.robot.name, "text": text}}

    # What is heard

    def _look(self) -> None:
        space = self.get_namespace().rstrip("/")
        wanted = {f"{space}/{topic}" for topic in TOPICS} | set(OF_ALL_ROBOTS)
        let_go = self._let_go_of_another_type(f"{space}/cmd_vel")
        for topic, _ in self.handle.get_topic_names_and_types():
            if topic in wanted and topic not in self._heard and topic != let_go:
                self._hear(topic)
        now = self.steady_time()
        if self._keep_at and now > self._keep_at:
            self._keep_at = None
            self._save(ON_FAULT)
        if self._ending and now - self._states_at > SILENT:
            self.finished = True

    def _let_go_of_another_type(self, topic: str) -> str | None:
        """The topic, where it is published with another type now: it is heard anew from the next look on."""
        heard = self._heard.get(topic)
        found = {publisher.topic_type for publisher in self.get_publishers_info_by_topic(topic)}
        if not heard or not found or heard.kind in found:
            return None
        self.destroy_subscription(heard.polled)
        del self._heard[topic]
        return topic

    def _hear(self, topic: str) -> None:
        publishers = self.get_publishers_info_by_topic(topic)
        if not publishers:
            return
        kind = publishers[0].topic_type
        try:
            message = class_of(kind)
        except (ImportError, AttributeError):
            self._not_known[topic] = kind
            return
        definition = definition_of(kind)
        self._not_known.pop(topic, None)
        qos, latched = quality_for(publishers, DEPTH), is_latched(publishers)
        channel = self._recording.channel(topic, kind, definition, quality_in_yaml(publishers[0].qos_profile), latched)
        short = topic.removeprefix(f"{self.get_namespace().rstrip('/')}/")
        self._heard[topic] = Heard(
            kind, self.create_polled(message, topic, qos), self._taker(short, channel, kind, definition)
        )

    def _read(self) -> None:
        for heard in self._heard.values():
            while taken := heard.polled.take():
                heard.take(taken.message.data, taken.received)
                if taken.publisher:
                    self._count(heard.numbers, taken.publisher, taken.number)

    def _count(self, numbers: dict[bytes, int], publisher: bytes, number: int) -> None:
        """A publisher numbers its messages; a number that did not come is a message that was overwritten unread."""
        if publisher in numbers:
            self._missed = (self._missed or 0) + max(0, number - numbers[publisher] - 1)
        numbers[publisher] = number

    def _taker(self, topic: str, channel: int, kind: str, definition: str) -> Callable[[bytes, int], None]:
        take = self._recording.take

        def state(data: bytes, received: int) -> None:
            take(channel, data, received)
            name, _ = split_state(text_of(data))
            if name == "fault" and self._state != "fault":
                self._keep_at = self.steady_time() + AFTER_FAULT
            self._state = name

        def joint_states(data: bytes, received: int) -> None:
            take(channel, data, received)
            self._states_at = self.steady_time()

        def diagnostics(data: bytes, received: int) -> None:
            take(channel, data, received)
            for said in diagnoses_of(0.0, data):
                if said.node == "servo_output" and "joint_angles" in said.values:
                    self._recording.describe("joint_angles", {"kind": said.values["joint_angles"]})

        own = {"joint_states": joint_states}
        if kind == STRING:
            text_of = text_decoder(definition)
            own["state"] = state
        elif kind == DIAGNOSTIC_ARRAY:
            diagnoses_of = diagnostics_decoder(definition)
            own["diagnostics"] = diagnostics
        return own.get(topic, lambda data, received: take(channel, data, received))

    # What is kept

    def _keep(self, _: Trigger.Request) -> tuple[bool, str]:
        return self._save(ON_REQUEST)

    def _save(self, reason: str) -> tuple[bool, str]:
        path = _free(self._folder / recording_name(self.robot.name, reason))
        try:
            count = self._recording.keep(path)
        except OutputPathError as error:
            self.get_logger().error(f"the last minute is not kept: {error}")
            return False, str(error)
        self._kept = f"{path}"
        self.get_logger().info(f"the last minute is kept: {path}")
        if reason == ON_FAULT:
            for old in remove_oldest(self._folder, self._most_bytes, path):
                self.get_logger().warning(f"removed an old recording of a fault to make room: {old}")
        return True, f"{path}: {count} messages of the last minute"

    def health(self) -> Health:
        recording = self._recording
        values = {
            "file": str(recording.path or ""),
            "recorded": recording.recorded,
            "lost": recording.lost,
            "topics": len(self._heard),
            "folder": str(self._folder),
            "kept": self._kept,
        }
        if self._missed is not None:
            values["missed"] = self._missed
        if recording.trouble:
            return Health(recording.trouble, values, DiagnosticStatus.ERROR)
        if recording.lost:
            words = f"the disk is too slow: {recording.lost} messages are not recorded"
            return Health(words, values, DiagnosticStatus.WARN)
        if self._missed:
            words = f"the computer is too busy: {self._missed} messages were gone before they were read"
            return Health(words, values, DiagnosticStatus.WARN)
        if self._not_known:
            words = "; ".join(f"{topic} is {kind}" for topic, kind in self._not_known.items())
            return Health(
                f"not recorded, since this computer does not know the type: {words}", values, DiagnosticStatus.WARN
            )
        if recording.path:
            return Health(f"records into {recording.path}", values)
        return Health(f"keeps the last minute in memory, and saves it in {self._folder} on a fault", values)

    def end(self, alone: bool) -> None:
        if alone:
            self.finished = True
        self._ending = True  # what the others do until their end is recorded

    def close(self) -> None:
        self._read()
        if self._keep_at:
            self._save(ON_FAULT)
        self._recording.close()
        super().close()


def _version() -> str:
    try:
        return importlib.metadata.version("quadleg")
    except importlib.metadata.PackageNotFoundError:  # run from where its source lies
        return "not installed"


def _free(path: Path) -> Path:
    """The path, or with a number behind its name where there is such a file already.

    That is one of a recorder that died before this one was started: it gets its end.
    """
    number, free = 2, path
    while free.exists():
        with suppress(OSError, RecordingError):
            finish(free)
        free = path.with_name(f"{path.stem}_{number}{path.suffix}")
        number += 1
    return free


main = main_of(Recorder)
