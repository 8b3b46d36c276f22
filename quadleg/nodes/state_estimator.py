"""state_estimator: where the body is, how it moves and which feet carry it, from the IMU, the joints and the plan."""

from __future__ import annotations

from typing import Any

from geometry_msgs.msg import Quaternion, Transform, TransformStamped, Twist, Wrench
from nav_msgs.msg import Odometry
from sensor_msgs.msg import Imu, JointState, MultiDOFJointState

from quadleg.errors import TargetError
from quadleg.estimation.body_estimate import Estimate, in_body, loads_in_body
from quadleg.estimation.state_observer import IMU_QUEUE, TICK_QUEUE, StateObserver
from quadleg.health import Health
from quadleg.middleware.interface import Middleware
from quadleg.middleware.joint_messages import angles_of
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.planned_feet import plan_of
from quadleg.middleware.process_host import main_of
from quadleg.middleware.sensor_messages import NOT_MEASURED, variances_of
from quadleg.middleware.status_topic import hear_status
from quadleg.middleware.topics import nanoseconds
from quadleg.robot.model import LEGS, MEASURED, MODELLED
from quadleg.safety.node_status import NodeStatus

try:
    from tf2_msgs.msg import TFMessage
except ImportError:  # not among the wheels for machines without ROS
    TFMessage = None

ODOM = "odom"


class StateEstimator(QuadlegNode):
    """Publishes `odom`, `foot_loads` and `/tf` once for each joint_states."""

    sole_topics = ("odom", "foot_loads")
    has_state = True

    def __init__(
        self, middleware: Middleware, name: str = "state_estimator", parameters: dict[str, Any] | None = None
    ) -> None:
        super().__init__(middleware, name, parameters)
        period = self.declare_period()
        about = f"joint_states are {MEASURED} or {MODELLED}; empty: as servo_output's status says"
        angles = self.declare("joint_angles", "", about)
        self._observer = StateObserver(self.robot, period, angles)
        self._odometry = self.advertise("odom")
        self._foot_loads = self.advertise("foot_loads")
        self._transforms = self.advertise("/tf") if TFMessage else None
        self._message = Odometry(child_frame_id=self.prefix + "base_link")
        self._message.header.frame_id = self.prefix + ODOM
        self._loads = MultiDOFJointState(joint_names=list(LEGS), wrench=[Wrench() for _ in LEGS])
        self._loads.transforms, self._loads.twist = [Transform() for _ in LEGS], [Twist() for _ in LEGS]
        self._loads.header.frame_id = self.prefix + "base_link"
        self.listen("imu/data", self._imu, depth=IMU_QUEUE)
        self.listen("joint_states", self._joint_states, depth=TICK_QUEUE)
        self.listen("planned_feet", self._planned_feet, depth=TICK_QUEUE)
        hear_status(self.subscribe, "joint_watchdog", lambda said: self._observer.follow_state(said.state))
        hear_status(self.subscribe, "gait", lambda said: self._observer.follow_gait(said.figures.get("gait", "")))
        if not angles:
            hear_status(self.subscribe, "servo_output", self._servo_status)

    # What comes in

    def _servo_status(self, said: NodeStatus) -> None:
        if kind := said.figures.get("joint_angles"):
            self._observer.angles_are(kind)

    def _imu(self, message: Imu) -> None:
        # Its orientation, known or not, is not used: what the IMU's own filter makes of it counts twice otherwise.
        for quantity, covariance in (
            ("angular velocity", message.angular_velocity_covariance),
            ("linear acceleration", message.linear_acceleration_covariance),
        ):
            if covariance[0] == NOT_MEASURED:
                self._observer.imu_lacks(quantity)
                return
        w, a = message.angular_velocity, message.linear_acceleration
        stamp = 1e-9 * nanoseconds(message.header.stamp)
        self._observer.imu(stamp, (w.x, w.y, w.z), (a.x, a.y, a.z), variances_of(message))

    def _planned_feet(self, message: MultiDOFJointState) -> None:
        try:
            plan = plan_of(message, self.robot, self.prefix)
            self._observer.planned(plan, self.steady_time(), 1e-9 * nanoseconds(message.header.stamp))
        except TargetError as error:
            self._observer.refuse_plan(error)

    # One tick

    def _joint_states(self, message: JointState) -> None:
        stamp = 1e-9 * nanoseconds(message.header.stamp)
        estimate = self._observer.joints(stamp, angles_of(message), self.steady_time())
        if estimate:
            self._publish(estimate, message)
            self.say_changes(*(trouble.code for trouble in estimate.troubles))

    def _publish(self, estimate: Estimate, cause: JointState) -> None:
        message = self._message
        message.header.stamp = cause.header.stamp
        pose, twist = message.pose.pose, message.twist.twist
        velocity, pose_covariance, twist_covariance = in_body(estimate)
        pose.position.x, pose.position.y, pose.position.z = estimate.position
        pose.orientation = _quaternion(estimate.quaternion)
        twist.linear.x, twist.linear.y, twist.linear.z = velocity
        twist.angular.x, twist.angular.y, twist.angular.z = estimate.angular_velocity
        message.pose.covariance = pose_covariance.ravel()
        message.twist.covariance = twist_covariance.ravel()
        self._odometry.publish(message)
        self._loads.header.stamp = cause.header.stamp
        for wrench, force in zip(self._loads.wrench, loads_in_body(estimate)):
            wrench.force.x, wrench.force.y, wrench.force.z = force
        self._foot_loads.publish(self._loads)
        if self._transforms:
            self._transforms.publish(self._transforms_of(estimate, cause))

    def _transforms_of(self, estimate: Estimate, cause: JointState) -> Any:
        """odom → base_footprint → base_link (REP-105, REP-120)."""
        frames = [self.prefix + name for name in (ODOM, "base_footprint", "base_link")]
        transforms = []
        for parent, child, pose in zip(frames, frames[1:], self._observer.footprint(estimate)):
            transform = TransformStamped(child_frame_id=child)
            transform.header.stamp, transform.header.frame_id = cause.header.stamp, parent
            place = transform.transform.translation
            place.x, place.y, place.z = pose.position
            transform.transform.rotation = _quaternion(pose.quaternion)
            transforms.append(transform)
        return TFMessage(transforms=transforms)

    def health(self) -> Health:
        return self._observer.health()


def _quaternion(q: tuple[float, float, float, float]) -> Quaternion:
    w, x, y, z = q
    return Quaternion(w=w, x=x, y=y, z=z)


main = main_of(StateEstimator)
