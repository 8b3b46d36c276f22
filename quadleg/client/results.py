"""What a call of `Robot` gives back: what was asked, what was reached, and how that is known. Frozen, without ROS."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from math import acos, degrees, hypot, radians

from quadleg.gait.velocity_selection import LEAST_SCALE
from quadleg.geometry.planar import Planar
from quadleg.geometry.transforms import Pose


class EstimateSource(Enum):
    """By what it is known where the robot is."""

    ODOMETRY = "odometry"  # topic odom
    PLAN = "the plan alone"  # planned_feet: what feet slip is not seen
    MEASURED_JOINTS = "measured joint angles"
    MODELLED_JOINTS = "joint angles modelled from the commands"  # what servos give way under load is not seen


@dataclass(frozen=True)
class PoseResult:
    """A body pose over the standing feet: asked for, and reached by forward kinematics of joint_states.

    `shortfall` tells how the body did not follow its commands on the way, by the watchdog; empty where it did.
    """

    asked: Pose
    reached: Pose
    source: EstimateSource
    shortfall: str = ""

    @property
    def error_mm(self) -> float:
        """The distance between the two, in mm."""
        return 1000 * pose_difference(self.asked, self.reached)[0]

    @property
    def error_deg(self) -> float:
        """The angle of the turn between the two, in degrees."""
        return degrees(pose_difference(self.asked, self.reached)[1])

    def __str__(self) -> str:
        error = f"{self.error_mm:.1f} mm and {self.error_deg:.1f}° off"
        words = f"asked {self.asked}; reached {self.reached} ({error}), by {self.source.value}"
        return words + _shortfall(self.shortfall)


@dataclass(frozen=True)
class GroundMove:
    """How far a robot goes over the ground, seen from where it began: forward, to the left, and turning to the left."""

    forward_mm: float
    left_mm: float
    heading_deg: float

    @staticmethod
    def of(move: Planar) -> GroundMove:
        """The same of (m, m, rad)."""
        return GroundMove(1000 * move[0], 1000 * move[1], degrees(move[2]))

    @property
    def planar(self) -> Planar:
        """The same in (m, m, rad)."""
        return self.forward_mm / 1000, self.left_mm / 1000, radians(self.heading_deg)

    def __str__(self) -> str:
        # + 0.0 turns a rounded -0.0 into 0.0
        forward, left, turn = (round(part, 1) + 0.0 for part in (self.forward_mm, self.left_mm, self.heading_deg))
        return f"{forward:.1f} mm forward, {left:.1f} mm to the left, {turn:.1f}° to the left"


@dataclass(frozen=True)
class WalkResult:
    """A walk: where it was asked to lead, and where the robot came to, each seen from where it began.

    `scale` is the least share of the velocity asked for that gait let the robot walk: 1 where it was not too fast.
    `overridden_by` names whose velocity counted in place of this one, `shortfall` tells how the body did not follow its
    commands on the way, by the watchdog; each is empty where that was not so.

    `planned` is where the plan alone led, and `unsure` the standard deviation of the true way from there where a tape
    was walked (`quadleg calibrate --walk`).
    """

    asked: GroundMove
    reached: GroundMove
    source: EstimateSource
    gait: str
    scale: float = 1.0
    overridden_by: str = ""
    shortfall: str = ""
    planned: GroundMove | None = None
    unsure: GroundMove | None = None

    @property
    def error_mm(self) -> float:
        """The distance between the two places, in mm."""
        return hypot(self.asked.forward_mm - self.reached.forward_mm, self.asked.left_mm - self.reached.left_mm)

    @property
    def error_deg(self) -> float:
        """How far the two headings are apart, in degrees."""
        return abs(self.asked.heading_deg - self.reached.heading_deg)

    def is_within(self, mm: float, deg: float) -> bool:
        """Whether both errors are smaller than these."""
        return self.error_mm < mm and self.error_deg < deg

    @property
    def source_in_words(self) -> str:
        """By what it is known where the robot came to, and how surely where the plan alone tells it."""
        if self.source is not EstimateSource.PLAN or not self.unsure:
            return self.source.value
        mm, deg = hypot(self.unsure.forward_mm, self.unsure.left_mm), self.unsure.heading_deg
        return f"{self.source.value} (± {mm:.0f} mm and {deg:.1f}° by a tape)"

    @property
    def scaled(self) -> bool:
        """Whether the velocity asked for was too fast for the gait."""
        return self.scale < LEAST_SCALE

    def __str__(self) -> str:
        error = f"{self.error_mm:.1f} mm and {self.error_deg:.1f}° off"
        words = f"asked {self.asked}; reached {self.reached} ({error}), by {self.source_in_words}"
        if self.scaled:
            words += f"; the velocity was scaled to {100 * self.scale:.0f} %, the most of the gait {self.gait}"
        if self.overridden_by:
            words += f"; overridden by {self.overridden_by}"
        return words + _shortfall(self.shortfall)


def _shortfall(words: str) -> str:
    return f"; the body did not follow on the way: {words}" if words else ""


def pose_difference(a: Pose, b: Pose) -> tuple[float, float]:
    """How far two poses are apart: m, and the angle of the turn between them in rad."""
    shift = hypot(*(p - q for p, q in zip(a.position, b.position)))
    w = abs(sum(p * q for p, q in zip(a.quaternion, b.quaternion)))
    return shift, 2 * acos(min(1.0, w))
