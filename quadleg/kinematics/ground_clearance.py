"""How high the parts of the robot are over the ground that its feet stand on.

The rule is the same in a body pose, at rest, in the robot file's checks and in physics: body and links may lie on the
ground, and may not be in it. At rest the belly carries, and knees often touch the ground beside it; in a body pose the
feet carry, and the pose in which a knee or the belly just touches is the last one that is allowed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from itertools import product
from math import cos, inf, sin

import numpy as np
from numpy.typing import NDArray

from quadleg.kinematics.body import Pose, lowest_of_body
from quadleg.kinematics.leg import points_batch
from quadleg.robot.model import Angles, Leg, Robot, Vector

Array = NDArray[np.float64]

ROUNDING = 1e-6  # m: what lies on the ground is not in it by rounding alone


class Part(Enum):
    """What of the robot can touch the ground besides its feet; the value is what a person calls it."""

    BODY = "body"
    FRAME = "frame"
    HIP = "hip"
    KNEE = "knee"


@dataclass(frozen=True)
class GroundGap:
    """The height in m of a part's lowest point over the ground (negative: it is in the ground).

    `link` is the part's link in the URDF, `owner` the leg or the fixed frame that it belongs to, "" for the body.
    """

    height: float
    part: Part
    link: str
    owner: str = ""

    @property
    def sunk(self) -> bool:
        """Whether the part is in the ground, not only on it."""
        return self.height < -ROUNDING

    def __str__(self) -> str:
        return f"the {self.owner} {self.part.value}" if self.owner else f"the {self.part.value}"


class GroundClearance:
    """Heights of body, fixed frames and links over level ground at z = 0.

    The body is its box, a fixed frame with a mass the point where it is. Abductor and upper link are capsules of
    `link_radius`; the lower link tapers from `link_radius` at the knee to `foot_radius` at the foot centre. Each is the
    convex hull of two spheres, so its lowest point is one of theirs: of the spheres at the origin of the abduction
    axis, at the hip joint, at the knee, and of the foot, which stands on the ground. The box is left out unless
    `with_body`, and a body or frames of None are.
    """

    def __init__(self, robot: Robot, with_body: bool = True) -> None:
        self._robot = robot
        self._with_body = with_body and robot.body is not None
        self._frames = [frame for frame in robot.frames or () if frame.mass > 0.0]
        self._fixed: list[Vector] = [frame.position for frame in self._frames]
        if self._with_body:
            corners = product(*((c - size / 2, c + size / 2) for c, size in zip(robot.body.centre, robot.body.size)))
            self._fixed += [(x, y, z) for x, y, z in corners]
        # No part is farther than this from the plane of the abduction axes, whatever the angles, nor along x and y.
        leg = robot.legs[0]
        depth = abs(leg.hip_offset) + leg.upper_length + leg.link_radius
        self._depth = max([depth, *(abs(z) for _, _, z in self._fixed)])
        self._along, self._across = (
            max(abs(place[axis]) for place in (*self._fixed, *(leg.hip for leg in robot.legs))) for axis in (0, 1)
        )

    def sunk(self, pose: Pose, angles: Angles) -> GroundGap | None:
        """The part deepest in the ground, the body at `pose` over it and the joints at twelve angles (rad)."""
        zx, zy, _ = pose.matrix[2]
        # Most poses of a standing robot end here.
        if pose.position[2] - abs(zx) * self._along - abs(zy) * self._across >= self._depth:
            return None
        lowest = self.least(pose, angles)
        return lowest if lowest.sunk else None

    def least(self, pose: Pose, angles: Angles) -> GroundGap:
        """The part that is nearest to the ground or deepest in it."""
        legs = (_of_leg(leg, angles[3 * i : 3 * i + 3], pose) for i, leg in enumerate(self._robot.legs))
        return min((self._rigid(pose), *legs), key=lambda gap: gap.height)

    def least_batch(self, angles: Array, heights: Array | float, up: Array | Vector = (0.0, 0.0, 1.0)) -> Array:
        """(n,) heights in m of the lowest point besides the feet, for angles (n, 12) in rad.

        `heights` (n,) or one for all are those of base_link over the ground in m, `up` (n, 3) or (3,) the ground's
        normal in base_link.
        """
        up = np.broadcast_to(np.asarray(up, dtype=float), (len(angles), 3))
        heights = np.broadcast_to(np.asarray(heights, dtype=float), len(angles))
        least = (up @ np.array(self._fixed).T).min(axis=1) if self._fixed else np.full(len(angles), inf)
        for i, leg in enumerate(self._robot.legs):
            places = points_batch(leg, angles[:, 3 * i : 3 * i + 3])[:, :3]
            below = np.einsum("nij,nj->ni", places, up).min(axis=1) - leg.link_radius
            least = np.minimum(least, below)
        result: Array = least + heights
        return result

    def _rigid(self, pose: Pose) -> GroundGap:
        """The lowest of what is fixed to the body."""
        lowest = GroundGap(inf, Part.BODY, "base_link")
        if self._with_body:
            lowest = GroundGap(lowest_of_body(self._robot, pose), Part.BODY, "base_link")
        zx, zy, zz = pose.matrix[2]
        for frame in self._frames:
            x, y, z = frame.position
            height = pose.position[2] + zx * x + zy * y + zz * z
            if height < lowest.height:
                lowest = GroundGap(height, Part.FRAME, frame.name, frame.name)
        return lowest


def _of_leg(leg: Leg, angles: Angles, pose: Pose) -> GroundGap:
    """The lowest of one leg besides its foot: see `points` of kinematics/leg.py for the places of its joints."""
    abduction, hip, _ = angles
    zx, zy, zz = pose.matrix[2]
    x, y, z = leg.hip
    axis = pose.position[2] + zx * x + zy * y + zz * z - leg.link_radius
    sa, ca = sin(abduction), cos(abduction)
    joint = axis + leg.hip_offset * (zy * ca + zz * sa)
    knee = joint + leg.upper_length * (cos(hip) * (zy * sa - zz * ca) - zx * sin(hip))
    if knee <= joint and knee <= axis:
        return GroundGap(knee, Part.KNEE, f"{leg.name}_upper", leg.name)
    if joint <= axis:
        return GroundGap(joint, Part.HIP, f"{leg.name}_upper", leg.name)
    return GroundGap(axis, Part.HIP, f"{leg.name}_abductor", leg.name)
