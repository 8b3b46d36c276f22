"""Where base_footprint is: the stance frame on the ground, in which the feet are planned (REP-120)."""

from __future__ import annotations

from collections.abc import Sequence
from math import atan2, cos, sin

from quadleg.geometry.rotations import Quaternion, conjugate
from quadleg.geometry.transforms import Pose, compose
from quadleg.geometry.vectors import Vector


def footprint(body: Pose, feet: Sequence[Vector], planned: Sequence[Vector], radius: float) -> tuple[Pose, Pose]:
    """The pose of base_footprint in the world, and that of base_link in it.

    `body` is base_link in the world; `feet` (two or more, not in one place) are foot centres in base_link,
    `planned` the same in base_footprint. That frame is level, on the ground under the feet's spheres of `radius` (m),
    and turned about the vertical so that the feet are where they are planned, by least squares.
    """
    level = Pose((0.0, 0.0, 0.0), body.quaternion)
    seen = [compose(level, Pose(foot)).position for foot in feet]
    count = len(seen)
    sx, sy, sz = (sum(foot[axis] for foot in seen) / count for axis in range(3))
    px, py = (sum(foot[axis] for foot in planned) / count for axis in range(2))
    along = across = 0.0
    for (x, y, _), (u, v, _) in zip(seen, planned):
        along += (u - px) * (x - sx) + (v - py) * (y - sy)
        across += (u - px) * (y - sy) - (v - py) * (x - sx)
    yaw = atan2(across, along)
    c, s = cos(yaw), sin(yaw)
    x, y, z = body.position
    turn: Quaternion = (cos(yaw / 2), 0.0, 0.0, sin(yaw / 2))
    ground = Pose((x + sx - c * px + s * py, y + sy - s * px - c * py, z + sz - radius), turn)
    gx, gy, gz = ground.position
    back = Pose((0.0, 0.0, 0.0), conjugate(turn))
    return ground, compose(back, Pose((x - gx, y - gy, z - gz), body.quaternion))
