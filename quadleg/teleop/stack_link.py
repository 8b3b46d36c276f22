"""Topics and services through which a person drives a running robot. Nothing here waits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from quadleg.geometry.planar import Planar
from quadleg.geometry.transforms import Pose


class Service(str, Enum):
    """The services that are called, by their names in topic_table.py."""

    ENABLE = "enable"  # with whether to stand
    EMERGENCY_STOP = "emergency_stop"
    RESET = "reset"
    GAIT = "gait/set_parameters"  # with the gait's name


@dataclass(frozen=True)
class ServiceAnswer:
    """What a service answered."""

    success: bool
    message: str


class StackLink(Protocol):
    """A connection to the nodes of one robot."""

    def steady_time(self) -> float:
        """The seconds of a clock that never jumps."""

    def publish_velocity(self, velocity: Planar) -> int:
        """Publish on teleop/cmd_vel (m/s, m/s, rad/s); the message's stamp in ns."""

    def publish_pose(self, pose: Pose) -> None:
        """Publish on base_target: a pose of base_link in base_footprint."""

    def publish_teleop_pose(self, pose: Pose) -> None:
        """The same on teleop/base_target."""

    def wait_until_heard(self, seconds: float) -> None:
        """Return when the last velocity has arrived, or after this time."""

    def is_offered(self, service: Service) -> bool:
        """Whether a node offers it."""

    def call(self, service: Service, value: bool | str | None, then: Callable[[ServiceAnswer], None]) -> object:
        """Call it, from any thread; what `forget` takes."""

    def forget(self, service: Service, call: object) -> None:
        """Wait no longer for an answer."""

    def stop_by_socket(self, then: Callable[[], None]) -> None:
        """Ask this computer's servo_output for an emergency stop, without ROS, from any thread; `then` once it has
        answered, or does not."""
