"""servo_output as a node in this process, and the messages that go to it and come from it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from conftest import RosProbe
from spun_middleware import SpunMiddleware
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from quadleg.nodes import servo_output
from quadleg.robot.model import JOINT_NAMES


class OutputNode:
    """The node, spun by a thread of its own until `close`."""

    def __init__(self, probe: RosProbe, **parameters: object) -> None:
        self.probe = probe
        self._middleware = SpunMiddleware()
        self.node = servo_output.ServoOutput(self._middleware, parameters=parameters)
        self.closed = False
        self._middleware.start()
        self._commands = probe.publisher(JointTrajectory, "joint_commands")

    def command(self, angles: tuple[float, ...], names: tuple[str, ...] = JOINT_NAMES) -> None:
        point = JointTrajectoryPoint(positions=list(angles))
        self._commands.publish(JointTrajectory(joint_names=list(names), points=[point]))

    def more(self, heard: list, count: int) -> list:
        """The next messages of a topic."""
        first = len(heard)
        self.probe.wait(lambda: len(heard) >= first + count, 10.0, f"{count} messages")
        return heard[first : first + count]

    def close(self) -> None:
        self.closed = True
        self._middleware.close_with(self.node)


@contextmanager
def starter(kind: Callable[..., OutputNode], probe: RosProbe) -> Iterator[Callable[..., OutputNode]]:
    """Starts such nodes with the parameters given, and closes those that are still open at the end."""
    started: list[OutputNode] = []

    def start(**parameters: object) -> OutputNode:
        started.append(kind(probe, **parameters))
        return started[-1]

    yield start
    for node in started:
        if not node.closed:
            node.close()
