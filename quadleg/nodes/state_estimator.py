"""state_estimator: where the body is, how it moves and which feet carry it, from the IMU, the joints and the plan."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from geometry_msgs.msg import Quaternion, Transform, TransformStamped, Twist, Wrench
from nav_msgs.msg import Odometry
from sensor_msgs.msg import Imu, JointState, MultiDOFJointState
from std_msgs.msg import String

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.errors import TargetError
from quadleg.estimation.body_estimate import BLOCKS, Estimate, in_body
from quadleg.estimation.footprint import footprint
from quadleg.estimation.odometry import NO_IMU, Estimator
from quadleg.estimation.tilt import IMU_FRAME
from quadleg.gait.planner import GaitPlan
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import ZERO_VECTOR
from quadleg.health import Health
from quadleg.middleware.interface import Middleware, RawMessage
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.process_host import main_of
from quadleg.middleware.topics import (
    JOINT_STATES,
    LATCHED,
    LATEST,
    SENSOR_DATA,
    TRANSFORMS,
    check_frame,
    finite_place,
    nanoseconds,
    split_state,
)
from quadleg.robot.model import (
    JOINT_NAMES,
    LEGS,
    MEASURED,
    MODELLED,
)

try:
    from tf2_msgs.msg import TFMessage
except ImportError:  # not among the wheels for machines without ROS
    TFMessage = None

LYING = ("off", "fault")  # states without power
NOT_MEASURED = -1.0  # a first covariance of -1 says so (REP-145)
PLAN_FRESH = 0.5  # s: without a newer plan the robot stands on all feet, by the watchdog's doing
ODOM = "odom"
SERVO_OUTPUT = "quadleg: servo_output"  # as its diagnostics are named


class StateEstimator(QuadlegNode):
    """Publishes `odom`, `foot_loads` and `/tf` once for each joint_states."""

    sole_topics = ("odom", "foot_loads")

    def __init__(
        self, middleware: Middleware, name: str = "state_estimator", parameters: dict[str, Any] | None = None
    ) -> None:
        super().__init__(middleware, name, parameters)
        self._period = self.declare_period()
        kind = self.declare(
            "joint_angles", "", f"joint_states are {MEASURED} or {MODELLED}; empty: as servo_output's diagnostics say"
        )
        if kind not in ("", MEASURED, MODELLED):
            raise ValueError(f"parameter joint_angles is '{kind}'; it must be {MEASURED}, {MODELLED} or empty")
        self._kind = kind
        self._estimator = Estimator(self.robot, kind, self._period) if kind else None
        self._plan: GaitPlan | None = None
        self._planned_at = 0.0
        self._state_name = "off"
        self._refusal: str | None = None
        self._imu_trouble: str | None = None
        self._has_imu = any(frame.name == IMU_FRAME for frame in self.robot.frames)
        self._estimate: Estimate | None = None
        self._odometry = self.create_publisher(Odometry, "odom", LATEST)
        self._foot_loads = self.create_publisher(MultiDOFJointState, "foot_loads", LATEST)
        self._transforms = self.create_publisher(TFMessage, "/tf", TRANSFORMS) if TFMessage else None
        self._message = Odometry(child_frame_id=self.prefix + "base_link")
        self._message.header.frame_id = self.prefix + ODOM
        self._loads = MultiDOFJointState(joint_names=list(LEGS), wrench=[Wrench() for _ in LEGS])
        self._loads.transforms, self._loads.twist = [Transform() for _ in LEGS], [Twist() for _ in LEGS]
        self._loads.header.frame_id = self.prefix + "base_link"
        self.subscribe(Imu, "imu/data", self._imu, SENSOR_DATA)
        self.subscribe(JointState, "joint_states", self._joint_states, JOINT_STATES)
        self.subscribe(MultiDOFJointState, "planned_feet", self._planned_feet, LATEST)
        self.subscribe(String, "state", self._state, LATCHED)
        if not kind:
            self.subscribe(DiagnosticArray, "diagnostics", self._servo_output_says, 10, raw=True)

    # What comes in

    def _state(self, message: String) -> None:
        self._state_name, _ = split_state(message.data)

    def _servo_output_says(self, message: RawMessage) -> None:
        if SERVO_OUTPUT.encode() not in message.data:  # reading what every node says would cost
            return
        for status in message.read().status:
            kinds = [pair.value for pair in status.values if pair.key == "joint_angles"]
            if status.name == SERVO_OUTPUT and kinds and kinds != [self._kind]:
                self._estimator = Estimator(self.robot, kinds[0], self._period)
                self._kind = kinds[0]

    def _imu(self, message: Imu) -> None:
        self._has_imu = True
        if self._estimator is None:
            return
        # Its orientation, known or not, is not used: what the IMU's own filter makes of it counts twice otherwise.
        for quantity, covariance in (
            ("angular velocity", message.angular_velocity_covariance),
            ("linear acceleration", message.linear_acceleration_covariance),
        ):
            if covariance[0] == NOT_MEASURED:
                self._imu_trouble = f"imu/data says that it has no {quantity}: both it and the other are needed"
                return
        self._imu_trouble = None
        w, a = message.angular_velocity, message.linear_acceleration
        self._estimator.imu(1e-9 * nanoseconds(message.header.stamp), (w.x, w.y, w.z), (a.x, a.y, a.z))

    def _planned_feet(self, message: MultiDOFJointState) -> None:
        try:
            self._plan = self._plan_of(message)
        except TargetError as error:
            self._refusal = f"planned feet refused: {error}"
            return
        self._refusal, self._planned_at = None, self.steady_time()

    def _plan_of(self, message: MultiDOFJointState) -> GaitPlan:
        check_frame(message.header.frame_id, self.prefix + "base_footprint")
        places = dict(zip(message.joint_names, zip(message.transforms, message.twist, message.wrench)))
        missing = [leg for leg in LEGS if leg not in places]
        if missing:
            raise TargetError(
                f"there is no {missing[0]}; {', '.join(LEGS)} are wanted, with transform, twist and wrench"
            )
        weight = self.robot.masses.total * STANDARD_GRAVITY
        found = [places[leg] for leg in LEGS]
        feet = tuple(finite_place(place.translation) for place, _, _ in found)
        velocities = tuple(finite_place(twist.linear) for _, twist, _ in found)
        loads = tuple(max(0.0, finite_place(wrench.force)[2]) / weight for _, _, wrench in found)
        return GaitPlan(feet, velocities, loads, (0.0, 0.0))

    # One tick

    def _joint_states(self, message: JointState) -> None:
        if self._estimator is None:
            return
        angles = dict(zip(message.name, message.position))
        joints = [angles.get(name, float("nan")) for name in JOINT_NAMES]
        plan = None if self._state_name in LYING else self._plan
        if plan and self.steady_time() - self._planned_at > PLAN_FRESH:
            plan = replace(plan, velocities=(ZERO_VECTOR,) * len(LEGS), loads=(1.0 / len(LEGS),) * len(LEGS))
        self._estimator.legs(1e-9 * nanoseconds(message.header.stamp), joints, plan)
        estimate = self._estimate = self._estimator.estimate
        self._publish(estimate, message)
        self.say_changes(*estimate.troubles)

    def _publish(self, estimate: Estimate, cause: JointState) -> None:
        message = self._message
        message.header.stamp = cause.header.stamp
        pose, twist = message.pose.pose, message.twist.twist
        velocity, pose_covariance, twist_covariance = in_body(estimate)
        pose.position.x, pose.position.y, pose.position.z = estimate.position
        pose.orientation = _quaternion(estimate.quaternion)
        twist.linear.x, twist.linear.y, twist.linear.z = velocity
        twist.angular.x, twist.angular.y, twist.angular.z = estimate.turning
        message.pose.covariance = pose_covariance.ravel()
        message.twist.covariance = twist_covariance.ravel()
        self._odometry.publish(message)
        self._loads.header.stamp = cause.header.stamp
        rotation = np.array(Pose(estimate.position, estimate.quaternion).matrix)
        for wrench, force in zip(self._loads.wrench, np.array(estimate.loads) @ rotation):
            wrench.force.x, wrench.force.y, wrench.force.z = force.tolist()
        self._foot_loads.publish(self._loads)
        if self._transforms:
            self._publish_transforms(estimate, cause)

    def _publish_transforms(self, estimate: Estimate, cause: JointState) -> None:
        """odom → base_footprint → base_link (REP-105, REP-120)."""
        planned = self._plan.feet if self._plan else self.robot.resting.feet
        legs = [leg for leg, carries in enumerate(estimate.contacts) if carries]
        legs = legs if len(legs) >= 2 else list(range(len(LEGS)))
        feet = self._estimator.feet
        ground, body = footprint(
            Pose(estimate.position, estimate.quaternion),
            [feet[leg] for leg in legs],
            [planned[leg] for leg in legs],
            self.robot.legs[0].foot_radius,
        )
        frames = [self.prefix + name for name in (ODOM, "base_footprint", "base_link")]
        transforms = []
        for parent, child, pose in zip(frames, frames[1:], (ground, body)):
            transform = TransformStamped(child_frame_id=child)
            transform.header.stamp, transform.header.frame_id = cause.header.stamp, parent
            place = transform.transform.translation
            place.x, place.y, place.z = pose.position
            transform.transform.rotation = _quaternion(pose.quaternion)
            transforms.append(transform)
        self._transforms.publish(TFMessage(transforms=transforms))

    # What it says

    def health(self) -> Health:
        if self._estimator is None:
            words = f"servo_output does not say whether joint_states are {MEASURED} or {MODELLED}: it has to run, or "
            return Health(words + "the parameter joint_angles to say so", level=DiagnosticStatus.WARN)
        estimate = self._estimate
        if estimate is None:
            return Health("no joint_states are heard", {"joint_angles": self._kind}, DiagnosticStatus.WARN)
        blocks = {name: np.sqrt(np.diag(estimate.covariance)[rows]) for name, rows in BLOCKS.items()}
        values = {
            "joint_angles": self._kind,
            "innovation": f"{estimate.innovation:.3f}",
            "contacts": " ".join(leg for leg, down in zip(LEGS, estimate.contacts) if down),
            "slipping": " ".join(leg for leg, slips in zip(LEGS, estimate.slipping) if slips),
            "position_deviation_mm": _numbers(1000 * blocks["position"]),
            "attitude_deviation_deg": _numbers(np.degrees(blocks["attitude"])),
            "gyro_bias_deg_s": _numbers(np.degrees(estimate.gyro_bias)),
            "imu_samples_refused": self._estimator.refused,
            "resets": self._estimator.resets,
        }
        troubles = [*filter(None, (self._refusal, self._imu_trouble)), *estimate.troubles]
        if not self._has_imu:  # then nothing is wrong
            troubles = [trouble for trouble in troubles if trouble != NO_IMU]
        if troubles:
            return Health("; ".join(troubles), values, DiagnosticStatus.WARN)
        if self._state_name in LYING:
            return Health(f"the robot is {self._state_name}: the estimate rests", values)
        without = "" if self._has_imu else ", without an IMU"
        return Health(f"follows the body with {self._kind} joint angles{without}", values)


def _quaternion(q: tuple[float, float, float, float]) -> Quaternion:
    w, x, y, z = q
    return Quaternion(w=w, x=x, y=y, z=z)


def _numbers(values: Any) -> str:
    return " ".join(f"{value:.4f}" for value in values)


main = main_of(StateEstimator)
