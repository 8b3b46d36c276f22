"""The link of a `StackOperator` over ROS: publishers, clients and subscriptions on some node."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from geometry_msgs.msg import PoseStamped, TwistStamped
from rcl_interfaces.srv import SetParameters

from quadleg.geometry.planar import Planar
from quadleg.geometry.transforms import Pose
from quadleg.middleware.guarded_node import GuardedNode
from quadleg.middleware.status_topic import hear_status
from quadleg.middleware.topics import class_of, nanoseconds, text_parameter
from quadleg.safety.stop_socket import stop_here
from quadleg.teleop.body_offsets import BodyOffsets
from quadleg.teleop.stack_link import Service, ServiceAnswer
from quadleg.teleop.stack_operator import StackOperator
from quadleg.topic_table import SERVICES


class OperatorLink:
    """A link whose messages are in `frame`, that of base_footprint."""

    def __init__(self, node: GuardedNode, frame: str) -> None:
        self._node = node
        self._frame = frame
        self.steady_time = node.steady_time
        self._velocities = node.advertise("teleop/cmd_vel")
        self._teleop_poses = node.advertise("teleop/base_target")
        self._poses = node.advertise("base_target")
        self._clients = {each: node.client(each.value) for each in Service}

    def publish_velocity(self, velocity: Planar) -> int:
        message = TwistStamped()
        message.header.stamp, message.header.frame_id = self._node.stamp(), self._frame
        message.twist.linear.x, message.twist.linear.y, message.twist.angular.z = velocity
        self._velocities.publish(message)
        return nanoseconds(message.header.stamp)

    def publish_pose(self, pose: Pose) -> None:
        self._poses.publish(self._target(pose))

    def publish_teleop_pose(self, pose: Pose) -> None:
        self._teleop_poses.publish(self._target(pose))

    def _target(self, pose: Pose) -> PoseStamped:
        message = PoseStamped()
        message.header.stamp, message.header.frame_id = self._node.stamp(), self._frame
        p, q = message.pose.position, message.pose.orientation
        p.x, p.y, p.z = pose.position
        q.w, q.x, q.y, q.z = pose.quaternion
        return message

    def wait_until_heard(self, seconds: float) -> None:
        self._node.handle.wait_for_all_acked(self._velocities, seconds)

    def is_offered(self, service: Service) -> bool:
        return self._clients[service].service_is_ready()

    def call(self, service: Service, value: bool | str | None, then: Callable[[ServiceAnswer], None]) -> object:
        request = class_of(SERVICES[service.value]).Request()
        if service is Service.ENABLE:
            request.data = value
        elif service is Service.GAIT:
            request.parameters = [text_parameter("gait", str(value))]
        future = self._clients[service].call_async(request)
        future.add_done_callback(lambda done: then(_answer(done.result())))
        return future

    def forget(self, service: Service, call: object) -> None:
        self._clients[service].remove_pending_request(call)

    def stop_by_socket(self, then: Callable[[], None]) -> None:
        def stop(_: bool) -> None:
            stop_here(self._node.get_namespace())
            then()

        if self._node.middleware.domain is None:  # in simulated time a real robot of the same name is none of ours
            then()
        else:
            self._node.start_worker("stop", stop)


def _answer(response: Any) -> ServiceAnswer:
    if isinstance(response, SetParameters.Response):
        (result,) = response.results
        return ServiceAnswer(result.successful, result.reason)
    return ServiceAnswer(response.success, response.message)


def operator_on(
    node: GuardedNode, frame: str, body: BodyOffsets, say: Callable[[str], None], after_fault: str = ""
) -> StackOperator:
    """A `StackOperator` that is linked by a node, and hears what it has to over it."""
    operator = StackOperator(OperatorLink(node, frame), body, say, after_fault)
    node.listen("teleop/cmd_vel", lambda m: operator.hear_velocity(nanoseconds(m.header.stamp)), depth=10)
    hear_status(node.subscribe, "joint_watchdog", lambda said: operator.hear_state(said.state, said.sentence))
    node.listen("walking_limits", lambda message: operator.hear_limits(message.data))
    return operator
