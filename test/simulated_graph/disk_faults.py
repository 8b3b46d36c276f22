"""A disk that is full for a while, by the kernel's own limit of a file's size: setrlimit(2), RLIMIT_FSIZE."""

from __future__ import annotations

import resource
from pathlib import Path
from typing import Any

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus

from quadleg.errors import RecordingError
from quadleg.middleware.simulated_bus import BusPublisher
from quadleg.recording.reader import Recording
from quadleg.recording.recording_writer import FLUSH_PERIOD
from quadleg.runtime.node_table import RECORDER
from simulated_graph.stack import SimulatedProcess, SimulatedStack
from simulated_graph.unsafe_actions import Judge

LEFT = 300  # bytes that still fit
SAID_WITHIN = FLUSH_PERIOD + 1.5  # s from a full disk to diagnostics that say so, which come once a second


class RecordingDisk:
    """The disk of a run's recorder."""

    def __init__(self, stack: SimulatedStack, judge: Judge) -> None:
        self._stack = stack
        self._judge = judge
        self._filled: SimulatedProcess | None = None  # the recorder whose disk was full
        self._path = Path()  # of its recording
        self._full_until = stack.now
        self._good, self._message = False, ""  # by its last diagnostics
        self._values: dict[str, str] = {}
        if RECORDER in stack.options.beside:
            stack.bus.observers.append(self._published)

    def _published(self, publisher: BusPublisher, message: Any) -> None:
        if publisher.node_name == RECORDER and isinstance(message, DiagnosticArray):
            (said,) = message.status
            self._good, self._message = said.level != DiagnosticStatus.ERROR, said.message
            self._values = {pair.key: pair.value for pair in said.values}

    def fill(self, seconds: float) -> None:
        """Have it full for so long."""
        process = self._stack.process_of(RECORDER)
        if not self._values.get("file") or not self._judge.sound(process):
            return
        self._filled, self._path = process, Path(self._values["file"])
        _, most = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (self._path.stat().st_size + LEFT, most))
        said_within = SAID_WITHIN + self._judge.late
        if seconds > said_within:
            self._stack.time.after(said_within, lambda: self._judge_said(process, said_within))
        self._full_until = max(self._full_until, self._stack.now + seconds)
        self._stack.time.after(seconds, self._free_if_due)

    def _free_if_due(self) -> None:
        if self._stack.now >= self._full_until:
            self.free()

    def free(self) -> None:
        """There is room again."""
        _, most = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))

    def _judge_said(self, process: SimulatedProcess, within: float) -> None:
        if process.awake_since() < self._stack.now - within and self._good:
            self._judge.violate("recorder_stops_unsaid", f"the disk is full, and the recorder says '{self._message}'")

    def judge_end(self) -> None:
        """What was recorded before the disk was full is there, and the recorder goes on or says that it does not."""
        if self._filled is None:
            return
        before = int(self._values["recorded"])
        self._stack.run(SAID_WITHIN)
        if self._judge.sound(self._filled) and self._good and int(self._values["recorded"]) <= before:
            self._judge.violate("recorder_stops_unsaid", f"nothing more is recorded, it says '{self._message}'")
        try:
            topics = Recording(self._path).topics
        except RecordingError as error:
            self._judge.violate("recording_is_lost", f"the recording cannot be read: {error}")
            return
        if not topics:
            self._judge.violate("recording_is_lost", "the recording has no topic")
