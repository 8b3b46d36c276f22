"""The faults, how each is provoked, and what must come of it."""

from __future__ import annotations

import os
import random
import signal
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import Enum
from math import nan
from typing import Any

from conftest import RosProbe, Stack

from quadleg.client import Robot
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import JOINT_NAMES, LEGS


class Outcome(Enum):
    """What the robot must have come to."""

    GOES_ON = "goes on, perhaps after a hold"
    HELD = "held with power"
    LOWERED = "lowered, then off"
    CUT = "pulses off at once"
    SAFE = "goes on, or lowered"  # either is right: the moment decides


@dataclass
class FaultContext:
    """A running stack whose body moves, and whatever a fault needs to be provoked."""

    stack: Stack
    robot: Robot
    probe: RosProbe
    random: random.Random
    namespace: str
    afterwards: list[Callable[[], None]] = field(default_factory=list)

    def topic(self, name: str) -> str:
        return f"/{self.namespace}/{name}"


@dataclass(frozen=True)
class Fault:
    """What happens, how, what must come of it and within how many seconds.

    Those of one `group` are one row of the report, in its words.
    """

    group: str
    provoke: Callable[[FaultContext], None]
    ends: Outcome
    within: float
    separate: bool = False


def _kill(node: str) -> Callable[[FaultContext], None]:
    return lambda scene: os.kill(scene.stack.child(node), signal.SIGKILL)


def _freeze(node: str, seconds: float) -> Callable[[FaultContext], None]:
    def provoke(scene: FaultContext) -> None:
        pid = scene.stack.child(node) if node else scene.stack.process.pid
        os.kill(pid, signal.SIGSTOP)
        going_on = threading.Timer(seconds, os.kill, (pid, signal.SIGCONT))
        going_on.start()
        scene.afterwards.append(going_on.join)

    return provoke


def _freeze_while_lowering(seconds: float) -> Callable[[FaultContext], None]:
    def provoke(scene: FaultContext) -> None:
        scene.robot.enable(False)
        time.sleep(scene.random.uniform(0.0, 3.3))  # the whole way down
        _freeze("servo_output", seconds)(scene)

    return provoke


def _break_bus(seconds: float) -> Callable[[FaultContext], None]:
    def provoke(scene: FaultContext) -> None:
        with scene.stack.board() as board:
            board.break_bus(seconds)

    return provoke


def _power_loss(scene: FaultContext) -> None:
    with scene.stack.board() as board:
        board.power_loss()


def _pause(scene: FaultContext) -> None:
    scene.robot.set_parameter("gait", "paused", True)


def _signal(number: int) -> Callable[[FaultContext], None]:
    return lambda scene: scene.stack.process.send_signal(number)


def _two_signals(scene: FaultContext) -> None:
    scene.stack.process.send_signal(signal.SIGINT)
    scene.stack.wait_for_line("ending")
    scene.stack.process.send_signal(signal.SIGINT)


def _targets(
    change: Callable[[random.Random, list[str], list[float]], None], shift_s: Sequence[float] = (0.0,), legs: int = 4
) -> Callable[[FaultContext], None]:
    """Joint targets beside those of the real leg_ik, or in their place: 40 frames of wrong ones."""

    def provoke(scene: FaultContext) -> None:
        from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

        publisher = scene.probe.publisher(JointTrajectory, scene.topic("joint_targets"))
        model = scene.stack.model
        standing = stance_angles(model, model.standing)
        clock = scene.probe.node.get_clock()
        for k in range(40):
            stamp = clock.now().nanoseconds + int(1e9 * shift_s[k % len(shift_s)])
            for leg in range(legs):
                names, angles = list(JOINT_NAMES[3 * leg : 3 * leg + 3]), list(standing[3 * leg : 3 * leg + 3])
                change(scene.random, names, angles)
                message = JointTrajectory(joint_names=names, points=[JointTrajectoryPoint(positions=angles)])
                message.header.stamp.sec, message.header.stamp.nanosec = divmod(stamp, 10**9)
                publisher.publish(message)
            time.sleep(1 / model.control_rate)

    return provoke


def _instead(provoke: Callable[[FaultContext], None]) -> Callable[[FaultContext], None]:
    def both(scene: FaultContext) -> None:
        _pause(scene)
        provoke(scene)

    return both


def _not_a_number(chance: random.Random, names: list[str], angles: list[float]) -> None:
    angles[chance.randrange(3)] = chance.choice((nan, float("inf")))


def _wrong_names(chance: random.Random, names: list[str], angles: list[float]) -> None:
    names[chance.randrange(3)] = chance.choice(("front_left_wheel", "", names[0]))


def _far(chance: random.Random, names: list[str], angles: list[float]) -> None:
    angles[:] = [chance.uniform(-3, 3) for _ in angles]


def _as_they_are(chance: random.Random, names: list[str], angles: list[float]) -> None:
    pass


