"""leg_ik: one leg's inverse kinematics; a foot target becomes the three joint targets of that leg."""

from __future__ import annotations

from array import array
from typing import Any

from geometry_msgs.msg import PointStamped
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from quadleg.errors import TargetError, Unreachable
from quadleg.health import ERROR, OK, WARN, CodedFact, Health
from quadleg.kinematics.body_codes import FootTargetCode
from quadleg.kinematics.leg import inverse
from quadleg.middleware.interface import Middleware
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.process_host import main_of
from quadleg.middleware.topics import check_frame, finite_place
from quadleg.robot.model import LEGS

LEVELS = {FootTargetCode.IN_REACH: OK, FootTargetCode.OUT_OF_REACH: WARN, FootTargetCode.FOOT_TARGET_REFUSED: ERROR}
IN_REACH = CodedFact.of(FootTargetCode.IN_REACH)


class LegIk(QuadlegNode):
    """Answers each foot target; an unreachable one with the nearest reachable point, which it says."""

    def __init__(self, middleware: Middleware, name: str = "leg_ik", parameters: dict[str, Any] | None = None) -> None:
        super().__init__(middleware, name, parameters)
        leg = self.declare("leg", LEGS[0], f"The leg: one of {', '.join(LEGS)}")
        if leg not in LEGS:
            raise ValueError(f"parameter leg is '{leg}'; it must be one of {', '.join(LEGS)}")
        self._leg = self.robot.leg(leg)
        self._frame = self.prefix + "base_link"
        self._target_told = IN_REACH
        self._message = JointTrajectory(
            joint_names=[joint.name for joint in self._leg.joints], points=[JointTrajectoryPoint()]
        )
        self._targets = self.advertise("joint_targets")
        self.listen(f"{leg}/foot_target", self._foot_target)

    def _foot_target(self, target: PointStamped) -> None:
        try:
            check_frame(target.header.frame_id, self._frame)
            angles, told = inverse(self._leg, finite_place(target.point)), IN_REACH
        except TargetError as error:
            self._tell(CodedFact.of(FootTargetCode.FOOT_TARGET_REFUSED, detail=error))
            return
        except Unreachable as error:
            angles = error.angles
            told = CodedFact.of(FootTargetCode.OUT_OF_REACH, leg=error.leg, limit=error.limit)
        self._tell(told)
        self._message.header.stamp = target.header.stamp
        self._message.points[0].positions = array("d", angles)
        self._targets.publish(self._message)

    def _tell(self, fact: CodedFact) -> None:
        if fact != self._target_told:
            self._target_told = fact
            self.say_health()

    def health(self) -> Health:
        return Health(level=LEVELS[FootTargetCode(self._target_told.code)], reason=self._target_told)


main = main_of(LegIk)
