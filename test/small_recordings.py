"""Recordings of texts on two topics, and what is read of them."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from quadleg.middleware.worker_thread import WorkerThread
from quadleg.recording.reader import Recording
from quadleg.recording.recording_writer import RecordingWriter

LATCHED = "/robot_description"


def text(words: str) -> bytes:
    return b"\0\1\0\0" + (len(words) + 1).to_bytes(4, "little") + words.encode() + b"\0"


class ThreadHost:
    """Threads and clocks of this process; `steady` and `system` are by how many s its clocks are ahead."""

    def __init__(self) -> None:
        self.steady = self.system = 0.0

    def steady_time(self) -> float:
        return time.monotonic() + self.steady

    def ros_time(self) -> int:
        return time.time_ns() + round(1e9 * self.system)

    def start_worker(self, name: str, step: Callable[[bool], float | None], delay: float = 0.0) -> WorkerThread:
        return WorkerThread(name, step, delay)


def begin(path: Path | None, host: ThreadHost | None = None) -> tuple[RecordingWriter, int, int]:
    """A recorder with an ordinary topic and a latched one."""
    recorder = RecordingWriter(host or ThreadHost(), path, {"quadleg": {"namespace": "/"}})
    ordinary = recorder.channel("/joint_states", "std_msgs/msg/String", "string data\n", "", latched=False)
    latched = recorder.channel(LATCHED, "std_msgs/msg/String", "string data\n", "", latched=True)
    return recorder, ordinary, latched


def messages(path: Path) -> dict[str, list[tuple[float, bytes]]]:
    """All messages of a recording by topic, with their times."""
    found: dict[str, list[tuple[float, bytes]]] = {}
    recording = Recording(path)
    for batches in recording.batches(recording.topics):
        for topic, batch in batches.items():
            found.setdefault(topic.name, []).extend(zip(batch.times, batch.data))
    return found


def data(path: Path, topic: str = "/joint_states") -> list[bytes]:
    return [one for _, one in messages(path).get(topic, [])]
