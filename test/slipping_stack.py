"""The rest of a stack as a client sees it, with a made-up robot whose base_footprint slips as it is told to."""

from __future__ import annotations

from collections.abc import Callable
from math import hypot, inf

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue
from geometry_msgs.msg import PoseStamped, Transform, Twist, TwistStamped, Wrench
from nav_msgs.msg import Odometry
from rcl_interfaces.srv import GetParameters
from rclpy.parameter import Parameter
from sensor_msgs.msg import JointState, MultiDOFJointState

from quadleg.geometry.planar import ZERO_TWIST, Planar, compose_planar, motion, to_frame
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import legs_inverse
from quadleg.middleware.guarded_node import GuardedNode
from quadleg.middleware.simulated_bus import SimulatedBus
from quadleg.middleware.simulated_middleware import SimulatedMiddleware
from quadleg.middleware.status_topic import message_of
from quadleg.middleware.topics import JOINT_STATES, LATCHED, LATEST, nanoseconds
from quadleg.robot.model import JOINT_NAMES, LEGS
from quadleg.robot_file.load import find_robot, load_robot
from quadleg.safety.catalogue import Reason
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.reason_codes import ReasonCode

MODEL = load_robot(find_robot("greenhouse_inspector"))
PERIOD = 0.02  # s
ESTIMATED_AFTER = 0.002  # s
FASTEST, RAMP = (0.4, 0.3, 2.0), 0.2  # of a made-up robot, so that a test takes a second
PARAMETERS = {"robot": "greenhouse_inspector", "frame_prefix": "", "board": ""}


