"""servo_output as a node in this process, and the messages that go to it and come from it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

import pytest
from conftest import RosProbe
from i2c_bus import FakeBus
from spun_middleware import SpunMiddleware
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from quadleg.hardware.i2c_board import I2cBoard
from quadleg.kinematics.body_pose import stance_angles
from quadleg.middleware.topics import LATCHED
from quadleg.nodes import servo_board, servo_output
from quadleg.robot.model import JOINT_NAMES, RobotModel


class ServoOutputRig:
    """The node, spun by a thread of its own until `close`."""

    def __init__(self, probe: RosProbe, **parameters: object) -> None:
        self.probe = probe
        self._middleware = SpunMiddleware()
        self.node = servo_output.ServoOutput(self._middleware, parameters=parameters)
        self.robot = self.node.robot
        self.period = 1 / self.robot.control_rate
        self.rest = stance_angles(self.robot, self.robot.resting)
        self.closed = False
        self._middleware.start()
        self.said = probe.hear(String, "servo_state", LATCHED)
        self._commands = probe.publisher(JointTrajectory, "joint_commands")

    def command(self, angles: Sequence[float], names: tuple[str, ...] = JOINT_NAMES) -> None:
        point = JointTrajectoryPoint(positions=list(angles))
        self._commands.publish(JointTrajectory(joint_names=list(names), points=[point]))

    def more(self, heard: list, count: int) -> list:
        """The next messages of a topic."""
        first = len(heard)
        self.probe.wait(lambda: len(heard) >= first + count, 10.0, f"{count} messages")
        return heard[first : first + count]

    def state(self, state: str, seconds: float = 5.0) -> str:
        """Wait for a state of servo_state; what is said with it."""
        return self.probe.wait(
            lambda: next((m.data for m in reversed(self.said) if m.data.startswith(state)), None), seconds, state
        )

    def close(self) -> None:
        if not self.closed:
            self.closed = True
            self._middleware.close_with(self.node)


@contextmanager
def starter(kind: Callable[..., ServoOutputRig], probe: RosProbe) -> Iterator[Callable[..., ServoOutputRig]]:
    """Starts such nodes with the parameters given, and closes those that are still open at the end."""
    started: list[ServoOutputRig] = []

    def start(**parameters: object) -> ServoOutputRig:
        started.append(kind(probe, **parameters))
        return started[-1]

    yield start
    for node in started:
        node.close()


def use_bus(monkeypatch: pytest.MonkeyPatch, bus: FakeBus) -> None:
    """Have the nodes that are started from here on open their I2C board on a bus that is made up."""

    def open_board(robot: RobotModel, *_: object) -> I2cBoard:
        bus.closed = False
        return I2cBoard(robot.board, lambda path, address: bus)

    monkeypatch.setattr(servo_board, "open_board", open_board)
