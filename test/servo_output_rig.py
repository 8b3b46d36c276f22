"""servo_output as a node in this process, and the messages that go to it and come from it."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from conftest import RosProbe
from i2c_bus import FakeBus
from simulated_client import SimulatedHost, SimulatedProbe
from spun_middleware import SpunMiddleware
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from quadleg.hardware.i2c_board import I2cBoard
from quadleg.kinematics.body_pose import stance_angles
from quadleg.middleware.topics import LATCHED
from quadleg.nodes import servo_board, servo_output
from quadleg.robot.model import JOINT_NAMES, RobotModel


class ServoOutputRig:
    """The node, run by its `host` until `close`: in a thread of its own, or while simulated time passes."""

    def __init__(
        self, probe: RosProbe | SimulatedProbe, host: SpunMiddleware | SimulatedHost, **parameters: object
    ) -> None:
        self.probe = probe
        self._host = host
        self.node = servo_output.ServoOutput(host, parameters=parameters)
        self.robot = self.node.robot
        self.period = 1 / self.robot.control_rate
        self.rest = stance_angles(self.robot, self.robot.resting)
        self.closed = False
        self._host.start()
        self.said = probe.hear(String, "servo_state", LATCHED)
        self._commands = probe.publisher(JointTrajectory, "joint_commands")

    def command(self, angles: Sequence[float], names: tuple[str, ...] = JOINT_NAMES) -> None:
        point = JointTrajectoryPoint(positions=list(angles))
        self._commands.publish(JointTrajectory(joint_names=list(names), points=[point]))

    def more(self, heard: list, count: int) -> list:
        """The next messages of a topic."""
        first = len(heard)
        self.probe.wait(lambda: len(heard) >= first + count, f"{count} messages", 10.0)
        return heard[first : first + count]

    def state(self, state: str, seconds: float = 5.0) -> str:
        """Wait for a state of servo_state; what is said with it."""
        return self.probe.wait(
            lambda: next((m.data for m in reversed(self.said) if m.data.startswith(state)), None), state, seconds
        )

    def close(self) -> None:
        if not self.closed:
            self.closed = True
            self._host.close_with(self.node)


def use_bus(monkeypatch: pytest.MonkeyPatch, bus: FakeBus) -> None:
    """Have the nodes that are started from here on open their I2C board on a bus that is made up."""

    def open_board(robot: RobotModel, *_: object) -> I2cBoard:
        bus.closed = False
        return I2cBoard(robot.board, lambda path, address: bus)

    monkeypatch.setattr(servo_board, "open_board", open_board)