def _rogue_commands(scene: FaultContext) -> None:
    """A second publisher of joint_commands, which by-passes the watchdog."""
    from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

    publisher = scene.probe.publisher(JointTrajectory, scene.topic("joint_commands"))
    model = scene.stack.model
    for _ in range(25):
        angles = [scene.random.uniform(joint.lower, joint.upper) for joint in model.joints]
        point = JointTrajectoryPoint(positions=angles)
        publisher.publish(JointTrajectory(joint_names=list(JOINT_NAMES), points=[point]))
        time.sleep(1 / model.control_rate)


def _any_number(chance: random.Random) -> float:
    return chance.choice((0.0, nan, float("inf"), -1e308, chance.uniform(-1, 1), chance.uniform(-1e6, 1e6)))


def _any_name(chance: random.Random) -> str:
    return chance.choice((*JOINT_NAMES, *LEGS, "base_link", "", "\0", "wheel", "é" * 300))


def _random_messages(scene: FaultContext) -> None:
    """Anything that the types allow, on every topic that moves the robot, for two seconds."""
    from geometry_msgs.msg import PointStamped, PoseStamped, Transform
    from sensor_msgs.msg import MultiDOFJointState
    from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

    chance = scene.random

    def fill(place: Any) -> None:
        for axis in ("x", "y", "z", "w"):
            if hasattr(place, axis):
                setattr(place, axis, _any_number(chance))

    def pose() -> PoseStamped:
        message = PoseStamped()
        fill(message.pose.position)
        fill(message.pose.orientation)
        return message

    def feet() -> MultiDOFJointState:
        message = MultiDOFJointState(joint_names=[_any_name(chance) for _ in range(chance.randrange(7))])
        message.transforms = [Transform() for _ in range(chance.randrange(7))]
        for transform in message.transforms:
            fill(transform.translation)
            fill(transform.rotation)
        return message

    def foot() -> PointStamped:
        message = PointStamped()
        fill(message.point)
        return message

    def trajectory() -> JointTrajectory:
        # One that names no joint cuts the power, as it should: it is left out.
        names = [_any_name(chance) for _ in range(chance.randrange(1, 14))]
        points = [
            JointTrajectoryPoint(positions=[_any_number(chance) for _ in range(chance.randrange(14))])
            for _ in range(chance.randrange(3))
        ]
        return JointTrajectory(joint_names=names, points=points)

    kinds = [
        (PoseStamped, "base_target", pose, "base_footprint"),
        (PoseStamped, "teleop/base_target", pose, "base_footprint"),
        (MultiDOFJointState, "planned_feet", feet, "base_footprint"),
        *((PointStamped, f"{leg}/foot_target", foot, "base_link") for leg in LEGS),
        (JointTrajectory, "joint_targets", trajectory, ""),
        (JointTrajectory, "joint_commands", trajectory, ""),
    ]
    publishers = [(scene.probe.publisher(kind, scene.topic(name)), make, frame) for kind, name, make, frame in kinds]
    for _ in range(100):
        for publisher, make, frame in publishers:
            message = make()
            message.header.frame_id = chance.choice((frame, frame, _any_name(chance)))
            message.header.stamp.sec = chance.randrange(-(2**31), 2**31)
            publisher.publish(message)
        time.sleep(1 / scene.stack.model.control_rate)


def _second_watchdog(scene: FaultContext) -> None:
    import subprocess
    import sys

    code = "from quadleg.nodes.joint_watchdog import main; main()"
    arguments = ["--ros-args", "-r", f"__ns:=/{scene.namespace}", "-r", "__node:=second_watchdog"]
    second = subprocess.Popen([sys.executable, "-c", code, *arguments], start_new_session=True)

    def end() -> None:
        second.terminate()
        second.wait(20)

    scene.afterwards.append(end)


def _supply(**fields: Any) -> Callable[[FaultContext], None]:
    """A measured supply, ten times a second for two seconds."""

    def provoke(scene: FaultContext) -> None:
        from sensor_msgs.msg import BatteryState

        message = BatteryState(**{"voltage": nan, "current": nan, "present": True, **fields})
        publisher = scene.probe.publisher(BatteryState, scene.topic("supply"))
        for _ in range(60):
            publisher.publish(message)
            time.sleep(0.1)

    return provoke


def _tipped(scene: FaultContext) -> None:
    from rclpy.qos import qos_profile_sensor_data
    from sensor_msgs.msg import Imu

    message = Imu()
    message.orientation.x = message.orientation.w = 0.5**0.5  # on its side
    publisher = scene.probe.node.create_publisher(Imu, scene.topic("imu/data"), qos_profile_sensor_data)
    for _ in range(100):
        publisher.publish(message)
        time.sleep(0.01)


AT_ONCE = "`quadleg stop`, or Ctrl-C twice"
ASKED = "asked to sit, or SIGTERM to `quadleg run`"
ALONE = "joint targets not finite, with wrong names, anywhere, or of three legs, alone"
BETWEEN = "joint targets not finite, doubled, or with stamps an hour off, between good ones"
COMMANDING = "joint_watchdog, or the whole control process, killed"
FOR_A_WHILE = "frozen for 0.1, 0.5, 2 or 10 s"
FRAME_NODES = ("gait", "base_motion", "front_left_ik", "rear_right_ik")

