"""Joint commands and joint states as messages."""

from __future__ import annotations

from array import array
from math import nan
from typing import Any

from sensor_msgs.msg import JointState
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from quadleg.robot.model import JOINT_NAMES
from quadleg.safety.joint_command import ALL, Command


def command_message() -> JointTrajectory:
    """Return a message for a joint command, of one point."""
    return JointTrajectory(points=[JointTrajectoryPoint()])


def set_command(message: JointTrajectory, command: Command, stamp: Any) -> None:
    """Set a command and its stamp in a message of one point: a joint named is powered, one not named is limp."""
    message.header.stamp = stamp
    point = message.points[0]
    if command.powered == ALL:
        message.joint_names = list(JOINT_NAMES)
        point.positions = array("d", command.angles)
        return
    named = [i for i, powered in enumerate(command.powered) if powered]
    message.joint_names = [JOINT_NAMES[i] for i in named]
    point.positions = array("d", [command.angles[i] for i in named])


def angles_of(message: JointState) -> list[float]:
    """The twelve angles (rad) in the order of JOINT_NAMES, nan where one is missing."""
    places = dict(zip(message.name, message.position))
    return [places.get(name, nan) for name in JOINT_NAMES]
