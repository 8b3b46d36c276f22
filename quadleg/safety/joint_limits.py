"""Limits of one frame of twelve joint targets: joints, clearance, ground and servo speed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import degrees, inf

from quadleg.dynamics.servo_motors import joint_steps
from quadleg.kinematics.clearance import Clearance, Gap
from quadleg.kinematics.ground_clearance import StandingGround
from quadleg.robot.model import LEGS, RobotModel
from quadleg.safety.catalogue import Reason
from quadleg.safety.reason_codes import ReasonCode

IN_GROUND = 0.003  # m: loaded legs give way by this much
TOLERANCE = 1e-6  # rad of a joint limit, m of a gap: rounding alone must stop no leg


@dataclass(frozen=True)
class LimitedFrame:
    """The frame to send, the `share` of the motion that it makes (1: not slowed), and which legs stay and why."""

    angles: tuple[float, ...]
    share: float
    stops: tuple[Reason, ...]


class JointLimits:
    """Joint limits, clearance and servo speed for one robot at one control period (s).

    `speed` is the share of the servos' speed that may be used.
    """

    def __init__(self, robot: RobotModel, period: float) -> None:
        self.speed = 1.0
        self._robot = robot
        self._clearance = Clearance(robot)
        self._ground = StandingGround(robot)
        self._steps = joint_steps(robot, period)
        self._bounds = tuple((j.lower - TOLERANCE, j.upper + TOLERANCE) for j in robot.joints)

    def apply(self, last: Sequence[float], wanted: Sequence[float]) -> LimitedFrame:
        """The frame that may follow `last` on the way to `wanted`; both twelve angles in rad.

        A leg with a joint past its limit, or nearer to another part than the robot's clearance, stays at
        its last angles. A frame faster than the servos is slowed, all joints by the same share, so that
        the feet keep their lines. Where all four feet stand, all legs stay rather than press a part into the ground.
        """
        target = list(wanted)
        stops = self._stop_at_joint_limits(last, target)
        while True:  # five times at most: each pass stops a leg more
            angles, share = self.slow(last, target)
            nearer = self._coming_nearer(last, angles)
            if not nearer:
                if pressed := self._pressed(last, angles):
                    return LimitedFrame(tuple(last), share, (*stops, pressed))
                return LimitedFrame(angles, share, tuple(stops))
            for gap in nearer:
                part, other = gap.parts
                mm = {"distance_mm": gap.distance, "clearance_mm": self._robot.clearance}
                figures = {name: f"{1000 * value:.1f}" for name, value in mm.items()}
                stops.append(Reason.of(ReasonCode.PARTS_TOO_NEAR, part=part, other=other, **figures))
                for leg in gap.legs:
                    first = 3 * LEGS.index(leg)
                    target[first : first + 3] = last[first : first + 3]

    def slow(
        self, last: Sequence[float], wanted: Sequence[float], periods: float = 1.0
    ) -> tuple[tuple[float, ...], float]:
        """The servos' speed alone: the angles after so many periods, and the share of the way they went."""
        excess = max([abs(b - a) / step for a, b, step in zip(last, wanted, self._steps)]) / (self.speed * periods)
        if excess <= 1.0:
            return tuple(wanted), 1.0
        share = 1.0 / excess
        return tuple(a + share * (b - a) for a, b in zip(last, wanted)), share

    def _stop_at_joint_limits(self, last: Sequence[float], target: list[float]) -> list[Reason]:
        stops = []
        for i, (angle, (lower, upper)) in enumerate(zip(target, self._bounds)):
            if lower <= angle <= upper:
                continue
            joint = self._robot.joints[i]
            angles = {"angle_deg": angle, "lower_deg": joint.lower, "upper_deg": joint.upper}
            figures = {name: f"{degrees(value):.1f}" for name, value in angles.items()}
            stops.append(Reason.of(ReasonCode.JOINT_LIMIT, joint=joint.name, **figures))
            first = i - i % 3
            target[first : first + 3] = last[first : first + 3]
        return stops

    def _coming_nearer(self, last: Sequence[float], angles: Sequence[float]) -> list[Gap]:
        """The gaps below the clearance, without those of parts too near already that do not come nearer."""
        near = self._clearance.gaps_below(angles, self._robot.clearance)
        if not near:
            return near
        before = {gap.parts: gap.distance for gap in self._clearance.gaps_below(last, self._robot.clearance)}
        return [gap for gap in near if gap.distance < before.get(gap.parts, inf) - TOLERANCE]

    def _pressed(self, last: Sequence[float], angles: Sequence[float]) -> Reason | None:
        """What would be pressed into the ground under four standing feet, deeper than it is by the last angles."""
        sunk = self._ground.sunk(angles, IN_GROUND)
        if sunk is None:
            return None
        before = self._ground.sunk(last, IN_GROUND)
        if before is not None and sunk.height >= before.height - TOLERANCE:
            return None
        return Reason.of(ReasonCode.INTO_GROUND, part=sunk, depth_mm=f"{-1000 * sunk.height:.1f}")
