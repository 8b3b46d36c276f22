"""leg_ik: one leg's inverse kinematics; a foot target becomes the three joint targets of that leg."""

from __future__ import annotations

from array import array
from typing import Any

from diagnostic_msgs.msg import DiagnosticStatus
from geometry_msgs.msg import PointStamped
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from quadleg.errors import TargetError, Unreachable
from quadleg.health import Health
from quadleg.kinematics.leg import inverse
from quadleg.middleware.interface import Middleware
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.process_host import main_of
from quadleg.middleware.topics import check_frame, finite_place
from quadleg.robot.model import LEGS


class LegIk(QuadlegNode):
    """Answers each foot target; an unreachable one with the nearest reachable point, which it says."""

    def __init__(self, middleware: Middleware, name: str = "leg_ik", parameters: dict[str, Any] | None = None) -> None:
        super().__init__(middleware, name, parameters)
        leg = self.declare("leg", LEGS[0], f"The leg: one of {', '.join(LEGS)}")
        if leg not in LEGS:
            raise ValueError(f"parameter leg is '{leg}'; it must be one of {', '.join(LEGS)}")
        self._leg = self.robot.leg(leg)
        self._frame = self.prefix + "base_link"
        self._limit: str | None = None
        self._refusal: str | None = None
        self._message = JointTrajectory(
            joint_names=[joint.name for joint in self._leg.joints], points=[JointTrajectoryPoint()]
        )
        self._targets = self.advertise("joint_targets")
        self.listen(f"{leg}/foot_target", self._foot_target)

    def _foot_target(self, target: PointStamped) -> None:
        try:
            check_frame(target.header.frame_id, self._frame)
            angles, limit = inverse(self._leg, finite_place(target.point)), None
        except TargetError as error:
            self._say(self._limit, f"foot target refused: {error}")
            return
        except Unreachable as error:
            angles, limit = error.angles, f"{error.leg}, {error.limit}"
        self._say(limit, None)
        self._message.header.stamp = target.header.stamp
        self._message.points[0].positions = array("d", angles)
        self._targets.publish(self._message)

    def _say(self, limit: str | None, refusal: str | None) -> None:
        if (limit, refusal) == (self._limit, self._refusal):
            return
        self._limit, self._refusal = limit, refusal
        self.say_health()

    def health(self) -> Health:
        if self._refusal:
            return Health(self._refusal, level=DiagnosticStatus.ERROR, complaints={"target_refused": self._refusal})
        if self._limit:
            message = f"foot target out of reach, at the nearest point: {self._limit}"
            return Health(message, level=DiagnosticStatus.WARN, complaints={"out_of_reach": message})
        return Health("foot targets in reach")


main = main_of(LegIk)
