"""The robot in three dimensions, by viser: made from the robot file, moved by joint angles."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import cos, pi, sin
from typing import Any

import numpy as np

from quadleg.geometry.transforms import Pose
from quadleg.robot.colours import BODY, LEG, rgb
from quadleg.robot.model import Leg, RobotModel
from quadleg.viewer.view_state import Trail, ViewState
from quadleg.viewer.viser_in_process import VERSION, InProcessViser, Send

CELL = 0.1  # m
GHOST_OPACITY = 0.25
_ALONG_Y = (cos(pi / 4), -sin(pi / 4), 0.0, 0.0)  # turns viser's cylinder, which lies along z
_LIFT = 0.001  # m over the ground, so that lines are not in it


class Scene:
    """viser's scene, which the page's server shows; the camera stays at the robot. Raises ViewMissing."""

    version = VERSION

    def __init__(self, robot: RobotModel) -> None:
        self._viser = InProcessViser()
        self._server = self._viser.server
        scene = self._server.scene
        scene.set_up_direction("+z")
        scene.configure_default_lights(cast_shadow=False)
        scene.configure_environment_map(None)  # a picture of a room, which costs a weak computer much
        scene.add_light_hemisphere("/sky", sky_color=(255, 255, 255), ground_color=(190, 195, 200), intensity=1.5)
        size = max(robot.standing.height, robot.body.size[0] / 2)
        camera = self._server.initial_camera
        camera.position, camera.look_at, camera.fov = (2.2 * size, -2.4 * size, 1.6 * size), (0, 0, 0.4 * size), 0.7
        self._grid = scene.add_grid(
            "/grid",
            width=40 * CELL,
            height=40 * CELL,
            cell_size=CELL,
            section_size=10 * CELL,
            cell_color=(205, 212, 220),
            section_color=(160, 170, 182),
            fade_distance=3.0,
            shadow_opacity=0.0,
        )
        self._robot = _Body(scene, "robot", robot, None)
        self._ghost = _Body(scene, "commanded", robot, GHOST_OPACITY)
        dark = _bytes("#34495e")
        self._polygon = scene.add_line_segments("/polygon", np.zeros((4, 2, 3)), dark, thickness=0.002)
        self._centre = scene.add_icosphere("/centre_of_mass", radius=0.005, color=dark)
        self._trail = scene.add_line_segments("/trail", np.zeros((1, 2, 3)), _bytes(BODY), thickness=0.003)

    @property
    def page(self) -> bytes:
        return self._viser.page

    async def show_to(self, send: Send) -> None:
        """Give all there is to draw to `send`, until cancelled or until that raises."""
        await self._viser.show_to(send)

    def show(self, sight: ViewState, angles: Sequence[float], commanded: Sequence[float] | None) -> None:
        """Moves the robot to what is seen, its joints at twelve angles (rad), and its ghost to what is commanded."""
        x, y, _ = sight.body.position
        with self._server.atomic():
            self._robot.place(_beside(sight.body, x, y), angles)
            self._ghost.visible(sight.ghost is not None)
            if sight.ghost is not None and commanded is not None:
                self._ghost.place(_beside(sight.ghost, x, y), commanded)
            self._grid.position = (-(x % CELL), -(y % CELL), 0.0)
            self._trail.position = (-x, -y, 0.0)
            self._show_polygon(sight)

    def _show_polygon(self, sight: ViewState) -> None:
        yaw = sight.body.yaw
        c, s = cos(yaw), sin(yaw)

        def ground(place: tuple[float, float]) -> tuple[float, float, float]:
            return round(c * place[0] - s * place[1], 4), round(s * place[0] + c * place[1], 4), _LIFT

        self._centre.position = ground(sight.centre)
        corners = [ground(place) for place in sight.polygon]
        self._polygon.visible = len(corners) > 1
        if corners:
            corners += corners[:1] * (5 - len(corners))
            points = np.array(list(pairwise(corners)))
            if not np.array_equal(points, self._polygon.points):
                self._polygon.points = points

    def draw_trail(self, trail: Trail) -> None:
        places = np.array([(x, y, _LIFT) for x, y in trail.path])
        self._trail.visible = len(places) > 1
        if len(places) > 1:
            self._trail.points = np.stack([places[:-1], places[1:]], axis=1)

    def close(self) -> None:
        self._viser.close()


class _Body:
    """A robot as a tree of frames: each joint is a turn of one of them."""

    def __init__(self, scene: Any, name: str, robot: RobotModel, opacity: float | None) -> None:
        look: dict[str, Any] = {"opacity": opacity, "cast_shadow": False, "receive_shadow": False}
        self._root = scene.add_frame(f"/{name}", show_axes=False)
        size, centre = robot.body.size, robot.body.centre
        scene.add_box(f"/{name}/body", _bytes(BODY), size, position=centre, **look)
        front = (centre[0] + size[0] / 2, centre[1], centre[2] + size[2] / 4)
        eyes = (0.04 * size[0], 0.6 * size[1], 0.2 * size[2])
        scene.add_box(f"/{name}/front", _bytes("#34495e"), eyes, position=front, **look)
        self._joints = [frame for leg in robot.legs for frame in _leg(scene, f"/{name}/{leg.name}", leg, look)]
        self._angles: list[float] = [float("nan")] * len(self._joints)

    def visible(self, shown: bool) -> None:
        self._root.visible = shown

    def place(self, pose: Pose, angles: Sequence[float]) -> None:
        """Puts the body there, with its joints at twelve angles in rad."""
        self._root.position, self._root.wxyz = pose.position, pose.quaternion
        for i, (joint, angle) in enumerate(zip(self._joints, angles)):
            if (shown := round(angle, 4)) != self._angles[i]:
                self._angles[i] = shown
                c, s = cos(angle / 2), sin(angle / 2)
                joint.wxyz = (c, s, 0.0, 0.0) if i % 3 == 0 else (c, 0.0, s, 0.0)


def _leg(scene: Any, name: str, leg: Leg, look: dict[str, Any]) -> tuple[Any, Any, Any]:
    """The frames that turn with abduction, hip and knee."""
    colour = _bytes(LEG[leg.name])
    across, upper, lower = leg.hip_offset, leg.upper_length, leg.lower_length

    def tube(path: str, length: float, position: tuple[float, float, float], **turned: Any) -> None:
        scene.add_cylinder(f"{path}/tube", leg.link_radius, length, colour, position=position, **turned, **look)

    def ball(path: str, radius: float, position: tuple[float, float, float]) -> None:
        scene.add_icosphere(f"{path}/ball", radius, colour, subdivisions=2, position=position, **look)

    abduction = scene.add_frame(name, show_axes=False, position=leg.hip)
    tube(name, abs(across), (0.0, across / 2, 0.0), wxyz=_ALONG_Y)
    hip = scene.add_frame(f"{name}/upper", show_axes=False, position=(0.0, across, 0.0))
    tube(f"{name}/upper", upper, (0.0, 0.0, -upper / 2))
    ball(f"{name}/upper", 1.2 * leg.link_radius, (0.0, 0.0, 0.0))
    knee = scene.add_frame(f"{name}/upper/lower", show_axes=False, position=(0.0, 0.0, -upper))
    tube(f"{name}/upper/lower", lower, (0.0, 0.0, -lower / 2))
    ball(f"{name}/upper/lower", 1.1 * leg.link_radius, (0.0, 0.0, 0.0))
    ball(f"{name}/upper/lower/foot", leg.foot_radius, (0.0, 0.0, -lower))
    return abduction, hip, knee


def _beside(pose: Pose, x: float, y: float) -> Pose:
    px, py, pz = pose.position
    return Pose((px - x, py - y, pz), pose.quaternion)


def _bytes(colour: str) -> tuple[int, int, int]:
    red, green, blue = (round(255 * part) for part in rgb(colour))
    return red, green, blue
