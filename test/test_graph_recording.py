"""Recordings of a running stack: what was published is what reads back; kept minutes; replay; a recorder that dies."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import RosProbe, Stack, wait_until
from geometry_msgs.msg import PoseStamped, Twist, TwistStamped
from mcap.reader import make_reader
from mcap_ros2.decoder import DecoderFactory
from nav_msgs.msg import Odometry
from rclpy.qos import QoSProfile
from rclpy.serialization import deserialize_message
from rosbags.highlevel import AnyReader
from rosbags.typesys import Stores, get_types_from_msg, get_typestore
from sensor_msgs.msg import JointState, MultiDOFJointState
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory

from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.cli import main
from quadleg.client import Robot
from quadleg.client.replay import asked_for
from quadleg.middleware.message_definitions import definition_of
from quadleg.middleware.topics import LATCHED
from quadleg.recording.reader import Recording
from quadleg.recording.signals import signals_of
from quadleg.report.report import damage

pytestmark = pytest.mark.spread

DEEP = QoSProfile(depth=2000)
TYPES = {
    "joint_states": JointState,
    "joint_commands": JointTrajectory,
    "planned_feet": MultiDOFJointState,
    "odom": Odometry,
    "base_target": PoseStamped,
}


@pytest.mark.parametrize(
    "kind",
    [
        *("sensor_msgs/msg/JointState", "sensor_msgs/msg/MultiDOFJointState", "nav_msgs/msg/Odometry"),
        *("trajectory_msgs/msg/JointTrajectory", "diagnostic_msgs/msg/DiagnosticArray", "sensor_msgs/msg/BatteryState"),
        *("sensor_msgs/msg/Imu", "std_msgs/msg/String", "geometry_msgs/msg/TwistStamped", "sensor_msgs/msg/Joy"),
    ],
)
def test_definitions_made_from_classes_are_those_of_ros_2(kind: str) -> None:
    """By rosbags, which has the definitions of ROS 2 Jazzy as data of its own."""
    pytest.importorskip("rclpy")
    ours = get_types_from_msg(definition_of(kind), kind)
    store = get_typestore(Stores.ROS2_JAZZY)
    for name, (_, fields) in ours.items():
        assert list(fields) == list(store.fielddefs[name][1]), name


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Where the recorder saves the last minute."""
    (tmp_path / "own.yaml").write_text(
        f"/**/recorder:\n  ros__parameters:\n    folder: {tmp_path / 'kept'}\n", encoding="utf-8"
    )
    return tmp_path / "kept"


def recording_stack(start: Callable[..., Stack], folder: Path, *more: str) -> Stack:
    stack = start("--params-file", str(folder.parent / "own.yaml"), *more, recorder=True)
    stack.wait_for_line("ready after")
    return stack


def raw(probe: RosProbe, topic: str) -> list[bytes]:
    """The bytes of all messages of a topic from now on."""
    heard: list[bytes] = []
    probe.node.create_subscription(TYPES[topic], topic, heard.append, DEEP, raw=True)
    return heard


def records(robot: Robot, topics: int) -> bool:
    """Whether the recorder hears so many topics."""
    return int(robot.last.values("recorder").get("topics", 0)) >= topics


def test_what_is_published_reads_back_message_for_message_until_the_robot_is_off(
    start: Callable[..., Stack], folder: Path, tmp_path: Path, probe: RosProbe
) -> None:
    path = tmp_path / "run.mcap"
    stack = recording_stack(start, folder, "--record", str(path))
    heard = {topic: raw(probe, topic) for topic in TYPES}
    with Robot() as robot:
        wait_until(lambda: records(robot, 15), "all topics are recorded")
        robot.stand()
        robot.send(robot.reached())
        robot.sit()
        wait_until(lambda: len(heard["base_target"]) >= 2, "the targets")
        seen = {topic: list(messages) for topic, messages in heard.items()}
    assert stack.end() == 0
    with path.open("rb") as file:
        reader = make_reader(file, validate_crcs=True, decoder_factories=[DecoderFactory()])
        assert reader.get_summary() is not None
        recorded: dict[str, list[bytes]] = {}
        for _, channel, message, decoded in reader.iter_decoded_messages():
            recorded.setdefault(channel.topic, []).append(message.data)
            if channel.topic == "/joint_states":
                assert list(decoded.position) == list(deserialize_message(message.data, JointState).position)
    for topic, messages in seen.items():
        # A computer too busy for both may lose a message of either; neither makes one up, or has one twice or too late.
        common = set(messages) & set(recorded[f"/{topic}"])
        assert [one for one in recorded[f"/{topic}"] if one in common] == [one for one in messages if one in common]
        assert len(common) >= 0.95 * len(messages), topic
    with AnyReader([path]) as bag:
        states = [connection for connection in bag.connections if connection.topic == "/joint_states"]
        assert [bytes(data) for _, _, data in bag.messages(states)] == recorded["/joint_states"]
    recording = Recording(path)
    assert recording.metadata["joint_angles"] == {"kind": "measured"}
    assert "name: greenhouse_inspector" in recording.metadata["robot_file"]["text"]
    states = [text for _, text in signals_of(recording).texts["state"]]
    assert any(text.startswith("active") for text in states)
    assert states[-1].startswith("off: ")


