"""base_motion: the body follows its target pose over the planned feet, never jumping to it."""

from __future__ import annotations

from typing import Any

from geometry_msgs.msg import PointStamped, PoseStamped
from sensor_msgs.msg import MultiDOFJointState

from quadleg.dynamics.leg_compliance import LegCompliance
from quadleg.errors import TargetError
from quadleg.geometry.transforms import Pose
from quadleg.health import Health
from quadleg.kinematics.body_motion import BodyMotion
from quadleg.kinematics.posture import ACCELERATION_TIME, SPEED, TURN_SPEED, Posture
from quadleg.middleware.interface import Middleware, RawMessage
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.planned_feet import feet_loads_and_shift
from quadleg.middleware.process_host import main_of
from quadleg.middleware.status_topic import hear_status
from quadleg.middleware.topics import check_frame, led_angles, nanoseconds, near_place, rotation_of
from quadleg.robot.model import LEGS
from quadleg.safety.catalogue import Reason
from quadleg.safety.node_status import NodeStatus


class BaseMotion(QuadlegNode):
    """Base targets and planned feet in, one foot target for each leg out, once for each planned frame."""

    has_state = True

    def __init__(
        self, middleware: Middleware, name: str = "base_motion", parameters: dict[str, Any] | None = None
    ) -> None:
        super().__init__(middleware, name, parameters)
        period = self.declare_period()
        speed = self.declare("speed", SPEED, "Body speed in m/s", 0.001, 1.0)
        turn_speed = self.declare("turn_speed", TURN_SPEED, "Body turning speed in rad/s", 0.01, 10.0)
        rise = self.declare("acceleration_time", ACCELERATION_TIME, "Time in s from rest to full speed", 0.01, 10.0)
        self._motion = BodyMotion(self.robot, Posture(self.robot, speed, turn_speed, rise), period)
        self._compliance = LegCompliance(self.robot, period)
        self._outputs = []
        for leg in LEGS:
            publisher = self.advertise(f"{leg}/foot_target")
            message = PointStamped()
            message.header.frame_id = self.prefix + "base_link"
            self._outputs.append((publisher, message))
        self.listen("planned_feet", self._planned_feet)
        self.listen("base_target", self._base_target)
        self.listen("teleop/base_target", self._teleop_target)
        hear_status(self.subscribe, "joint_watchdog", self._watchdog_status)
        self.listen("joint_commands", self._joint_commands, raw=True)

    def _base_target(self, message: PoseStamped) -> None:
        if pose := self._pose_of(message):
            self._motion.target(pose, nanoseconds(message.header.stamp))

    def _teleop_target(self, message: PoseStamped) -> None:
        if pose := self._pose_of(message):
            self._motion.teleop_target(pose, nanoseconds(message.header.stamp), self.steady_time())

    def _pose_of(self, message: PoseStamped) -> Pose | None:
        try:
            check_frame(message.header.frame_id, self.prefix + "base_footprint")
            return Pose(near_place(message.pose.position), rotation_of(message.pose.orientation))
        except TargetError as error:
            refusal = Reason.of_fact(self._motion.refuse(error, nanoseconds(message.header.stamp)))
            self.get_logger().warning(str(refusal), throttle_duration_sec=1.0)
            self.say_health()
            return None

    def _watchdog_status(self, said: NodeStatus) -> None:
        self._motion.follow_state(said.state)

    def _joint_commands(self, message: RawMessage) -> None:
        self.say_changes(*self._motion.progress(self.steady_time()))  # now that the frame is on its way, nothing waits
        if self._motion.active:  # the joints are not followed then, and reading each message costs
            return
        angles = led_angles(message)
        if angles is not None:
            self._motion.lead(angles)

    def _planned_feet(self, message: MultiDOFJointState) -> None:
        try:
            planned, loads, shift = feet_loads_and_shift(message, self.robot)
        except TargetError as error:
            self.get_logger().warning(f"planned feet refused: {error}", throttle_duration_sec=1.0)
            return
        feet = self._motion.step(planned, shift, self.steady_time())
        if self._motion.active:
            feet = self._compliance.made_up(feet, loads)
        else:
            self._compliance.rest()
        for (publisher, target_message), (x, y, z) in zip(self._outputs, feet):
            target_message.header.stamp = message.header.stamp
            point = target_message.point
            point.x, point.y, point.z = x, y, z
            publisher.publish(target_message)

    def health(self) -> Health:
        return self._motion.health(self.steady_time())


main = main_of(BaseMotion)
