"""What is seen of the robot: its body over the ground, its feet from above, what carries it, its path."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from math import cos, hypot, isfinite, sin

from quadleg.dynamics.centre_of_mass import centre_of_mass
from quadleg.gait.stability import static_margin, support_polygon
from quadleg.geometry.planar import ZERO_TWIST, Planar
from quadleg.geometry.registration import fit_pose
from quadleg.geometry.transforms import Pose, compose
from quadleg.geometry.vectors import Vector
from quadleg.kinematics.body_pose import all_forward, lowest_of_body
from quadleg.robot.model import RobotModel

PATH_STEP = 0.015  # m between two points of the path
PATH_POINTS, FOOTFALLS = 400, 24

Place = tuple[float, float]


@dataclass(frozen=True)
class ObservedState:
    """What was last heard: angles of the joints (rad), those commanded (None without power), the body in the odometry's
    world, and of each foot its planned place (m, in base_footprint) and the force that carries it (N). None: not heard.

    `footprint` is where base_footprint has come to by the plan (m, m, rad): without odometry the body is seen there.
    """

    angles: Sequence[float]
    commanded: Sequence[float] | None = None
    odom: Pose | None = None
    footprint: Planar = ZERO_TWIST
    planned: Sequence[Vector] | None = None
    loads: Sequence[float] | None = None


@dataclass(frozen=True)
class ViewState:
    """The body and the commanded one over the ground (z = 0), and places from above, in m.

    `feet`, `polygon`, `outline` and `centre` (of mass) are seen from the body's place with x along its heading;
    `margin` is how far the centre of mass is inside the polygon.
    """

    body: Pose
    ghost: Pose | None
    feet: tuple[Vector, ...]
    down: tuple[bool, ...]
    polygon: tuple[Place, ...]
    outline: tuple[Place, ...]
    centre: Place
    margin: float | None


def view_of(robot: RobotModel, seen: ObservedState) -> ViewState:
    """The robot as it was last heard of. Without odometry it stands over its planned feet."""
    in_base = all_forward(robot, seen.angles)
    body = seen.odom
    if body is None:
        x, y, heading = seen.footprint
        footprint = Pose.from_rpy(x, y, 0.0, 0.0, 0.0, heading)
        body = compose(footprint, fit_pose(in_base, seen.planned or robot.standing.feet))
    body = _on_ground(robot, body, in_base, seen)
    feet = tuple(compose(body, Pose(foot)).position for foot in in_base)
    ghost = None
    if seen.commanded is not None:
        ghost = fit_pose(all_forward(robot, seen.commanded), feet)
    down = tuple(load > 0 for load in seen.loads) if seen.loads else (seen.commanded is not None,) * len(feet)
    seen_from_above = TopView(body)
    places = tuple((*seen_from_above.place(foot), foot[2]) for foot in feet)
    carrying = [(x, y) for (x, y, _), on_ground in zip(places, down) if on_ground]
    centre = seen_from_above.place(compose(body, Pose(centre_of_mass(robot, seen.angles))).position)
    margin = static_margin(carrying, centre)
    (cx, cy, cz), (lx, ly, _) = robot.body.centre, robot.body.size
    corners = [(cx + i * lx / 2, cy + j * ly / 2, cz) for i, j in ((1, 1), (1, -1), (-1, -1), (-1, 1))]
    return ViewState(
        body=body,
        ghost=ghost,
        feet=places,
        down=down,
        polygon=tuple(support_polygon(carrying)),
        outline=tuple(seen_from_above.place(compose(body, Pose(corner)).position) for corner in corners),
        centre=centre,
        margin=margin if isfinite(margin) else None,
    )


def _on_ground(robot: RobotModel, pose: Pose, in_base: Sequence[Vector], seen: ObservedState) -> Pose:
    """The same pose with the lowest foot on the ground, or without power perhaps the belly: an estimate's own height
    drifts by millimetres, and a picture should not float."""
    level = Pose((0.0, 0.0, 0.0), pose.quaternion)
    height = robot.legs[0].foot_radius - min(compose(level, Pose(foot)).position[2] for foot in in_base)
    if seen.commanded is None:
        height = max(height, -lowest_of_body(robot, level))
    x, y, _ = pose.position
    return Pose((x, y, height), pose.quaternion)


class TopView:
    """Looks at the ground from above a body, with x along its heading."""

    def __init__(self, body: Pose) -> None:
        self._x, self._y, _ = body.position
        self._c, self._s = cos(body.yaw), sin(body.yaw)

    def place(self, point: Sequence[float]) -> Place:
        """A point of the world."""
        x, y = point[0] - self._x, point[1] - self._y
        return self._c * x + self._s * y, self._c * y - self._s * x


@dataclass
class Trail:
    """The way over the ground: places of the body, and where which leg set its foot down, all in the world (m)."""

    path: deque[Place] = field(default_factory=lambda: deque(maxlen=PATH_POINTS))
    footfalls: deque[tuple[float, float, int]] = field(default_factory=lambda: deque(maxlen=FOOTFALLS))
    _down: tuple[bool, ...] = ()

    def follow(self, sight: ViewState) -> bool:
        """Takes what is seen now; whether the path has grown."""
        x, y, _ = sight.body.position
        if self._down:
            c, s = cos(sight.body.yaw), sin(sight.body.yaw)
            for leg, ((u, v, _), down, was) in enumerate(zip(sight.feet, sight.down, self._down)):
                if down and not was:
                    self.footfalls.append((x + c * u - s * v, y + s * u + c * v, leg))
        self._down = sight.down
        if self.path and hypot(x - self.path[-1][0], y - self.path[-1][1]) < PATH_STEP:
            return False
        self.path.append((x, y))
        return True