FAULTS: dict[str, Fault] = {
    "stop": Fault(AT_ONCE, lambda scene: scene.robot.stop(), Outcome.CUT, 0.2),
    "two-ctrl-c": Fault(AT_ONCE, _two_signals, Outcome.CUT, 2.0),
    "sit": Fault(ASKED, lambda scene: scene.robot.sit(), Outcome.LOWERED, 8.0),
    **{
        f"freeze-lowering-{seconds:g}": Fault(
            "servo_output frozen for 0.5 or 2 s while the body is lowered",
            _freeze_while_lowering(seconds),
            Outcome.LOWERED,
            20.0,
        )
        for seconds in (0.5, 2.0)
    },
    "sigterm": Fault(ASKED, _signal(signal.SIGTERM), Outcome.LOWERED, 8.0),
    "no-frames": Fault("the metronome stops", _pause, Outcome.LOWERED, 10.0),
    "nan-targets": Fault(ALONE, _instead(_targets(_not_a_number)), Outcome.LOWERED, 10),
    "wrong-names": Fault(ALONE, _instead(_targets(_wrong_names)), Outcome.LOWERED, 10),
    "far-targets": Fault(ALONE, _instead(_targets(_far)), Outcome.LOWERED, 12),
    "missing-leg": Fault(ALONE, _instead(_targets(_as_they_are, legs=3)), Outcome.LOWERED, 10),
    "nan-between": Fault(BETWEEN, _targets(_not_a_number), Outcome.SAFE, 10),
    "doubled": Fault(BETWEEN, _targets(_as_they_are), Outcome.SAFE, 10),
    "clock-back": Fault(BETWEEN, _targets(_as_they_are, (-3600.0,)), Outcome.SAFE, 10),
    "clock-on": Fault(BETWEEN, _targets(_as_they_are, (3600.0, 0.0)), Outcome.SAFE, 10),
    "rogue": Fault("a second publisher of `joint_commands`", _rogue_commands, Outcome.SAFE, 15),
    "random": Fault("random messages on every topic", _random_messages, Outcome.SAFE, 15),
    "two-watchdogs": Fault("a second watchdog", _second_watchdog, Outcome.SAFE, 20),
    **{
        f"kill-{node}": Fault("gait, base_motion or a leg_ik killed", _kill(node), Outcome.SAFE, 10.0, separate=True)
        for node in FRAME_NODES
    },
    "kill-joint_watchdog": Fault(COMMANDING, _kill("joint_watchdog"), Outcome.LOWERED, 15.0, separate=True),
    "kill-control": Fault(COMMANDING, _kill("gait"), Outcome.LOWERED, 15.0),
    "kill-servo_output": Fault("servo_output killed", _kill("servo_output"), Outcome.SAFE, 15.0),
    "kill-parent": Fault("`quadleg run` killed", _signal(signal.SIGKILL), Outcome.LOWERED, 10.0),
    **{
        f"freeze-{node}-{seconds:g}": Fault(group, _freeze(node, seconds), ends, 12.0 + seconds, separate=True)
        for node in ("gait", "base_motion", "front_left_ik", "joint_watchdog", "servo_output")
        for seconds, ends, group in (
            (0.1, Outcome.GOES_ON, "one of five nodes frozen for 0.1 s"),
            *((seconds, Outcome.SAFE, "one of five nodes frozen for 0.5, 2 or 10 s") for seconds in (0.5, 2.0, 10.0)),
        )
    },
    **{
        f"freeze-control-{seconds:g}": Fault(
            f"the control process {FOR_A_WHILE}", _freeze("gait", seconds), Outcome.SAFE, 12.0 + seconds
        )
        for seconds in (0.1, 0.5, 2.0, 10.0)
    },
    **{
        f"freeze-parent-{seconds:g}": Fault(
            f"`quadleg run` {FOR_A_WHILE}", _freeze("", seconds), Outcome.GOES_ON, 3.0 + seconds
        )
        for seconds in (0.1, 0.5, 2.0, 10.0)
    },
    "bus-frame": Fault("the bus fails for one frame", _break_bus(0.02), Outcome.GOES_ON, 5.0),
    "bus-second": Fault("the bus fails for 1 s", _break_bus(1.0), Outcome.SAFE, 15.0),
    "bus-long": Fault("the bus fails for 8 s", _break_bus(8.0), Outcome.LOWERED, 20.0),
    "bus-ever": Fault("the bus fails for ever", _break_bus(600.0), Outcome.HELD, 10.0),
    "power": Fault("the board without power for a moment", _power_loss, Outcome.CUT, 0.5),
    "supply-lost": Fault("servo supply lost", _supply(voltage=0.3), Outcome.CUT, 0.3),
    "supply-low": Fault("servo supply low", _supply(voltage=4.9), Outcome.LOWERED, 10.0),
    "over-current": Fault("current over the rating", _supply(voltage=6.0, current=-25.0), Outcome.LOWERED, 15.0),
    "tipped": Fault("body tipped on its side", _tipped, Outcome.CUT, 0.5),
}
