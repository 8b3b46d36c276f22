"""What the recorder says of itself, without ROS."""

from __future__ import annotations

from pathlib import Path

from small_recordings import ThreadHost

from quadleg.recording.flight_recorder import FlightRecorder
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot


class NamedHost(ThreadHost):
    """A host in a namespace."""

    def get_namespace(self) -> str:
        return "/field"


def test_each_cause_of_a_gap_is_said_whatever_else_is_missing(tmp_path: Path) -> None:
    recorder = FlightRecorder(NamedHost(), load_robot(find_robot(DEFAULT_ROBOT)), "", str(tmp_path), 10**9)
    numbers: dict[bytes, int] = {}
    for number in (1, 2, 6):
        recorder.count(numbers, b"a publisher", number)
    recorder.not_known("/field/other", "other_msgs/msg/Other")
    said = recorder.health().message
    assert "3 messages were gone before they were read" in said
    assert "/field/other is other_msgs/msg/Other" in said
    assert recorder.health().values["missed"] == 3
    recorder.close()
