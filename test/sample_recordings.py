"""Recordings made from numbers that a test knows, without ROS: messages by rosbags' serializer, the file by our own."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from mcap.records import Channel, Schema

from quadleg.kinematics.body_pose import stance_angles
from quadleg.recording.chunks import ReceivedMessage, pack
from quadleg.recording.mcap_file import McapFile
from quadleg.recording.records import MESSAGE_ENCODING, SCHEMA_ENCODING
from quadleg.robot.model import JOINT_NAMES, LEGS, MEASURED
from quadleg.robot_file.load import find_robot, load_robot
from quadleg.safety.catalogue import Reason
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.reason_codes import ReasonCode

rosbags = pytest.importorskip("rosbags.typesys", reason="needs rosbags: pip install -e '.[test]'")
STORE = rosbags.get_typestore(rosbags.Stores.ROS2_JAZZY)

BEGIN = 1_700_000_000.0  # s since 1970, of the first message
RATE = 50.0
FILE = find_robot("greenhouse_inspector")
ROBOT = load_robot(FILE)
FIRST_PULSE = Reason.of(ReasonCode.FIRST_PULSES, joint="front_left_abduction", number=1, count=12)
STATES = (
    (0.0, NodeStatus("off", Reason.of(ReasonCode.NOT_ENABLED))),
    (1.0, NodeStatus("rising", Reason.of(ReasonCode.ENABLED))),
    (1.02, NodeStatus("rising", FIRST_PULSE)),
    (1.8, NodeStatus("rising", Reason.of(ReasonCode.RISING))),
    (3.0, NodeStatus("active", Reason.of(ReasonCode.TARGETS_FOLLOWED))),
    (8.0, NodeStatus("hold", Reason.of(ReasonCode.NO_FRAME, periods=3))),
    (8.5, NodeStatus("active", Reason.of(ReasonCode.TARGETS_FOLLOWED))),
    (10.0, NodeStatus("lowering", Reason.of(ReasonCode.ASKED_TO_SIT))),
    (11.0, NodeStatus("off", Reason.of(ReasonCode.AT_REST, Reason.of(ReasonCode.ASKED_TO_SIT)))),
)
WALKS = (4.0, 7.0)  # s from when until when
SPEED = 0.1  # m/s ahead by the plan
TYPES = {
    "joint_states": "sensor_msgs/msg/JointState",
    "joint_commands": "trajectory_msgs/msg/JointTrajectory",
    "planned_feet": "sensor_msgs/msg/MultiDOFJointState",
    "foot_loads": "sensor_msgs/msg/MultiDOFJointState",
    "odom": "nav_msgs/msg/Odometry",
    "truth/odom": "nav_msgs/msg/Odometry",
    "imu/data": "sensor_msgs/msg/Imu",
    "supply": "sensor_msgs/msg/BatteryState",
    "cmd_vel": "geometry_msgs/msg/TwistStamped",
    "base_target": "geometry_msgs/msg/PoseStamped",
    "state": "std_msgs/msg/String",
    "servo_state": "std_msgs/msg/String",
    "joint_watchdog/status": "diagnostic_msgs/msg/DiagnosticStatus",
    "servo_output/status": "diagnostic_msgs/msg/DiagnosticStatus",
    "walking_limits": "std_msgs/msg/String",
    "diagnostics": "diagnostic_msgs/msg/DiagnosticArray",
}


def msg(kind: str, **fields: Any) -> Any:
    package, name = kind.split("/")
    return STORE.types[f"{package}/msg/{name}"](**fields)


def header(time: float = 0.0, frame: str = "") -> Any:
    seconds = int(time)
    stamp = msg("builtin_interfaces/Time", sec=seconds, nanosec=int(1e9 * (time - seconds)))
    return msg("std_msgs/Header", stamp=stamp, frame_id=frame)


def vector(xyz: Iterable[float] = (0.0, 0.0, 0.0), kind: str = "Vector3") -> Any:
    x, y, z = map(float, xyz)
    return msg(f"geometry_msgs/{kind}", x=x, y=y, z=z)


def quaternion(wxyz: Iterable[float] = (1.0, 0.0, 0.0, 0.0)) -> Any:
    w, x, y, z = map(float, wxyz)
    return msg("geometry_msgs/Quaternion", x=x, y=y, z=z, w=w)


def pose_of(place: Iterable[float], wxyz: Iterable[float] = (1.0, 0.0, 0.0, 0.0)) -> Any:
    return msg("geometry_msgs/Pose", position=vector(place, "Point"), orientation=quaternion(wxyz))


def twist(linear: Iterable[float] = (0.0, 0.0, 0.0), angular: Iterable[float] = (0.0, 0.0, 0.0)) -> Any:
    return msg("geometry_msgs/Twist", linear=vector(linear), angular=vector(angular))


def joint_state(position: Any, effort: Any = (), names: Iterable[str] = JOINT_NAMES) -> Any:
    numbers = {"position": np.array(position, float), "velocity": np.array([]), "effort": np.array(effort, float)}
    return msg("sensor_msgs/JointState", header=header(), name=list(names), **numbers)


def joint_command(positions: Any) -> Any:
    nothing, when = np.array([]), msg("builtin_interfaces/Duration", sec=0, nanosec=0)
    numbers = {"velocities": nothing, "accelerations": nothing, "effort": nothing, "time_from_start": when}
    point = msg("trajectory_msgs/JointTrajectoryPoint", positions=np.array(positions, float), **numbers)
    return msg("trajectory_msgs/JointTrajectory", header=header(), joint_names=list(JOINT_NAMES), points=[point])


def feet(places: Any, forces: Iterable[float], ahead: float, shift: Iterable[float] = (0.0, 0.0, 0.0)) -> Any:
    turns = [quaternion()] * 5
    transforms = [
        msg("geometry_msgs/Transform", translation=vector(place), rotation=turn)
        for place, turn in zip([*places, shift], turns)
    ]
    wrenches = [msg("geometry_msgs/Wrench", force=vector((0, 0, force)), torque=vector()) for force in (*forces, 0.0)]
    names = [*LEGS, "base_link"]
    parts = {"transforms": transforms, "twist": [*[twist()] * 4, twist((ahead, 0, 0))], "wrench": wrenches}
    return msg("sensor_msgs/MultiDOFJointState", header=header(), joint_names=names, **parts)


def odometry(place: Any, wxyz: Any, ahead: float, variance: Any) -> Any:
    covariance = np.diag(np.array(variance, float)).ravel()
    pose = msg("geometry_msgs/PoseWithCovariance", pose=pose_of(place, wxyz), covariance=covariance)
    moving = msg("geometry_msgs/TwistWithCovariance", twist=twist((ahead, 0, 0)), covariance=np.zeros(36))
    return msg("nav_msgs/Odometry", header=header(), child_frame_id="base_link", pose=pose, twist=moving)


def imu(wxyz: Any) -> Any:
    covariances = {
        f"{name}_covariance": np.zeros(9) for name in ("orientation", "angular_velocity", "linear_acceleration")
    }
    rates = {"angular_velocity": vector(), "linear_acceleration": vector((0.0, 0.0, 9.81))}
    return msg("sensor_msgs/Imu", header=header(), orientation=quaternion(wxyz), **rates, **covariances)


def supply(voltage: float, drawn: float) -> Any:
    fields: dict[str, Any] = dict.fromkeys(("charge", "capacity", "design_capacity", "percentage", "temperature"), 0.0)
    fields |= dict.fromkeys(("power_supply_status", "power_supply_health", "power_supply_technology"), 0)
    fields |= {"cell_voltage": np.array([], np.float32), "cell_temperature": np.array([], np.float32)}
    fields |= {"location": "", "serial_number": "", "present": True}
    return msg("sensor_msgs/BatteryState", header=header(), voltage=voltage, current=-drawn, **fields)


def text(words: str) -> Any:
    return msg("std_msgs/String", data=words)


def diagnosis(node: str, level: int, message: str, **values: object) -> Any:
    return msg("diagnostic_msgs/DiagnosticArray", header=header(), status=[_said(node, level, message, values)])


def status(node: str, said: NodeStatus) -> Any:
    return _said(node, 0, said.sentence, said.values())


def _said(node: str, level: int, message: str, values: Mapping[str, object]) -> Any:
    pairs = [msg("diagnostic_msgs/KeyValue", key=key, value=str(value)) for key, value in values.items()]
    return msg(
        "diagnostic_msgs/DiagnosticStatus", level=level, name=node, message=message, hardware_id="", values=pairs
    )


@dataclass
class SampleRecording:
    """What a recording was made from: `times` (n,) of the joint states in s, and arrays of n rows; `temperatures`
    (12, 12) in °C, a row a second."""

    times: Any
    position: Any
    command: Any
    effort: Any
    voltage: Any
    drawn: Any
    found: Any
    true: Any
    true_turns: Any
    temperatures: Any
    messages: list[tuple[float, str, Any]] = field(default_factory=list)

    @property
    def active(self) -> Any:
        """(n,) whether the robot follows."""
        t = self.times
        return ((t >= 3.0) & (t < 8.0)) | ((t >= 8.5) & (t < 10.0))

    @property
    def powered(self) -> Any:
        return (self.times >= 1.0) & (self.times < 11.0)


@cache
def made(seed: int = 1, torque: bool = True) -> SampleRecording:
    """Twelve seconds: off, rising, standing, walking three seconds, a hold, sitting down, off."""
    random = np.random.default_rng(seed)
    n = int(12 * RATE)
    times = np.arange(n) / RATE + random.uniform(0.0, 0.004, n)
    times[0] = 0.0
    standing = np.array(stance_angles(ROBOT, ROBOT.standing))
    command = standing + 0.1 * np.sin(2 * times)[:, None]
    position = command + random.normal(0.0, 0.01, (n, 12))
    effort = random.normal(0.0, 0.1, (n, 12))
    voltage, drawn = 6.0 - random.uniform(0.0, 0.4, n), random.uniform(0.0, 9.0, n)
    walking = (times >= WALKS[0]) & (times < WALKS[1])
    ahead = np.cumsum(np.where(walking, SPEED / RATE, 0.0))
    true = np.column_stack((ahead, 0.02 * ahead, np.full(n, 0.15)))
    found = true + np.column_stack((0.05 * ahead, -0.03 * ahead, np.zeros(n)))
    lean = 0.05 * np.sin(times)
    turns = np.column_stack((np.cos(lean / 2), np.sin(lean / 2), np.zeros(n), np.zeros(n)))
    temperatures = 55.0 + np.linspace(0.0, 1.0, 12)[:, None] * np.arange(
        12
    )  # the last joint, rear right knee, heats most
    result = SampleRecording(times, position, command, effort, voltage, drawn, found, true, turns, temperatures)
    add = result.messages.append
    places, weight = np.array(ROBOT.standing.feet), 9.81 * ROBOT.masses.total
    for k, time in enumerate(times.tolist()):
        step = int(4 * time) % 2
        down = [1, 1, 1, 1] if not walking[k] else [step, 1 - step, 1 - step, step]
        forces = [weight * each / sum(down) for each in down]
        going = SPEED if walking[k] else 0.0
        variance = 1e-6 * (1 + time) * np.array([100, 100, 10, 10, 10, 10])
        if 1.0 <= time < 11.0:
            add((time, "joint_commands", joint_command(command[k])))
        add((time, "joint_states", joint_state(position[k], effort[k] if torque else ())))
        add((time, "planned_feet", feet(places, forces, going)))
        add((time, "foot_loads", feet(places, forces, going)))
        add((time, "odom", odometry(found[k], turns[k], going, variance)))
        add((time, "truth/odom", odometry(true[k], turns[k], going, np.zeros(6))))
        add((time, "supply", supply(voltage[k], drawn[k])))
        if walking[k]:
            add((time, "cmd_vel", msg("geometry_msgs/TwistStamped", header=header(), twist=twist((0.12, 0, 0)))))
    add((3.2, "base_target", msg("geometry_msgs/PoseStamped", header=header(), pose=pose_of((0.0, 0.0, 0.14)))))
    for time, said in STATES:
        add((time, "state", text(f"{said.state}: {said.sentence}")))
        add((time, "joint_watchdog/status", status("joint_watchdog", said)))
    following = NodeStatus("following", Reason.of(ReasonCode.COMMANDS_FOLLOWED))
    add((0.0, "servo_state", text(f"{following.state}: {following.sentence}")))
    add((0.0, "servo_output/status", status("servo_output", following)))
    add((0.0, "walking_limits", text("gait: trot\ngaits: [creep, trot]\n")))
    for second in range(12):
        late = {"tick_to_bytes_p50_ms": 2 + second / 10, "tick_to_bytes_p99_ms": 9 + second / 10}
        add(
            (
                second + 0.1,
                "diagnostics",
                diagnosis("servo_output: servo_output", 0, "", joint_angles="measured", **late),
            )
        )
        counts = {"frames_sent": 50 * second, "frames_dropped": second // 4, "frames_slowed": 0}
        warm = {"servo_temperatures_c": " ".join(f"{one:.1f}" for one in result.temperatures[second])}
        add((second + 0.2, "diagnostics", diagnosis("joint_watchdog", 0, "", **counts, **warm)))
    add((5.5, "diagnostics", diagnosis("state_estimator", 1, "rear_left slips: the foot is left out")))
    result.messages.sort(key=lambda message: message[0])
    return result


def metadata(robot: bool = True, joint_angles: str = MEASURED) -> dict[str, dict[str, str]]:
    """What the recorder says of a recording."""
    about: dict[str, dict[str, str]] = {"quadleg": {"namespace": "/", "version": "0.1.0"}}
    if robot:
        about["robot_file"] = {"name": FILE.name, "text": FILE.read_text(encoding="utf-8")}
    if joint_angles:
        about["joint_angles"] = {"kind": joint_angles}
    return about


def still(count: int, names: Iterable[str] = JOINT_NAMES) -> list[tuple[float, str, Any]]:
    """So many messages of joints that do not move, at 50 Hz."""
    return [(k / RATE, "joint_states", joint_state(np.zeros(len(list(names))), names=names)) for k in range(count)]


def write(
    path: Path,
    messages: Iterable[tuple[float, str, Any]],
    about: Mapping[str, Mapping[str, str]],
    without: Collection[str] = (),
    times: int = 1,
    types: Mapping[str, str] = TYPES,
) -> Path:
    """A recording of messages (time in s, topic, message), by their time, `times` times one after the other."""
    ready = [
        (time, topic, serialized(types[topic], message))
        for time, topic, message in sorted(messages, key=lambda message: message[0])
        if topic not in without
    ]
    topics = list(dict.fromkeys(topic for _, topic, _ in ready))
    schemas, channels = [], []
    for number, topic in enumerate(topics, 1):
        kind = types[topic]
        definition, _ = STORE.generate_msgdef(kind, ros_version=2)
        schemas.append(Schema(number, definition.encode(), SCHEMA_ENCODING, kind))
        channels.append(Channel(number, f"/{topic}", MESSAGE_ENCODING, {}, number))
    span = ready[-1][0] + 1 / RATE
    with closing(McapFile(path, about)) as file:
        file.add_channels(schemas, channels)
        for again in range(times):
            chunk: list[ReceivedMessage] = []
            for k, (time, topic, data) in enumerate(ready):
                at = round(1e9 * BEGIN) + round(1e9 * (time + again * span))
                chunk.append(ReceivedMessage(topics.index(topic) + 1, again * len(ready) + k, at, data))
                if len(chunk) == 200 or k == len(ready) - 1:
                    file.add(pack(chunk))
                    chunk = []
    return path


def serialized(kind: str, message: Any) -> bytes:
    return bytes(STORE.serialize_cdr(message, kind))
