"""base_motion: the body follows its target pose over the planned feet, never jumping to it."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import Any

from diagnostic_msgs.msg import DiagnosticStatus
from geometry_msgs.msg import PointStamped, PoseStamped
from sensor_msgs.msg import MultiDOFJointState
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory

from quadleg.errors import BadTarget, Unreachable
from quadleg.kinematics.approach import Approach
from quadleg.kinematics.body import (
    Pose,
    all_forward,
    feet_in_base,
    legs_inverse,
    lowest_of_body,
    pose_from_feet,
    quaternion_product,
)
from quadleg.kinematics.clearance import Clearance
from quadleg.nodes.base import Health, QuadlegNode
from quadleg.nodes.host import main_of
from quadleg.nodes.topics import (
    LATCHED,
    LATEST,
    check_frame,
    led_angles,
    nanoseconds,
    near_place,
    rotation_of,
    split_state,
)
from quadleg.robot.model import LEGS, Vector

TELEOP_FRESH = 0.5  # s
SAY_PERIOD = 0.1  # s at least between diagnostics for changes
ON_GROUND = 0.0005  # m: the belly may lie on the ground, not in it
WAITING, MOVING, ARRIVED, STOPPED = "waiting", "moving", "arrived", "stopped"
SENTENCES = {
    WAITING: "follows the watchdog until it is active",
    MOVING: "on the way to the base target",
    ARRIVED: "at the base target",
    STOPPED: "goes no further than {pose}, stopped by {stop}",
}
PLANNED = (*LEGS, "base_link")


class BaseMotion(QuadlegNode):
    """Base targets and planned feet in, one foot target for each leg out, once for each planned frame."""

    def __init__(self, name: str = "base_motion", parameters: dict[str, Any] | None = None) -> None:
        super().__init__(name, parameters)
        self._period = self.declare_period()
        speed = self.declare("speed", 0.06, "Body speed in m/s", 0.001, 1.0)
        turn_speed = self.declare("turn_speed", 0.6, "Body turning speed in rad/s", 0.01, 10.0)
        rise = self.declare("acceleration_time", 0.3, "Time in s from rest to full speed", 0.01, 10.0)
        self._rest = Pose.from_rpy(0.0, 0.0, self.robot.resting.height, 0.0, 0.0, 0.0)
        self._approach = Approach(self._rest, speed, turn_speed, rise)
        self._clearance = Clearance(self.robot)
        self._planned: tuple[Vector, ...] = self.robot.standing.feet
        self._resting_feet = feet_in_base(self._rest, self.robot.resting.feet)
        self._led_feet = self._resting_feet
        self._shift = Pose.from_rpy(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        self._active = False
        self._target: tuple[Pose, int] | None = None
        self._teleop: tuple[Pose, int] | None = None
        self._teleop_heard = 0.0
        self._stop: str | None = None
        self._refusal: str | None = None
        self._refused_stamp = 0
        self._said: tuple[object, ...] = ()
        self._said_at = 0.0
        self._outputs = []
        for leg in LEGS:
            publisher = self.create_publisher(PointStamped, f"{leg}/foot_target", LATEST)
            message = PointStamped()
            message.header.frame_id = self.prefix + "base_link"
            self._outputs.append((publisher, message))
        self.subscribe(MultiDOFJointState, "planned_feet", self._planned_feet, LATEST)
        self.subscribe(PoseStamped, "base_target", self._base_target, LATEST)
        self.subscribe(PoseStamped, "teleop/base_target", self._teleop_target, LATEST)
        self.subscribe(String, "state", self._state, LATCHED)
        self.subscribe(JointTrajectory, "joint_commands", self._joint_commands, LATEST, raw=True)

    # Targets

    def _base_target(self, message: PoseStamped) -> None:
        pose = self._accepted(message)
        if pose:
            self._target = pose

    def _teleop_target(self, message: PoseStamped) -> None:
        pose = self._accepted(message)
        if pose:
            self._teleop, self._teleop_heard = pose, time.monotonic()

    def _accepted(self, message: PoseStamped) -> tuple[Pose, int] | None:
        try:
            pose = self._pose_of(message)
        except BadTarget as error:
            self._refusal = f"base target refused: {error}; the last good one stays"
            self._refused_stamp = nanoseconds(message.header.stamp)
            self.get_logger().warning(self._refusal, throttle_duration_sec=1.0)
            self.say_health()
            return None
        self._refusal = self._stop = None
        return pose, nanoseconds(message.header.stamp)

    def _pose_of(self, message: PoseStamped) -> Pose:
        check_frame(message.header.frame_id, self.prefix + "base_footprint")
        return Pose(near_place(message.pose.position), rotation_of(message.pose.orientation))

    def _wanted(self) -> tuple[Pose, int]:
        if self._teleop and time.monotonic() - self._teleop_heard < TELEOP_FRESH:
            return self._teleop
        return self._target or (self._approach.pose, 0)

    # While the watchdog leads, its pose is followed, so that there is no step when it lets go

    def _state(self, message: String) -> None:
        state, _ = split_state(message.data)
        self._active = state == "active"
        if state in ("off", "fault"):
            self._target = self._teleop = None
            self._approach.reset(self._rest)
            self._led_feet = self._resting_feet
        if not self._active:
            self._stop = None

    def _joint_commands(self, serialized: bytes) -> None:
        self._say_changes()  # now that the frame is on its way, nothing waits for it
        if self._active:  # nobody asks then, and reading each message costs
            return
        angles = led_angles(serialized)
        if angles is not None:
            self._led_feet = all_forward(self.robot, angles)
            self._approach.reset(pose_from_feet(self._led_feet, self._planned))

    # One frame

    def _planned_feet(self, message: MultiDOFJointState) -> None:
        try:
            self._planned, self._shift = self._plan_of(message)
        except BadTarget as error:
            self.get_logger().warning(f"planned feet refused: {error}", throttle_duration_sec=1.0)
            return
        if self._active:
            target, _ = self._wanted()
            self._stop = None
            self._approach.step(target, self._period, self._reachable)
            feet = feet_in_base(self._shifted(self._approach.pose), self._planned)
        else:
            feet = self._led_feet
        for (publisher, target_message), (x, y, z) in zip(self._outputs, feet):
            target_message.header.stamp = message.header.stamp
            point = target_message.point
            point.x, point.y, point.z = x, y, z
            publisher.publish(target_message)

    def _plan_of(self, message: MultiDOFJointState) -> tuple[tuple[Vector, ...], Pose]:
        """The four feet and the body's shift."""
        places = dict(zip(message.joint_names, message.transforms))
        missing = [name for name in PLANNED if name not in places]
        if missing:
            raise BadTarget(f"there is no {missing[0]}; {', '.join(PLANNED)} are wanted, each with its transform")
        feet = tuple(near_place(places[leg].translation) for leg in LEGS)
        shift = places["base_link"]
        return feet, Pose(near_place(shift.translation), rotation_of(shift.rotation))

    def _reachable(self, pose: Pose) -> bool:
        self._stop = self._what_stops(self._shifted(pose), self._planned)
        return self._stop is None

    def _shifted(self, pose: Pose) -> Pose:
        """The pose with the plan's shift, which is one in base_footprint however the body is turned."""
        (x, y, z), (dx, dy, dz) = pose.position, self._shift.position
        return Pose((x + dx, y + dy, z + dz), quaternion_product(self._shift.quaternion, pose.quaternion))

    def _what_stops(self, pose: Pose, feet: Sequence[Vector]) -> str | None:
        try:
            angles = legs_inverse(self.robot, pose, feet)
        except Unreachable as error:
            return f"{error.leg}, {error.limit}"
        if lowest_of_body(self.robot, pose) < -ON_GROUND:
            return "the body, which touches the ground"
        for gap in self._clearance.gaps_below(angles, self.robot.clearance):
            return f"{gap.parts[0]} and {gap.parts[1]} would be {1000 * gap.distance:.1f} mm apart"
        return None

    # What it says

    def _say_changes(self) -> None:
        target, stamp = self._wanted()
        said, now = (self._motion(target), stamp), time.monotonic()
        # Where targets stream, much changes; a listener has enough with some changes a second.
        if said != self._said and now - self._said_at > SAY_PERIOD:
            self._said, self._said_at = said, now
            self.say_health()

    def _motion(self, target: Pose) -> str:
        if not self._active:
            return WAITING
        if self._stop:
            return STOPPED
        return ARRIVED if self._approach.pose == target else MOVING

    def health(self) -> Health:
        target, stamp = self._wanted()
        motion = self._motion(target)
        message = SENTENCES[motion].format(pose=self._approach.pose, stop=self._stop)
        level = DiagnosticStatus.WARN if motion == STOPPED else DiagnosticStatus.OK
        if self._refusal:
            message, level = self._refusal, DiagnosticStatus.WARN
        values = {
            "target_stamp": stamp,
            "refused_stamp": self._refused_stamp,
            "asked": _in_words(target),
            "planned": _in_words(self._approach.pose),
            "motion": motion,
        }
        return Health(message, values, level)


def _in_words(pose: Pose) -> str:
    return " ".join(f"{value:.5f}" for value in (*pose.position, *pose.rpy))


main = main_of(BaseMotion)
