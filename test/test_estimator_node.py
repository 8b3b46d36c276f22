"""state_estimator as a node: what it publishes, in which frames, and what it says of bad input."""

from __future__ import annotations

from collections.abc import Callable
from math import nan
from pathlib import Path

import numpy as np
import pytest
from sample_robots import inspector

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from builtin_interfaces.msg import Time
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from geometry_msgs.msg import Transform, Twist, Wrench
from nav_msgs.msg import Odometry
from rclpy.qos import qos_profile_sensor_data
from sensor_msgs.msg import Imu, JointState, MultiDOFJointState
from simulated_client import SOUND, SimulatedProbe

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.kinematics.body_pose import stance_angles
from quadleg.middleware.sensor_messages import variances_of
from quadleg.middleware.simulated_bus import SimulatedBus
from quadleg.middleware.simulated_middleware import SimulatedMiddleware
from quadleg.middleware.simulated_time import SimulatedTime
from quadleg.middleware.status_topic import message_of
from quadleg.middleware.topics import LATCHED
from quadleg.nodes.state_estimator import StateEstimator
from quadleg.robot.model import JOINT_NAMES, LEGS
from quadleg.robot_file.load import find_robot, load_robot
from quadleg.safety.node_status import NodeStatus

ROBOT = load_robot(find_robot("greenhouse_inspector"))
ANGLES = list(stance_angles(ROBOT, ROBOT.standing))
WEIGHT = ROBOT.masses.total * STANDARD_GRAVITY


class EstimatorRig:
    """The node, and a robot that stands still in front of it, tick after tick, by stamps alone."""

    def __init__(self, **parameters: str) -> None:
        bus = SimulatedBus(SimulatedTime(), conditions=SOUND)
        self.probe = probe = SimulatedProbe(bus)
        self.odometry = probe.hear(Odometry, "odom")
        self.loads = probe.hear(MultiDOFJointState, "foot_loads")
        self.diagnostics = probe.hear(DiagnosticArray, "diagnostics")
        StateEstimator(SimulatedMiddleware(bus), parameters=parameters)
        self._joints = probe.publisher(JointState, "joint_states")
        self._plan = probe.publisher(MultiDOFJointState, "planned_feet")
        self._imu = probe.node.create_publisher(Imu, "imu/data", qos_profile_sensor_data)
        probe.wait(self._imu.get_subscription_count, "a subscriber of imu/data", 10.0)
        self._state = probe.node.create_publisher(DiagnosticStatus, "joint_watchdog/status", LATCHED)
        self._random = np.random.default_rng(1)
        self.tick = 0

    def state(self, state: str) -> None:
        self._state.publish(message_of(NodeStatus(state), "joint_watchdog"))

    def plan(self, missing: str = "", frame: str = "base_footprint") -> None:
        names = [leg for leg in LEGS if leg != missing]
        message = MultiDOFJointState(joint_names=names)
        message.header.frame_id = frame
        message.transforms, message.twist = [Transform() for _ in names], [Twist() for _ in names]
        message.wrench = [Wrench() for _ in names]
        for name, transform, wrench in zip(names, message.transforms, message.wrench):
            place = transform.translation
            place.x, place.y, place.z = ROBOT.standing.feet[LEGS.index(name)]
            wrench.force.z = WEIGHT / 4
        self._plan.publish(message)

    def imu(self, unknown: str = "", gyro: float = 0.0) -> None:
        message = Imu()
        message.orientation_covariance[0] = -1.0
        if unknown:
            getattr(message, unknown)[0] = -1.0
        message.header.stamp = _stamp(0.02 * self.tick)
        noise = self._random.normal(0.0, 1e-3, 6)
        w, a = message.angular_velocity, message.linear_acceleration
        w.x, w.y, w.z = noise[:3].tolist()
        w.z += gyro
        a.x, a.y, a.z = noise[3], noise[4], STANDARD_GRAVITY + noise[5]
        self._imu.publish(message)

    def joints(self, without: str = "") -> None:
        names = [name for name in JOINT_NAMES if name != without]
        message = JointState(name=names, position=[ANGLES[JOINT_NAMES.index(name)] for name in names])
        message.header.stamp = _stamp(0.02 * self.tick)
        self._joints.publish(message)

    def step(self, ticks: int = 1, imu: Callable[[], None] | None = None, without: str = "") -> Odometry:
        """So many ticks, each answered; the last answer."""
        for _ in range(ticks):
            self.tick += 1
            (imu or self.imu)()
            self.plan()
            count = len(self.odometry)
            self.joints(without)
            self.probe.wait(lambda count=count: len(self.odometry) > count, "an answer to joint_states", 5.0)
        return self.odometry[-1]

    def says(self, words: str) -> None:
        self.probe.wait(
            lambda: any(words in s.message for a in self.diagnostics for s in a.status if "estimator" in s.name),
            f"'{words}'",
            5.0,
        )

    def value(self, key: str) -> str:
        values = (
            value.value
            for array in reversed(self.diagnostics)
            for status in array.status
            if "estimator" in status.name
            for value in status.values
            if value.key == key
        )
        return next(values, "")


