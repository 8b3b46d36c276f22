"""What the twelve servos draw from their supply, by the pose and the commanded motion."""

from __future__ import annotations

from collections.abc import Sequence

from quadleg.dynamics.joint_torques import static_torques
from quadleg.dynamics.servo_motors import ServoMotors
from quadleg.robot.model import JOINT_NAMES, Angles, RobotModel


class SupplyCurrentModel:
    """The currents of one robot's servos on level ground, by joint in the order of `JOINT_NAMES`."""

    def __init__(self, robot: RobotModel) -> None:
        self._robot = robot
        self._motors = ServoMotors.of(robot)

    def currents(self, angles: Angles, rates: Sequence[float], powered: Sequence[bool]) -> tuple[float, ...]:
        """In A, at twelve angles (rad), turning at such rates (rad/s); a joint without power draws nothing."""
        if not any(powered):
            return (0.0,) * len(JOINT_NAMES)
        torques = self._motors.torques_of_pose(static_torques(self._robot, angles), rates)
        return self._motors.currents_of_pose(torques, powered)
