"""What the node gait says of a velocity that is asked for, in the test's own process."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from diagnostic_msgs.msg import DiagnosticStatus
from geometry_msgs.msg import TwistStamped

from quadleg.gait.velocity_selection import WalkDirection
from quadleg.gait.walk_obstacles import Obstacle
from quadleg.middleware.rclpy_middleware import RclpyMiddleware
from quadleg.middleware.status_topic import message_of
from quadleg.middleware.topics import LATCHED
from quadleg.nodes.gait import Gait
from quadleg.robot_file.load import find_robot
from quadleg.safety.node_status import NodeStatus

SOON = 20.0  # s


class GaitNodeRig:
    """The node gait of a robot whose legs do not abduct, so that it walks ahead and not sideways; it is active."""

    def __init__(self, folder: Path) -> None:
        shipped = find_robot("greenhouse_inspector").read_text()
        assert shipped.count("abduction: [-30, 45]") == 2
        path = folder / "narrow.yaml"
        path.write_text(shipped.replace("abduction: [-30, 45]", "abduction: [-0.001, 0.001]"))
        self._middleware = RclpyMiddleware()
        self.gait = Gait(self._middleware, parameters={"robot": str(path), "gait": "trot"})
        self._other = self._middleware.create_node("other")
        self._velocities = self._other.create_publisher(TwistStamped, "teleop/cmd_vel", 1)
        active = message_of(NodeStatus("active"), "joint_watchdog")
        self._other.create_publisher(DiagnosticStatus, "joint_watchdog/status", LATCHED).publish(active)

    def asked(self, forward: float, left: float) -> tuple[str, dict[str, str]]:
        """What gait says once it has heard this velocity (m/s): a sentence, and its figures."""
        message = TwistStamped()
        message.twist.linear.x, message.twist.linear.y = forward, left
        until, asked = time.monotonic() + SOON, f"{forward:.4f} {left:.4f} 0.0000"
        while time.monotonic() < until:
            self._velocities.publish(message)
            self._middleware.spin_once(0.02)
            health = self.gait.health()
            values = {key: str(value) for key, value in health.values.items()}
            if values["asked"] == asked and values["obstacle"] != Obstacle.NOT_ACTIVE.value:
                return NodeStatus.of_health(health).sentence, values
        raise AssertionError(f"not heard: {asked}")

    def close(self) -> None:
        self._middleware.stop()
        self.gait.close()
        self._middleware.close()


@pytest.fixture
def bench(domain: int, tmp_path: Path) -> Iterator[GaitNodeRig]:
    bench = GaitNodeRig(tmp_path)
    yield bench
    bench.close()


def test_a_way_without_a_limit_is_named_and_the_others_have_their_own_scale(bench: GaitNodeRig) -> None:
    _, alone = bench.asked(2.0, 0.0)
    assert alone["obstacle"] == Obstacle.TOO_FAST.value
    assert alone["left_out"] == ""
    assert 0.0 < float(alone["scale"]) < 1.0
    _, both = bench.asked(2.0, 0.1)
    assert both["obstacle"] == Obstacle.WAY_IMPOSSIBLE.value
    assert both["left_out"] == WalkDirection.LEFT.value
    assert both["scale"] == alone["scale"]
    words, sideways = bench.asked(0.0, -0.1)
    assert sideways["obstacle"] == Obstacle.WAY_IMPOSSIBLE.value
    assert sideways["left_out"] == WalkDirection.RIGHT.value
    assert float(sideways["scale"]) == 0.0
    assert words == "this robot cannot walk to the right in the gait trot: its limit there is zero"
