"""The recorder of one robot: every topic into a file, the last minute in memory, and that onto the disk on a fault."""

from __future__ import annotations

import importlib.metadata
import platform
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from quadleg.errors import OutputPathError, RecordingError
from quadleg.health import ERROR, WARN, Health
from quadleg.recording.mcap_file import finish
from quadleg.recording.recording_writer import RecordingHost, RecordingWriter
from quadleg.recording.retention import ON_FAULT, ON_REQUEST, obstacle_to, recording_name, remove_oldest
from quadleg.recording.text_messages import DIAGNOSTIC_STATUS, status_decoder
from quadleg.robot.model import RobotModel
from quadleg.safety.state_machine import State
from quadleg.topic_table import TOPICS, full_name

AFTER_FAULT = 2.0  # s that are kept after a fault, with the minute before it
SILENT = 0.7  # s without joint_states: all others have ended

Take = Callable[[bytes, int, float], None]  # a message, the system clock at its receipt in ns, the steady one in s


@dataclass(frozen=True)
class SavedMinute:
    """Whether the last minute was saved, where or why not, and what was removed to make room."""

    path: Path | None
    message: str
    removed: tuple[Path, ...] = ()


class RecorderHost(RecordingHost, Protocol):
    """The node that hears the topics."""

    def get_namespace(self) -> str:
        """Return its namespace, which begins with a slash."""


class FlightRecorder:
    """Records the topics of its host's namespace undecoded; only of `state` it reads whether there is a fault.

    `file` is recorded into (empty: none). Saved minutes go into `folder`, at most `most_bytes` of those of faults.
    Times `now` are of a steady clock in s. Raises OutputPathError if the file cannot be written.
    """

    def __init__(self, host: RecorderHost, robot: RobotModel, file: str, folder: str, most_bytes: int) -> None:
        self._host = host
        self._robot = robot
        namespace = host.get_namespace()
        self._space = namespace.rstrip("/") + "/"
        self.folder = Path(folder).expanduser().absolute() if folder else Path.home() / "quadleg_recordings"
        self._most_bytes = most_bytes
        self._writer = RecordingWriter(host, _free(Path(file).expanduser()) if file else None, self._metadata())
        self.topics = frozenset(full_name(topic, namespace) for topic in TOPICS)
        self.heard: dict[str, str] = {}  # topics that are recorded, with their types
        self._not_known: dict[str, str] = {}
        self._missed: int | None = None  # unknown where the middleware does not tell who published
        self._state = ""
        self._save_at: float | None = None
        self._saved = ""
        self._states_at = host.steady_time()

    @property
    def path(self) -> Path | None:
        """The file that is recorded into, None where there is none."""
        return self._writer.path

    def obstacle(self) -> str:
        """Why nothing can be saved on a fault, in words; empty where it can."""
        return obstacle_to(self.folder)

    def _metadata(self) -> dict[str, dict[str, str]]:
        about = {
            "version": _version(),
            "namespace": self._space,
            "computer": platform.platform(),
            "python": platform.python_version(),
        }
        path = self._robot.path
        text = path.read_text(encoding="utf-8") if path else ""
        return {"quadleg": about, "robot_file": {"name": path.name if path else self._robot.name, "text": text}}

    # What is heard

    def hear(self, topic: str, kind: str, definition: str, qos: str, latched: bool) -> Take:
        """Begin with a topic (its full name) of messages of a kind; what takes each of them."""
        self._not_known.pop(topic, None)
        self.heard[topic] = kind
        channel = self._writer.channel(topic, kind, definition, qos, latched)
        return self._taker(topic.removeprefix(self._space), channel, kind, definition)

    def shut(self, topic: str) -> None:
        del self.heard[topic]

    def not_known(self, topic: str, kind: str) -> None:
        """Take that there is no definition of a topic's kind here."""
        self._not_known[topic] = kind

    def count(self, numbers: dict[bytes, int], publisher: bytes, number: int) -> None:
        """A publisher numbers its messages; a number that did not come is a message that was overwritten unread.

        `numbers` are those of the last messages on a topic, by publisher.
        """
        if publisher in numbers:
            self._missed = (self._missed or 0) + max(0, number - numbers[publisher] - 1)
        numbers[publisher] = number

    def _taker(self, topic: str, channel: int, kind: str, definition: str) -> Take:
        take = self._writer.take

        def watchdog_status(data: bytes, received: int, now: float) -> None:
            take(channel, data, received)
            (said,) = status_of(0.0, data)
            name = said.values.get("state", "")
            if name == State.FAULT and self._state != State.FAULT:
                self._save_at = now + AFTER_FAULT
            self._state = name

        def joint_states(data: bytes, received: int, now: float) -> None:
            take(channel, data, received)
            self._states_at = now

        def servo_status(data: bytes, received: int, _: float) -> None:
            take(channel, data, received)
            (said,) = status_of(0.0, data)
            if angles := said.values.get("joint_angles"):
                self._writer.describe("joint_angles", {"kind": angles})

        own: dict[str, Take] = {"joint_states": joint_states}
        if kind == DIAGNOSTIC_STATUS:
            status_of = status_decoder(definition)
            own |= {"joint_watchdog/status": watchdog_status, "servo_output/status": servo_status}
        return own.get(topic, lambda data, received, _: take(channel, data, received))

    def all_ended(self, now: float) -> bool:
        """Whether all other nodes have ended, as their joints are silent."""
        return now - self._states_at > SILENT

    # What is saved

    def save_if_due(self, now: float) -> SavedMinute | None:
        """Save the last minute a little after a fault; None: there is nothing to save."""
        if not self._save_at or now <= self._save_at:
            return None
        self._save_at = None
        return self.save(ON_FAULT)

    def save(self, reason: str = ON_REQUEST) -> SavedMinute:
        path = _free(self.folder / recording_name(self._robot.name, reason, 1e-9 * self._host.ros_time()))
        try:
            count = self._writer.keep(path)
        except OutputPathError as error:
            return SavedMinute(None, str(error))
        self._saved = f"{path}"
        removed = remove_oldest(self.folder, self._most_bytes, path) if reason == ON_FAULT else ()
        return SavedMinute(path, f"{path}: {count} messages of the last minute", tuple(removed))

    def close(self) -> SavedMinute | None:
        """End the recording; a fault's minute is saved, should one be due."""
        saved = self.save(ON_FAULT) if self._save_at else None
        self._writer.close()
        return saved

    # What it says

    def health(self) -> Health:
        """What is recorded, and what is not."""
        writer = self._writer
        values: dict[str, object] = {
            "file": str(writer.path or ""),
            "recorded": writer.recorded,
            "lost": writer.lost,
            "topics": len(self.heard),
            "folder": str(self.folder),
            "kept": self._saved,
        }
        if self._missed is not None:
            values["missed"] = self._missed
        if writer.trouble:
            return Health(writer.trouble, values, ERROR)
        if gaps := self._gaps():
            return Health("; ".join(gaps), values, WARN)
        if writer.path:
            return Health(f"records into {writer.path}", values)
        return Health(f"keeps the last minute in memory, and saves it in {self.folder} on a fault", values)

    def _gaps(self) -> list[str]:
        """Why something is not in the recording, in words."""
        gaps = []
        if lost := self._writer.lost:
            gaps.append(f"the disk is too slow: {lost} messages are not recorded")
        if self._missed:
            gaps.append(f"the computer is too busy: {self._missed} messages were gone before they were read")
        if self._not_known:
            types = "; ".join(f"{topic} is {kind}" for topic, kind in self._not_known.items())
            gaps.append(f"not recorded, since this computer does not know the type: {types}")
        return gaps


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
