"""Rigid transforms: the pose of one frame in another."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import atan2, degrees, isfinite, sqrt

from transforms3d.euler import euler2quat, quat2euler

from quadleg.geometry.rotations import Quaternion, quaternion_product, rotation_matrix
from quadleg.geometry.vectors import Vector


@dataclass(frozen=True)
class Pose:
    """The pose of base_link in base_footprint (or of any frame in another): m, and a quaternion (w, x, y, z).

    The quaternion is brought to unit length. Raises ValueError if it is zero or any number is not finite.
    """

    position: Vector
    quaternion: Quaternion = (1.0, 0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        w, x, y, z = self.quaternion
        norm = sqrt(w * w + x * x + y * y + z * z)
        if not isfinite(sum(self.position) + norm):
            raise ValueError(f"{self!r} is not finite: give finite numbers for position and quaternion")
        if norm < 1e-6:
            raise ValueError(f"the quaternion of {self!r} is zero: (1, 0, 0, 0) is no rotation")
        object.__setattr__(self, "quaternion", (w / norm, x / norm, y / norm, z / norm))

    @classmethod
    def from_rpy(cls, x: float, y: float, z: float, roll: float, pitch: float, yaw: float) -> Pose:
        """Position in m and turns in rad about the fixed axes x, then y, then z, as in a URDF."""
        a, b, c, d = euler2quat(roll, pitch, yaw, "sxyz").tolist()
        return cls((x, y, z), (a, b, c, d))

    @property
    def rpy(self) -> Vector:
        """Roll, pitch and yaw in rad, the inverse of `from_rpy`."""
        roll, pitch, yaw = quat2euler(self.quaternion, "sxyz")
        return float(roll), float(pitch), float(yaw)

    @property
    def yaw(self) -> float:
        """That of `rpy`, in rad."""
        (ahead, _, _), (aside, _, _), _ = self.matrix
        return atan2(aside, ahead)

    def __str__(self) -> str:
        """As a person asks for it: height and shifts in mm, turns in degrees; what is zero is left out."""
        x, y, z = (1000 * value for value in self.position)
        shown = [f"height {z:.1f} mm"]
        shown += [f"{name} {value:+.1f} mm" for name, value in (("x", x), ("y", y)) if abs(value) >= 0.05]
        turns = zip(("roll", "pitch", "yaw"), map(degrees, self.rpy))
        shown += [f"{name} {value:+.1f}°" for name, value in turns if abs(value) >= 0.05]
        return ", ".join(shown)

    @cached_property
    def matrix(self) -> tuple[Vector, Vector, Vector]:
        """The rotation matrix by rows."""
        return rotation_matrix(self.quaternion)


def compose(a: Pose, b: Pose) -> Pose:
    """Pose `b`, which is expressed in the frame of `a`, in the frame that `a` is expressed in."""
    x, y, z = b.position
    px, py, pz = (p + r[0] * x + r[1] * y + r[2] * z for p, r in zip(a.position, a.matrix))
    return Pose((px, py, pz), quaternion_product(a.quaternion, b.quaternion))
