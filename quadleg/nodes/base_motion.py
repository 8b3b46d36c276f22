"""base_motion: the body follows its target pose over the planned feet, never jumping to it."""

from __future__ import annotations

import time
from typing import Any

from diagnostic_msgs.msg import DiagnosticStatus
from geometry_msgs.msg import PointStamped, PoseStamped
from sensor_msgs.msg import MultiDOFJointState
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory

from quadleg.errors import TargetError
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector
from quadleg.health import Health
from quadleg.kinematics.posture import ACCELERATION_TIME, SPEED, TURN_SPEED, Posture
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.process_host import main_of
from quadleg.middleware.topics import (
    LATCHED,
    LATEST,
    check_frame,
    led_angles,
    nanoseconds,
    near_place,
    rotation_of,
    split_state,
)
from quadleg.robot.model import LEGS

TELEOP_FRESH = 0.5  # s
WAITING, MOVING, ARRIVED, STOPPED = "waiting", "moving", "arrived", "stopped"
SENTENCES = {
    WAITING: "follows the watchdog until it is active",
    MOVING: "on the way to the base target",
    ARRIVED: "at the base target",
    STOPPED: "goes no further than {pose}, short of the {axes} asked for, stopped by {stop}",
}
PLANNED = (*LEGS, "base_link")


class BaseMotion(QuadlegNode):
    """Base targets and planned feet in, one foot target for each leg out, once for each planned frame."""

    def __init__(self, name: str = "base_motion", parameters: dict[str, Any] | None = None) -> None:
        super().__init__(name, parameters)
        self._period = self.declare_period()
        speed = self.declare("speed", SPEED, "Body speed in m/s", 0.001, 1.0)
        turn_speed = self.declare("turn_speed", TURN_SPEED, "Body turning speed in rad/s", 0.01, 10.0)
        rise = self.declare("acceleration_time", ACCELERATION_TIME, "Time in s from rest to full speed", 0.01, 10.0)
        self._posture = Posture(self.robot, speed, turn_speed, rise)
        self._planned: tuple[Vector, ...] = self.robot.standing.feet
        self._shift = Pose.from_rpy(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        self._active = False
        self._target: tuple[Pose, int] | None = None
        self._teleop: tuple[Pose, int] | None = None
        self._teleop_heard = 0.0
        self._refusal: str | None = None
        self._refused_stamp = 0
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
        except TargetError as error:
            self._refusal = f"base target refused: {error}; the last good one stays"
            self._refused_stamp = nanoseconds(message.header.stamp)
            self.get_logger().warning(self._refusal, throttle_duration_sec=1.0)
            self.say_health()
            return None
        self._refusal = self._posture.stop = None
        return pose, nanoseconds(message.header.stamp)

    def _pose_of(self, message: PoseStamped) -> Pose:
        check_frame(message.header.frame_id, self.prefix + "base_footprint")
        return Pose(near_place(message.pose.position), rotation_of(message.pose.orientation))

    def _teleop_counts(self) -> bool:
        return self._teleop is not None and time.monotonic() - self._teleop_heard < TELEOP_FRESH

    def _wanted(self) -> tuple[Pose, int]:
        if self._teleop and self._teleop_counts():
            return self._teleop
        return self._target or (self._posture.pose, 0)

    # While the watchdog leads, its pose is followed, so that there is no step when it lets go

    def _state(self, message: String) -> None:
        state, _ = split_state(message.data)
        self._active = state == "active"
        if state in ("off", "fault"):
            self._target = self._teleop = None
            self._posture.rest()
        elif state == "rising" and self._target is None:
            # To go back to after a hold; a base_motion that starts at a robot that stands knows of no pose, and waits.
            self._target = (Pose.from_rpy(0.0, 0.0, self.robot.standing.height, 0.0, 0.0, 0.0), 0)
        if not self._active:
            self._posture.stop = None

    def _joint_commands(self, serialized: bytes) -> None:
        target, stamp = self._wanted()
        self.say_changes(self._motion(target), stamp)  # now that the frame is on its way, nothing waits for it
        if self._active:  # nobody asks then, and reading each message costs
            return
        angles = led_angles(serialized)
        if angles is not None:
            self._posture.lead(angles, self._planned)

    # One frame

    def _planned_feet(self, message: MultiDOFJointState) -> None:
        try:
            self._planned, self._shift = self._plan_of(message)
        except TargetError as error:
            self.get_logger().warning(f"planned feet refused: {error}", throttle_duration_sec=1.0)
            return
        if self._active:
            target, _ = self._wanted()
            feet = self._posture.step(target, self._planned, self._shift, self._period)
        else:
            feet = self._posture.led_feet
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
            raise TargetError(f"there is no {missing[0]}; {', '.join(PLANNED)} are wanted, each with its transform")
        feet = tuple(near_place(places[leg].translation) for leg in LEGS)
        shift = places["base_link"]
        return feet, Pose(near_place(shift.translation), rotation_of(shift.rotation))

    # What it says

    def _motion(self, target: Pose) -> str:
        if not self._active:
            return WAITING
        if self._posture.stop:
            return STOPPED
        return ARRIVED if self._posture.pose == target else MOVING

    def health(self) -> Health:
        target, stamp = self._wanted()
        motion = self._motion(target)
        posture, stop = self._posture, self._posture.stop
        message = SENTENCES[motion].format(pose=posture.pose, axes=" and ".join(posture.short_of), stop=stop)
        level = DiagnosticStatus.WARN if motion == STOPPED else DiagnosticStatus.OK
        if self._refusal:
            message, level = self._refusal, DiagnosticStatus.WARN
        values = {
            "target_stamp": stamp,
            "refused_stamp": self._refused_stamp,
            "asker": "teleop/base_target" if self._teleop_counts() else "base_target" if stamp else "",
            "asked": _in_words(target),
            "planned": _in_words(self._posture.pose),
            "motion": motion,
            "stopped_by": stop.limit.value if stop else "",
            "stopped_parts": " ".join(stop.parts) if stop else "",
            "short_of": " ".join(posture.short_of),
        }
        return Health(message, values, level)


def _in_words(pose: Pose) -> str:
    return " ".join(f"{value:.5f}" for value in (*pose.position, *pose.rpy))


main = main_of(BaseMotion)
