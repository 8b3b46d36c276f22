"""viewer: the robot in a browser, to be looked at and steered."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from quadleg.commissioning.feasibility.reach import body_ranges
from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.errors import ViewMissing
from quadleg.health import Health
from quadleg.kinematics.posture import AXES
from quadleg.middleware.interface import Middleware
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.process_host import main_of
from quadleg.nodes.operator_link import operator_on
from quadleg.nodes.viewer_inputs import ViewerInputs
from quadleg.plotting.resting_pose import views
from quadleg.robot.colours import BODY, LEG
from quadleg.robot.model import LEGS
from quadleg.teleop.body_offsets import RANGE, BodyOffsets
from quadleg.teleop.stack_operator import PERIOD
from quadleg.viewer.live_view import LiveView
from quadleg.viewer.page_commands import Ranges
from quadleg.viewer.page_operator import PageOperator

PORT = 8088
LAST_SILENCE = 0.7  # s without joint_states: at the end of all, the others have ended


class Viewer(QuadlegNode):
    """What is heard goes to the browsers, what they ask for goes out, both twenty times a second at most."""

    def __init__(self, middleware: Middleware, name: str = "viewer", parameters: dict[str, Any] | None = None) -> None:
        super().__init__(middleware, name, parameters)
        port = self.declare("port", PORT, "Port of the page, on 127.0.0.1", 1024, 65535)
        try:
            from quadleg.viewer.page_server import PageServer
            from quadleg.viewer.scene import Scene
        except ImportError as error:
            raise ViewMissing from error
        middleware.step_back()
        ranges = body_ranges(self.robot)
        body = BodyOffsets(self.robot.standing.height, RANGE)
        self._ending = False
        self._operator = operator_on(self, self.prefix + "base_footprint", body, self._answered)
        self._pages = PageOperator(self.robot, self._operator, ranges)
        self._scene = Scene(self.robot)
        self._view = LiveView(self.robot, self._scene, self.steady_time())
        try:
            greeting = self._greeting(ranges)
            self._server = PageServer(port, self._scene, greeting, self._hear, self._pages.gone, self.say_defect)
        except BaseException:
            self._scene.close()
            raise
        self._inputs = ViewerInputs(self)
        self.every(PERIOD, self._tick)
        self.get_logger().info(f"look and steer: {self._server.address}")

    def _greeting(self, ranges: Ranges) -> dict[str, Any]:
        robot = self.robot
        return {
            "robot": robot.name.replace("_", " "),
            "legs": LEGS,
            "colours": {"body": BODY, **LEG},
            "ranges": ranges,
            "standing": dict(zip(AXES, (0.0, 0.0, robot.standing.height, 0.0, 0.0, 0.0))),
            "weight": robot.masses.total * STANDARD_GRAVITY,
            "resting": [asdict(view) for view in views(robot)],
        }

    def _hear(self, page: int, text: str | bytes) -> str:
        """Take a page's message on the server's thread; why it is refused, or an empty text."""
        try:
            return self._pages.hear(page, text, self.steady_time())
        except Exception as error:
            self.say_defect(error)
            return f"defect in {self.get_name()}: {error!r}"

    def _answered(self, said: str) -> None:
        self._view.answer(said, self.steady_time())
        self.get_logger().info(said)

    def _tick(self) -> None:
        now = self.steady_time()
        self._inputs.read(now)
        self._pages.tick(now, self._inputs.asked_pose)
        if self._server.watched:
            heard, drawn = self._inputs.state(now), bool(self._server.scenes)
            self._server.say(self._view.news(heard, self._operator, self._pages, now, drawn))
        if self._ending and self._inputs.age("joint_states", now) > LAST_SILENCE:
            self.finished = True

    def health(self) -> Health:
        pages, address = self._server.watched, self._server.address
        words = f"{address}, {pages} {'page looks' if pages == 1 else 'pages look'} on"
        return Health(words, {"address": address, "pages": pages})

    def end(self, alone: bool) -> None:
        self._pages.halt()
        self._ending = True  # how the robot is lowered is still seen, and can be stopped
        self.finished = alone

    def close(self) -> None:
        self._operator.close()
        self._server.close()
        self._scene.close()
        super().close()


main = main_of(Viewer)
