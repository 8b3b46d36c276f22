"""gait: the metronome of the control graph; says where each foot is planned to be."""

from __future__ import annotations

from typing import Any

from diagnostic_msgs.msg import DiagnosticStatus
from geometry_msgs.msg import Transform, Twist, Wrench
from sensor_msgs.msg import MultiDOFJointState

from quadleg.nodes.base import Health, QuadlegNode
from quadleg.nodes.host import main_of
from quadleg.nodes.topics import LATEST
from quadleg.robot.model import LEGS

STANDARD_GRAVITY = 9.80665


class Gait(QuadlegNode):
    """Publishes `planned_feet` once a control period: the four feet at their nominal stance, standing."""

    def __init__(self, name: str = "gait", parameters: dict[str, Any] | None = None) -> None:
        super().__init__(name, parameters)
        period = self.declare_period()
        self.declare("paused", False, "Stop the metronome; the watchdog then holds the robot", fixed=False)
        self._feet = self.create_publisher(MultiDOFJointState, "planned_feet", LATEST)
        self._message = self._standing()
        self.every(period, self._tick)

    def _standing(self) -> MultiDOFJointState:
        message = MultiDOFJointState(joint_names=[*LEGS, "base_link"])
        message.header.frame_id = self.prefix + "base_footprint"
        carried = self.robot.masses.total * STANDARD_GRAVITY / len(LEGS)
        for x, y, z in self.robot.standing.feet:
            foot, force = Transform(), Wrench()
            foot.translation.x, foot.translation.y, foot.translation.z = x, y, z
            force.force.z = carried
            message.transforms.append(foot)
            message.wrench.append(force)
        message.transforms.append(Transform())
        message.wrench.append(Wrench())
        message.twist = [Twist() for _ in message.joint_names]
        return message

    def _tick(self) -> None:
        if self.get_parameter("paused").value:
            return
        self._message.header.stamp = self.get_clock().now().to_msg()
        self._feet.publish(self._message)

    def health(self) -> Health:
        if self.get_parameter("paused").value:
            return Health("paused by its parameter", level=DiagnosticStatus.WARN)
        return Health("standing")


main = main_of(Gait)
