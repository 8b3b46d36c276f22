"""The robot drawn from one side: body and legs, by lines and patches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Circle, Polygon

from quadleg.geometry.arrays import Array
from quadleg.geometry.vectors import Vector
from quadleg.kinematics.leg import points
from quadleg.plotting.sheet import tinted
from quadleg.robot.colours import BODY, LEG
from quadleg.robot.model import RobotModel


@dataclass(frozen=True)
class PortraitView:
    """A side to look from: unit vectors across the picture to the right, up in it, and towards the viewer."""

    name: str
    across: Vector
    up: Vector
    towards: Vector

    def flat(self, places: Array) -> Array:
        """(n, 2) in the picture from (n, 3)."""
        return places @ np.array([self.across, self.up]).T


SIDE = PortraitView("side", (1.0, 0.0, 0.0), (0.0, 0.0, 1.0), (0.0, -1.0, 0.0))
FRONT = PortraitView("front", (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), (1.0, 0.0, 0.0))


@dataclass(frozen=True)
class Stand:
    """The robot over the ground: points of legs (4, 4, 3), faces of the body (6, 4, 3), their normals."""

    legs: Array
    faces: Array
    normals: Array

    @classmethod
    def of(cls, robot: RobotModel, rotation: Array, position: Array, angles: Sequence[float]) -> Stand:
        """The robot with its body turned (3, 3) and placed (3,) in m, and its joints at twelve angles in rad."""
        legs = np.array([points(leg, angles[3 * i : 3 * i + 3]) for i, leg in enumerate(robot.legs)])
        faces, normals = _cube()
        faces = np.array(robot.body.centre) + faces * np.array(robot.body.size) / 2
        return cls(legs @ rotation.T + position, faces @ rotation.T + position, normals @ rotation.T)

    @property
    def places(self) -> Array:
        """(n, 3): all its points."""
        return np.concatenate([self.legs.reshape(-1, 3), self.faces.reshape(-1, 3)])

    @property
    def top(self) -> float:
        """The height of its highest point in m."""
        return float(self.places[:, 2].max())


def draw_robot(
    axes: Axes, robot: RobotModel, stand: Stand, view: PortraitView, far_width: float = 5.4, near_width: float = 2.6
) -> None:
    """Draw a robot from one side: far legs (`far_width` points wide), body, near legs (`near_width`)."""
    towards = np.array(view.towards)
    for face, facing in zip(stand.faces, stand.normals @ towards):
        if facing > 1e-6:
            shade = tinted(BODY, 0.25 + 0.3 * float(facing))
            axes.add_patch(Polygon(view.flat(face), facecolor=shade, edgecolor=BODY, linewidth=1.0, zorder=5))

    depths = stand.legs[:, 0] @ towards
    for leg, places, near in zip(robot.legs, stand.legs, depths > depths.mean()):
        colour = LEG[leg.name] if near else tinted(LEG[leg.name], 0.55)
        line = view.flat(places)
        # By default a far leg is wider, so that it is seen even right behind a near one.
        (drawn,) = axes.plot(*line.T, color=colour, linewidth=near_width if near else far_width, label=leg.name)
        drawn.set(solid_capstyle="round", solid_joinstyle="round", zorder=7 if near else 3)
        if near:
            axes.plot(
                *line[:3].T, "o", color="white", markeredgecolor=colour, markersize=1.2 * near_width + 0.48, zorder=8
            )
        foot = Circle((line[3, 0], line[3, 1]), leg.foot_radius, color=colour, linewidth=0)
        axes.add_patch(foot).set_zorder(8 if near else 4)


def _cube() -> tuple[Array, Array]:
    """Faces (6, 4, 3) and outward normals (6, 3) of the cube from −1 to 1."""
    square = [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]
    sides = [(axis, end) for axis in range(3) for end in (-1.0, 1.0)]
    faces = [np.insert(square, axis, end, axis=1) for axis, end in sides]
    return np.array(faces), np.array([np.mean(face, axis=0) for face in faces])
