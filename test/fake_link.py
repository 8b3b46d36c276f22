"""The link of a `StackOperator` to no stack at all."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from quadleg.geometry.planar import Planar
from quadleg.geometry.transforms import Pose
from quadleg.teleop.stack_link import Service, ServiceAnswer

LIMITS = "gait: creep\ngaits: [creep, trot]\nmax_velocity: [0.07, 0.0, 0.4]\nmin_velocity: [-0.06, 0.0, -0.5]\n"


class FakeLink:
    """A link whose services are all there; the test has the clock (s) and the answers."""

    def __init__(self) -> None:
        self.time = 100.0
        self.velocities: list[Planar] = []
        self.poses: list[Pose] = []
        self.waiting: dict[Service, list[Callable[[ServiceAnswer], None]]] = {}
        self.socket_is_slow = False
        self.at_socket: list[Callable[[], None]] = []  # answers that a slow stop socket owes

    def steady_time(self) -> float:
        return self.time

    def publish_velocity(self, velocity: Planar) -> int:
        self.velocities.append(velocity)
        return len(self.velocities)

    def publish_pose(self, pose: Pose) -> None:
        self.poses.append(pose)

    publish_teleop_pose = publish_pose

    def wait_until_heard(self, seconds: float) -> None:
        pass

    def is_offered(self, service: Service) -> bool:
        return True

    def call(self, service: Service, value: Any, then: Callable[[ServiceAnswer], None]) -> object:
        self.waiting.setdefault(service, []).append(then)
        return then

    def forget(self, service: Service, call: object) -> None:
        self.waiting[service].remove(call)

    def stop_by_socket(self, then: Callable[[], None]) -> None:
        if self.socket_is_slow:
            self.at_socket.append(then)
        else:
            then()

    def answer(self, service: Service, success: bool = True) -> None:
        """Answer what was asked first."""
        self.waiting[service].pop(0)(ServiceAnswer(success, "`quadleg reset` first"))