class SlippingStack:
    """The rest of a stack on a `bus`, with a robot whose base_footprint moves by a share `grip` of what is planned."""

    def __init__(self, bus: SimulatedBus) -> None:
        self.bus = bus
        self.limits = FASTEST
        self.steps_on = False  # never comes to a square stance
        self.trouble = ""  # why it cannot walk, by gait
        self.teleop: Planar | None = None  # what counts before cmd_vel
        self.gait_every = 1  # gait's part is in every so many diagnostics
        self.targets_lost = 0  # base targets that do not arrive
        self.targets: list[int] = []  # stamps of those that do
        self.grip = 1.0
        self.drift = 0.0  # rad/m, by which it turns as it goes
        self.known_tilt = 0.002  # rad, the standard deviation that odom says
        self.on_stop: Callable[[], None] = lambda: None
        self.began: Planar = (1.0, -2.0, 2.5)
        self.place = self.began
        self.planned = ZERO_TWIST
        self._asked = self._twist = ZERO_TWIST
        self._stamp = 0
        self._height = MODEL.standing.height
        self._tick = 0
        node = GuardedNode(SimulatedMiddleware(bus, "stack"), "stack")
        self._feet = node.create_publisher(MultiDOFJointState, "planned_feet", LATEST)
        self._joints = node.create_publisher(JointState, "joint_states", JOINT_STATES)
        self._odom = node.create_publisher(Odometry, "odom", LATEST)
        self._diagnostics = node.create_publisher(DiagnosticArray, "diagnostics", 10)
        states = {"joint_watchdog": "active", "servo_output": "following"}
        self._statuses = [node.create_publisher(DiagnosticStatus, f"{name}/status", LATCHED) for name in states]
        for publisher, (name, state) in zip(self._statuses, states.items()):
            publisher.publish(message_of(_told(state, "for a test"), name))
        node.subscribe(TwistStamped, "cmd_vel", self._take, LATEST)
        node.subscribe(PoseStamped, "base_target", self._take_target, LATEST)
        node.handle.create_service(GetParameters, "servo_output/get_parameters", self._parameters)
        node.every(PERIOD, self._run)

    @property
    def went(self) -> Planar:
        """The true place, seen from where it began."""
        return (*to_frame(self.began, self.place[0], self.place[1]), self.place[2] - self.began[2])

    def _parameters(self, request: GetParameters.Request, response: GetParameters.Response) -> GetParameters.Response:
        response.values = [Parameter(name, value=PARAMETERS[name]).get_parameter_value() for name in request.names]
        return response

    def _take(self, message: TwistStamped) -> None:
        twist = message.twist
        self._stamp = nanoseconds(message.header.stamp)
        self._asked = twist.linear.x, twist.linear.y, twist.angular.z

    def _take_target(self, message: PoseStamped) -> None:
        if self.targets_lost:
            self.targets_lost -= 1
            return
        self._height = message.pose.position.z
        self.targets.append(nanoseconds(message.header.stamp))

    @property
    def _scale(self) -> float:
        """The share of the velocity asked for that it can go."""
        uses = (abs(part) / limit if limit else inf for part, limit in zip(self._counts, self.limits) if part)
        return 1.0 / max(1.0, *uses, 1.0)

    @property
    def _counts(self) -> Planar:
        return self._asked if self.teleop is None else self.teleop

    def _run(self) -> None:
        self._move()
        self._publish()
        if self._tick % 5 == 0:
            self._say()

    def _move(self) -> None:
        before, self._tick = self._twist, self._tick + 1
        steps = [limit / RAMP * PERIOD for limit in self.limits]
        wanted = [self._scale * part for part in self._counts]
        x, y, yaw = (now + min(max(goal - now, -step), step) for now, goal, step in zip(before, wanted, steps))
        self._twist = x, y, yaw
        self.planned = compose_planar(self.planned, motion(self._twist, PERIOD))
        x, y, yaw = (self.grip * speed for speed in self._twist)
        self.place = compose_planar(self.place, motion((x, y, yaw + self.drift * hypot(x, y)), PERIOD))
        if self._twist == ZERO_TWIST != before:
            self.on_stop()

    def _angles(self) -> list[float]:
        level = Pose.from_rpy(0.0, 0.0, self._height, 0.0, 0.0, 0.0)
        return list(legs_inverse(MODEL, level, MODEL.standing.feet))

    def _publish(self) -> None:
        names = [*LEGS, "base_link"]
        feet = MultiDOFJointState(joint_names=names)
        feet.transforms, feet.twist = [Transform() for _ in names], [Twist() for _ in names]
        feet.wrench = [Wrench() for _ in names]
        for place, transform, wrench in zip(MODEL.standing.feet, feet.transforms, feet.wrench):
            foot = transform.translation
            foot.x, foot.y, foot.z = place
            wrench.force.z = 4.0
        going = feet.twist[-1]
        going.linear.x, going.linear.y, going.angular.z = self._twist
        joints = JointState(name=list(JOINT_NAMES), position=self._angles())
        odom = Odometry()
        pose = Pose.from_rpy(self.place[0], self.place[1], self._height, 0.0, 0.0, self.place[2])
        at, turn = odom.pose.pose.position, odom.pose.pose.orientation
        at.x, at.y, at.z = pose.position
        turn.w, turn.x, turn.y, turn.z = pose.quaternion
        odom.pose.covariance[21] = odom.pose.covariance[28] = self.known_tilt**2
        for message in (feet, joints, odom):
            stamp = message.header.stamp
            stamp.sec, stamp.nanosec = divmod(round(1e9 * PERIOD) * self._tick, 1_000_000_000)
        self._feet.publish(feet)
        self._joints.publish(joints)
        # An estimator answers joint_states, so that an estimate comes after the plan of its tick.
        self.bus.time.after(ESTIMATED_AFTER, lambda: self._odom.publish(odom))

    def _say(self) -> None:
        def words(values: Planar) -> str:
            return " ".join(f"{value:.4f}" for value in values)

        forward = self.limits
        gait = {
            "gait": "glide",
            "motion": "stands" if self._twist == ZERO_TWIST and not self.steps_on else "walks",
            "asked": words(self._counts),
            "asker": "cmd_vel" if self.teleop is None else "teleop/cmd_vel",
            "asker_stamp": str(self._stamp),
            "planned": words(self._twist),
            "scale": f"{self._scale:.4f}",
            "limits_forward": words(forward),
            "limits_backward": words((-forward[0], -forward[1], -forward[2])),
            "ramp_s": str(RAMP),
            "obstacle": "cannot_walk" if self.trouble else "none",
            "trouble": self.trouble,
            "footprint_mm": "400 300",
        }
        base_motion = {
            "target_stamp": str(self.targets[-1] if self.targets else 0),
            "refused_stamp": "0",
            "asker": "base_target",
            "motion": "arrived",
            "planned": f"0 0 {self._height:.5f} 0 0 0",
        }
        said = {"base_motion": (base_motion, "at the base target")}
        if self._tick // 5 % self.gait_every == 0:
            said["gait"] = gait, "glides"
        for node in ("joint_watchdog", "servo_output"):
            said[node] = ({}, "as usual")
        self._diagnostics.publish(
            DiagnosticArray(
                status=[
                    DiagnosticStatus(
                        name=f"quadleg: {node}",
                        message=message,
                        values=[KeyValue(key=key, value=value) for key, value in figures.items()],
                    )
                    for node, (figures, message) in said.items()
                ]
            )
        )

    def say_state(self, state: str, words: str) -> None:
        """Says another state of the watchdog."""
        self._statuses[0].publish(message_of(_told(state, words), "joint_watchdog"))


def _told(state: str, words: str) -> NodeStatus:
    return NodeStatus(state, Reason.of(ReasonCode.TOLD_IN_WORDS, detail=words))
