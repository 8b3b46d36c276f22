"""`<node>/status` of gait and base_motion: when it goes out and what it says, on simulated time; and who reads it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from diagnostic_msgs.msg import DiagnosticStatus
from geometry_msgs.msg import PoseStamped, TwistStamped

from quadleg.gait.walk_obstacles import Obstacle
from quadleg.kinematics.body_codes import BodyNotice
from quadleg.middleware.guarded_node import GuardedNode
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.simulated_bus import SimulatedBus
from quadleg.middleware.simulated_middleware import SimulatedMiddleware
from quadleg.middleware.simulated_time import SimulatedTime
from quadleg.middleware.status_topic import hear_status, message_of
from quadleg.middleware.topics import LATCHED
from quadleg.nodes.base_motion import BaseMotion
from quadleg.nodes.gait import Gait
from quadleg.nodes.viewer_inputs import ViewerInputs
from quadleg.safety.node_status import NodeStatus


class StatusRig:
    """gait and base_motion of an active robot, what their statuses say, and what the viewer has heard of them."""

    def __init__(self) -> None:
        self._time = SimulatedTime()
        self._middleware = SimulatedMiddleware(SimulatedBus(self._time))
        self._nodes = [Gait(self._middleware), BaseMotion(self._middleware)]
        other = GuardedNode(self._middleware, "other")
        self._looks = QuadlegNode(self._middleware, "looks")
        self.inputs = ViewerInputs(self._looks)
        self.heard: dict[str, list[NodeStatus]] = {"gait": [], "base_motion": []}
        for name, found in self.heard.items():
            hear_status(other.subscribe, name, found.append)
        self.targets, self._velocities = other.advertise("base_target"), other.advertise("teleop/cmd_vel")
        watchdog = other.create_publisher(DiagnosticStatus, "joint_watchdog/status", LATCHED)
        watchdog.publish(message_of(NodeStatus("active"), "joint_watchdog"))
        self.run(2.0)

    def run(self, seconds: float) -> None:
        self._time.run(self._time.steady + seconds)

    def walk(self, forward: float, seconds: float) -> None:
        """Ask for a velocity (m/s) ten times a second."""
        message = TwistStamped()
        message.twist.linear.x = forward
        for _ in range(round(10 * seconds)):
            self._velocities.publish(message)
            self.run(0.1)

    def close(self) -> None:
        self._middleware.stop()
        for node in [*self._nodes, self._looks]:
            node.close()
        self._middleware.close()


@pytest.fixture
def rig() -> Iterator[StatusRig]:
    rig = StatusRig()
    yield rig
    rig.close()


def test_a_status_goes_out_when_it_changes_and_not_with_every_diagnostics(rig: StatusRig) -> None:
    counts = {name: len(told) for name, told in rig.heard.items()}
    assert rig.heard["gait"][-1].state == "stands"
    rig.run(5.0)
    assert {name: len(told) for name, told in rig.heard.items()} == counts


def test_what_of_a_velocity_is_walked_is_told_by_codes_and_figures(rig: StatusRig) -> None:
    rig.walk(5.0, 6.0)
    said = rig.heard["gait"][-1]
    assert said.state == "walks"
    assert [notice.code for notice in said.notices] == [Obstacle.TOO_FAST.value]
    assert 0.0 < float(said.figures["scale"]) < 0.1
    assert said.sentence.startswith("walks in the creep, 0.")
    assert said.sentence.endswith(" times too fast")


def test_a_base_target_that_is_refused_is_told_at_once_and_the_viewer_reads_its_code(rig: StatusRig) -> None:
    target = PoseStamped()
    target.header.frame_id = "map"
    rig.targets.publish(target)
    rig.run(0.5)
    (notice,) = rig.heard["base_motion"][-1].notices
    assert notice.code == BodyNotice.BASE_TARGET_REFUSED.value
    assert rig.inputs.state(0.0).statuses["base_motion"].notices == (notice,)
    target.header.frame_id = "base_footprint"
    target.pose.position.z, target.pose.orientation.w = 0.14, 1.0
    rig.targets.publish(target)
    rig.run(2.0)
    assert rig.heard["base_motion"][-1].notices == ()
    assert [float(number) for number in rig.inputs.asked_pose.split()] == pytest.approx([0, 0, 0.14, 0, 0, 0])