def test_the_last_minute_is_saved_on_a_fault_and_when_asked_and_can_be_replayed(
    start: Callable[..., Stack], folder: Path, capfd: pytest.CaptureFixture[str], probe: RosProbe
) -> None:
    stack = recording_stack(start, folder)
    targets = probe.hear(PoseStamped, "base_target")
    assert str(folder) in stack.wait_for_line("on a fault the last minute is saved in")
    with Robot() as robot:
        wait_until(lambda: records(robot, 15), "all topics are heard")
        robot.stand()
        robot.stop()
        wait_until(lambda: list(folder.glob("*_fault.mcap")), "the minute before the fault")
        states = probe.hear(String, "state", LATCHED)
        robot.reset()
        probe.wait(lambda: states and states[-1].data.startswith("off"), "off")
        assert main.main(["keep"]) == 0
    (kept,) = folder.glob("*_asked.mcap")
    assert f"kept: {kept}" in capfd.readouterr().out
    (fault,) = folder.glob("*_fault.mcap")
    texts = [text for _, text in signals_of(Recording(fault)).texts["state"]]
    assert any(text.startswith("active") for text in texts)
    assert any(text.startswith("fault: ") for text in texts)
    assert any(one.topic == "base_target" for one in asked_for(Recording(fault)))
    before = len(targets)
    assert main.main(["replay", str(fault), "--speed", "5"]) == 0
    again = [message.pose.position.z for message in targets[before:]]
    assert again[-1] == targets[before - 1].pose.position.z
    assert stack.end() == 0


def test_a_velocity_of_either_type_is_recorded_and_the_next_of_the_other_too(
    start: Callable[..., Stack], folder: Path, tmp_path: Path
) -> None:
    path = tmp_path / "run.mcap"
    stack = recording_stack(start, folder, "--record", str(path))
    with Robot() as robot:
        for kind, number in ((Twist, 11), (TwistStamped, 12)):
            site = RosProbe()  # one process has one type of a topic
            publisher = site.node.create_publisher(kind, "cmd_vel", 10)
            message = kind()
            (message.twist if kind is TwistStamped else message).linear.y = float(number)

            def heard(publisher=publisher, message=message, number=number) -> bool:
                publisher.publish(message)
                return number in velocities(path)

            wait_until(lambda: bool(robot.last.values("recorder")), "the recorder")
            wait_until(heard, f"{kind.__name__} in the file")
            site.close()
    assert stack.end() == 0


def velocities(path: Path) -> list[float]:
    """The sideways velocities that are in the file by now."""
    signal = signals_of(Recording(path), ("joint_states", "cmd_vel")).get("cmd_vel")
    return signal["twist"][:, 1].tolist() if signal else []


def test_a_recorder_that_is_killed_leaves_a_whole_file_and_the_robot_alone(
    start: Callable[..., Stack], folder: Path, tmp_path: Path
) -> None:
    path = tmp_path / "run.mcap"
    stack = recording_stack(start, folder, "--record", str(path))
    with Robot() as robot:
        wait_until(lambda: records(robot, 12), "topics are recorded")
        wait_until(lambda: int(robot.last.values("recorder")["recorded"]) > 500, "some of it is on the disk")
        os.kill(stack.child("recorder"), signal.SIGKILL)
        stack.wait_for_line("recorder was ended by signal 9; it is started again")
        second = tmp_path / "run_2.mcap"
        wait_until(lambda: second.exists() and second.stat().st_size > 10_000, "it records again")
    assert not Recording(path).cut
    assert stack.end() == 0
    assert not Recording(second).cut


def test_a_recorder_without_a_turn_says_what_it_missed_and_delays_nobody(
    start: Callable[..., Stack], folder: Path, tmp_path: Path, probe: RosProbe
) -> None:
    path = tmp_path / "run.mcap"
    stack = recording_stack(start, folder, "--record", str(path))
    with Robot() as robot:
        wait_until(lambda: records(robot, 12), "topics are recorded")
        heard = raw(probe, "joint_states")
        wait_until(lambda: len(heard) > 10 and int(robot.last.values("recorder")["recorded"]) > 100, "recorded")
        if "missed" not in robot.last.values("recorder"):
            pytest.skip("before Kilted rclpy does not tell who published, and nobody counts what was missed")
        recorder = stack.child("recorder")
        os.kill(recorder, signal.SIGSTOP)
        seen = len(heard)
        # A publisher that waits for a listener without a turn would soon say nothing any more.
        wait_until(lambda: len(heard) > seen + 200, "joint_states while it has no turn")
        os.kill(recorder, signal.SIGCONT)
        wait_until(lambda: "gone before they were read" in robot.last.message("recorder"), "a word of it")
        sent = heard[:]
        missed = int(robot.status().values("recorder")["missed"])
    assert stack.end() == 0
    recorded = {message.data for message in messages(path, "/joint_states")}
    assert 0 < len([one for one in sent if one not in recorded]) <= missed
    assert any("did not reach the recorder" in sentence for sentence in damage(RecordingAnalysis(path)))


def messages(path: Path, topic: str) -> list:
    with path.open("rb") as file:
        return [message for _, _, message in make_reader(file).iter_messages(topics=[topic])]


def test_a_recording_that_is_there_already_stays_and_nothing_starts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "run.mcap").write_text("mine")
    assert main.main(["run", "--record", str(tmp_path / "run.mcap")]) == 1
    assert "is there already and stays as it is" in capsys.readouterr().err
    assert (tmp_path / "run.mcap").read_text() == "mine"
