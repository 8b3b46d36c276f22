"""How high the parts of the robot are over the ground that its feet stand on.

The rule is the same in a body pose, at rest, in the robot file's checks and in physics: body and links may lie on the
ground, and may not be in it. At rest the belly carries, and knees often touch the ground beside it; in a body pose the
feet carry, and the pose in which a knee or the belly just touches is the last one that is allowed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import product
from math import copysign, cos, inf, sin, sqrt

import numpy as np

from quadleg.geometry.arrays import Array
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector
from quadleg.kinematics.body_pose import all_forward, lowest_corner
from quadleg.kinematics.leg import points_batch
from quadleg.robot.model import Angles, Leg, RobotModel

ROUNDING = 1e-6  # m: what lies on the ground is not in it by rounding alone
LEVEL = 0.002  # m: feet that stand are in one plane to within the rounding of their servos (our own choice)
# By how much more than feet and parts themselves move a part's height over the plane of the feet can change (our own
# choice, safe: 1 passes test_standing_ground_passes_over_no_frame_that_it_would_tell_of, 0.3 does not).
_PLANE_MOVES = 3.0


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

    def __init__(self, robot: RobotModel, with_body: bool = True) -> None:
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
        up, height = pose.matrix[2], pose.position[2]
        # Most poses of a standing robot end here.
        if self.surely(up, height) >= 0.0:
            return None
        lowest = self.least_over(up, height, angles)
        return lowest if lowest.sunk else None

    def surely(self, up: Vector, height: float) -> float:
        """The least height in m that any part has over the ground, whatever the angles: see `least_over`."""
        return height - abs(up[0]) * self._along - abs(up[1]) * self._across - self._depth

    def least(self, pose: Pose, angles: Angles) -> GroundGap:
        """The part that is nearest to the ground or deepest in it."""
        return self.least_over(pose.matrix[2], pose.position[2], angles)

    def least_over(self, up: Vector, height: float, angles: Angles) -> GroundGap:
        """The same with the ground's normal in base_link, and base_link so high over it (m)."""
        legs = (_of_leg(leg, angles[3 * i : 3 * i + 3], up, height) for i, leg in enumerate(self._robot.legs))
        return min((self._rigid(up, height), *legs), key=lambda gap: gap.height)

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
        return least + heights

    def _rigid(self, up: Vector, height: float) -> GroundGap:
        """The lowest of what is fixed to the body."""
        zx, zy, zz = up
        lowest = GroundGap(inf, Part.BODY, "base_link")
        if self._with_body:
            lowest = GroundGap(height + lowest_corner(self._robot.body, up), Part.BODY, "base_link")
        for frame in self._frames:
            x, y, z = frame.position
            over = height + zx * x + zy * y + zz * z
            if over < lowest.height:
                lowest = GroundGap(over, Part.FRAME, frame.name, frame.name)
        return lowest


class StandingGround:
    """The ground that four standing feet show by the joint angles alone: the plane through them.

    Where one of them is farther than `LEVEL` from the plane of the others, not all stand, and nothing is known.
    """

    def __init__(self, robot: RobotModel) -> None:
        self._robot = robot
        self._clearance = GroundClearance(robot)
        leg = robot.legs[0]
        self._lever = abs(leg.hip_offset) + leg.upper_length + leg.lower_length
        # The last angles looked at, and how far the height of a part over the plane can change from there before there
        # is something to say: at first nothing is known.
        self._seen: Angles = (0.0,) * (3 * len(robot.legs))
        self._room = 0.0

    def sunk(self, angles: Angles, deeper_than: float) -> GroundGap | None:
        """The part deepest in the ground at twelve angles (rad), if it is deeper than that (m)."""
        # No point of a leg moves farther than the sum of its joints' turns by the lever of the whole leg.
        turns = [abs(now - seen) for now, seen in zip(angles, self._seen)]
        moved = max([turns[i] + turns[i + 1] + turns[i + 2] for i in range(0, len(turns), 3)])
        if _PLANE_MOVES * self._lever * moved < self._room:
            return None
        up, height, apart = _plane(all_forward(self._robot, angles), self._robot.legs[0].foot_radius)
        self._seen = tuple(angles)
        if apart > LEVEL:
            self._room = apart - LEVEL
            return None
        surely = self._clearance.surely(up, height)
        if surely > 0.0:
            self._room = surely + deeper_than
            return None
        gap = self._clearance.least_over(up, height, angles)
        self._room = gap.height + deeper_than
        return gap if gap.height < -deeper_than else None


def _plane(feet: Sequence[Vector], foot_radius: float) -> tuple[Vector, float, float]:
    """The ground's normal in base_link by the feet's diagonals, base_link's height over it, and how far (m) the
    diagonals pass each other.
    """
    (ax, ay, az), (bx, by, bz), (cx, cy, cz), (dx, dy, dz) = feet
    ux, uy, uz, vx, vy, vz = ax - dx, ay - dy, az - dz, bx - cx, by - cy, bz - cz
    nx, ny, nz = vy * uz - vz * uy, vz * ux - vx * uz, vx * uy - vy * ux
    length = sqrt(nx * nx + ny * ny + nz * nz) or 1.0
    length = copysign(length, nz)
    nx, ny, nz = nx / length, ny / length, nz / length
    first, second = nx * ax + ny * ay + nz * az, nx * bx + ny * by + nz * bz
    return (nx, ny, nz), foot_radius - (first + second) / 2, abs(first - second)


def _of_leg(leg: Leg, angles: Angles, up: Vector, height: float) -> GroundGap:
    """The lowest of one leg besides its foot: see `points` of kinematics/leg.py for the places of its joints."""
    abduction, hip, _ = angles
    zx, zy, zz = up
    x, y, z = leg.hip
    axis = height + zx * x + zy * y + zz * z - leg.link_radius
    sa, ca = sin(abduction), cos(abduction)
    joint = axis + leg.hip_offset * (zy * ca + zz * sa)
    knee = joint + leg.upper_length * (cos(hip) * (zy * sa - zz * ca) - zx * sin(hip))
    if knee <= joint and knee <= axis:
        return GroundGap(knee, Part.KNEE, f"{leg.name}_upper", leg.name)
    if joint <= axis:
        return GroundGap(joint, Part.HIP, f"{leg.name}_upper", leg.name)
    return GroundGap(axis, Part.HIP, f"{leg.name}_abductor", leg.name)
