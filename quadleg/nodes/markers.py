"""markers: the plan for 3D viewers: feet, support polygon with the body's centre over it, and where it goes."""

from __future__ import annotations

from math import atan2, pi
from typing import Any

from geometry_msgs.msg import Point
from sensor_msgs.msg import MultiDOFJointState
from std_msgs.msg import ColorRGBA
from visualization_msgs.msg import Marker, MarkerArray

from quadleg.geometry.planar import ZERO_TWIST, Planar, compose_planar
from quadleg.health import Health
from quadleg.middleware.interface import Middleware, RawMessage
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.process_host import main_of
from quadleg.robot.colours import BODY, LEG, rgb
from quadleg.robot.model import LEGS

PERIOD = 0.1  # s between two: what an eye follows
FRESH = 0.5  # s
AHEAD = 1.5  # s of the way ahead that is shown
STEPS = 15
LINE = 0.004  # m


class Markers(QuadlegNode):
    """Publishes `markers` from the newest `planned_feet`, in base_footprint."""

    def __init__(self, middleware: Middleware, name: str = "markers", parameters: dict[str, Any] | None = None) -> None:
        super().__init__(middleware, name, parameters)
        middleware.step_back()
        self._plan: RawMessage | None = None
        self._heard = 0.0
        self._markers = self.advertise("markers")
        self.listen("planned_feet", self._take, raw=True)
        self.every(PERIOD, self._publish)

    def _take(self, message: RawMessage) -> None:
        self._plan, self._heard = message, self.steady_time()

    def _publish(self) -> None:
        if self._plan and self._is_fresh() and self._markers.get_subscription_count():
            self._markers.publish(MarkerArray(markers=self._of(self._plan.read())))

    def _is_fresh(self) -> bool:
        return self.steady_time() - self._heard < FRESH

    def _of(self, plan: MultiDOFJointState) -> list[Marker]:
        ground = self.robot.legs[0].foot_radius
        feet = [(t.translation.x, t.translation.y, t.translation.z) for t in plan.transforms[: len(LEGS)]]
        loads = [wrench.force.z for wrench in plan.wrench[: len(LEGS)]]
        found = []
        for number, (leg, foot, load) in enumerate(zip(LEGS, feet, loads)):
            marker = self._marker(plan, "feet", number, Marker.SPHERE, LEG[leg], 1.0 if load else 0.5)
            marker.pose.position = _point(*foot)
            marker.scale.x = marker.scale.y = marker.scale.z = 2 * self.robot.legs[number].foot_radius
            found.append(marker)
        carrying = [foot for foot, load in zip(feet, loads) if load > 0.0]
        polygon = self._marker(plan, "support_polygon", 0, Marker.LINE_STRIP, BODY)
        polygon.scale.x = LINE
        polygon.points = [_point(x, y, z - ground) for x, y, z in _around(carrying)]
        found.append(polygon)
        shift, going = plan.transforms[-1].translation, plan.twist[-1]
        middle = self._marker(plan, "body", 0, Marker.SPHERE, BODY)
        middle.pose.position = _point(shift.x, shift.y, 0.0)
        middle.scale.x = middle.scale.y = 4 * LINE
        middle.scale.z = LINE
        found.append(middle)
        way = self._marker(plan, "way_ahead", 0, Marker.LINE_STRIP, BODY, 0.6)
        way.scale.x = LINE
        way.points = [_point(x, y, 0.0) for x, y, _ in _ahead((going.linear.x, going.linear.y, going.angular.z))]
        return [*found, way]

    def _marker(
        self, plan: MultiDOFJointState, name: str, number: int, kind: int, colour: str, strength: float = 1.0
    ) -> Marker:
        marker = Marker(header=plan.header, ns=name, id=number, type=kind, action=Marker.ADD)
        marker.pose.orientation.w = 1.0
        red, green, blue = rgb(colour)
        marker.color = ColorRGBA(r=red, g=green, b=blue, a=strength)
        return marker

    def health(self) -> Health:
        return Health("shows the plan" if self._is_fresh() else "no planned_feet are heard: nothing is shown")


def _around(feet: list[tuple[float, float, float]]) -> list[tuple[float, float, float]]:
    """The corners of a closed line about feet in the order of LEGS, which is none about the robot."""
    if not feet:
        return []
    x, y = (sum(foot[axis] for foot in feet) / len(feet) for axis in (0, 1))
    corners = sorted(feet, key=lambda foot: atan2(foot[1] - y, foot[0] - x) % (2 * pi))
    return [*corners, corners[0]]


def _ahead(twist: Planar) -> list[Planar]:
    """Where base_footprint gets to with this velocity."""
    step = AHEAD / STEPS
    places = [ZERO_TWIST]
    for _ in range(STEPS):
        places.append(compose_planar(places[-1], (twist[0] * step, twist[1] * step, twist[2] * step)))
    return places


def _point(x: float, y: float, z: float) -> Point:
    return Point(x=float(x), y=float(y), z=float(z))


main = main_of(Markers)