def _stamp(seconds: float) -> Time:
    nanoseconds = round(1e9 * (1000.0 + seconds))
    return Time(sec=nanoseconds // 1_000_000_000, nanosec=nanoseconds % 1_000_000_000)


@pytest.fixture
def bench() -> EstimatorRig:
    return EstimatorRig(joint_angles="measured")


def test_off_standing_and_bad_input(bench: EstimatorRig):
    # Off: it says so, and rests.
    bench.state("off")
    message = bench.step(30)
    bench.says("the robot is off: the estimate rests")
    assert message.header.frame_id == "odom"
    assert message.child_frame_id == "base_link"
    assert not any(wrench.force.z for wrench in bench.loads[-1].wrench)

    # Active: the feet carry the weight, the covariance is filled in, and the stamp is that of joint_states.
    bench.state("active")
    message = bench.step(60)
    stamp = message.header.stamp
    assert (stamp.sec, stamp.nanosec) == (_stamp(0.02 * bench.tick).sec, _stamp(0.02 * bench.tick).nanosec)
    place = message.pose.pose.position
    assert (place.x, place.y) == pytest.approx((0.0, 0.0), abs=5e-3)
    assert place.z == pytest.approx(ROBOT.standing.height, abs=5e-3)
    for covariance in (message.pose.covariance, message.twist.covariance):
        matrix = np.reshape(covariance, (6, 6))
        assert np.linalg.eigvalsh(matrix).min() > 0.0
    assert bench.loads[-1].joint_names == list(LEGS)
    assert sum(wrench.force.z for wrench in bench.loads[-1].wrench) == pytest.approx(WEIGHT, rel=0.02)
    bench.says("follows the body with measured joint angles")

    # A joint is missing.
    bench.step(5, without="rear_left_hip")
    bench.says("rear_left: not all of its joint angles are known")
    assert bench.loads[-1].wrench[2].force.z == 0.0
    bench.step(10)

    # Samples that mean nothing are refused; an IMU that does not measure what is needed is none.
    bench.step(3, imu=lambda: bench.imu(gyro=nan))
    bench.step(20, imu=lambda: bench.imu(unknown="angular_velocity_covariance"))
    bench.says("imu/data says that it has no angular velocity")
    bench.says("no IMU")
    bench.step(20)
    assert int(bench.value("imu_samples_refused")) >= 3

    # A plan that cannot be read is refused with what would be right; the last one stays.
    bench.plan(missing="rear_right")
    bench.says("planned feet refused: there is no rear_right")
    bench.plan(frame="map")
    bench.says("frame_id is 'map'; it must be 'base_footprint'")

    # Time goes back.
    bench.tick = 0
    bench.step(30)
    bench.says("time went back: the estimate has begun anew")


def test_servo_output_says_whether_joint_angles_are_measured(tmp_path: Path):
    demo = find_robot("greenhouse_inspector").read_text(encoding="utf-8")
    blind = tmp_path / "blind.yaml"
    blind.write_text(demo.replace("imu_link:", "lamp_link:"), encoding="utf-8")
    bench = EstimatorRig(robot=str(blind))
    said = bench.probe.node.create_publisher(DiagnosticStatus, "servo_output/status", LATCHED)
    bench.joints()
    bench.says("servo_output does not say whether joint_states are measured or modelled")

    bench.state("active")
    for kind in ("modelled", "measured"):
        said.publish(message_of(NodeStatus("following", figures={"joint_angles": kind}), "servo_output"))
        bench.probe.wait(lambda kind=kind: bench.value("joint_angles") == kind, f"{kind} joint angles", 5.0)
        bench.step(30, imu=lambda: None)
        # Without an IMU, in the robot file or heard, nothing is wrong.
        bench.says(f"follows the body with {kind} joint angles, without an IMU")


@pytest.mark.parametrize(
    ("rate", "force", "variances"),
    [
        ([0.0] * 9, [0.0] * 9, (0.0, 0.0)),  # all zeros: not known
        ([1e-4, 0.0, 0.0, 0.0, 4e-4, 0.0, 0.0, 0.0, 1e-4], [nan] * 9, (4e-4, 0.0)),
        ([-1.0] + [0.0] * 8, [0.09] * 9, (0.0, 0.09)),
    ],
)
def test_the_variances_of_an_imu_are_those_that_its_message_gives(rate, force, variances):
    message = Imu()
    message.angular_velocity_covariance, message.linear_acceleration_covariance = rate, force
    assert variances_of(message) == variances


def test_a_wrong_kind_of_joint_angles_is_refused():
    with pytest.raises(ValueError, match="parameter joint_angles is 'guessed'; it must be measured, modelled or empty"):
        EstimatorRig(joint_angles="guessed")


def test_the_transforms_are_those_of_rep_105(bench: EstimatorRig):
    tf2 = pytest.importorskip("tf2_msgs.msg", reason="tf2_msgs does not import: source a ROS 2")
    heard = bench.probe.hear(tf2.TFMessage, "/tf", 100)
    bench.state("active")
    bench.step(30)
    bench.probe.wait(lambda: heard, "a transform", 5.0)
    names = [(t.header.frame_id, t.child_frame_id) for t in heard[-1].transforms]
    assert names == [("odom", "base_footprint"), ("base_footprint", "base_link")]
    assert heard[-1].transforms[1].transform.translation.z == pytest.approx(inspector().standing.height, abs=0.05)
