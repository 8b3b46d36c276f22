"""A running stack whose robot stands and moves its body, from a Python script."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from math import radians
from typing import Any

from quadleg.cautions import MAY_BE_POWERED
from quadleg.client.connection import StackConnection
from quadleg.client.keywords import check_height, check_numbers, keywords_only
from quadleg.client.listener import ANSWER_WITHIN, HEARD_WITHIN
from quadleg.client.posing import HOLD_PATIENCE, PoseRequest, over_feet, pose_from_words
from quadleg.client.results import EstimateSource, PoseResult
from quadleg.client.snapshot import SERVO_OUTPUT, WATCHDOG
from quadleg.client.spinner import Spinner
from quadleg.errors import NotReached, Refused, StackNotFound
from quadleg.geometry.transforms import Pose
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.robot_file.load import find_robot, load_robot
from quadleg.safety.stop_socket import stop_here

STOP_WITHIN = 2.0  # s
KEPT_WITHIN = 15.0  # s for a minute to be written, to a slow disk too
STAND_WITHIN = 20.0  # s: rising takes at most 15
SIT_WITHIN = 30.0  # s
POSE_WITHIN = 30.0  # s
TAKEN_WITHIN = 0.5  # s, after which a base target that base_motion does not follow is sent again
WHAT_FIRST = {"off": "`stand` first", "fault": "`reset`, then `stand`", "hold": "`stand` goes on"}
JOINTS = {"measured": EstimateSource.MEASURED_JOINTS, "modelled": EstimateSource.MODELLED_JOINTS}


class PosedRobot(StackConnection):
    """One running stack whose robot stands, moves its body over its feet and sits down.

    `stand` and `pose` take keywords only, with the unit in the name, and return a frozen result: asked, reached, error,
    and by what that is known. Numbers that are not finite or make no sense raise Refused.
    """

    def __init__(self, namespace: str = "", spinner: Spinner | None = None) -> None:
        super().__init__(namespace, spinner)
        self._target = self.advertise("base_target")

    @cached_property
    def model(self) -> RobotModel:
        """The robot that the stack runs, from its robot file on this computer."""
        (robot_file,) = self.parameters("servo_output", "robot")
        return load_robot(find_robot(robot_file))

    @cached_property
    def board_kind(self) -> str:
        """Return the kind of the stack's PWM board, such as `simulated`. Raises StackNotFound."""
        (instead,) = self.parameters("servo_output", "board")
        return instead or self.model.board.kind

    @cached_property
    def frame(self) -> str:
        """The name of the stack's base_footprint."""
        (prefix,) = self.parameters("servo_output", "frame_prefix")
        return f"{prefix}base_footprint"

    # Standing and posing

    @keywords_only()
    def stand(self, *, height_mm: float | None = None) -> PoseResult:
        """Power the robot where it is off, rise, and go to the height with the body level and centred.

        The legs have to be in the resting pose before a robot that is off is powered. Raises Refused (a
        fault wants `reset` first), NotReached or StackNotFound.
        """
        if height_mm is not None:
            check_height(height_mm)
        self.wait(self._everyone, HEARD_WITHIN, self._who_is_missing)
        if self.last.state != "active":
            self.wait(
                lambda: self.last.state != "off" or self.last.codes(WATCHDOG).get("servo_output") == "following",
                ANSWER_WITHIN,
                lambda: "servo_output does not follow",
            )
            asked = self.steady_time()
            self.enable(True)
            self.wait(
                lambda: self.last.state == "active" or (self._is_off() and self.last.state_since > asked),
                STAND_WITHIN,
                lambda: f"not up within {STAND_WITHIN:g} s",
                NotReached,
            )
            if self._is_off():
                raise NotReached(f"it did not get up: {self.last.robot}")
        return self.pose(height_mm=height_mm)

    @keywords_only()
    def pose(
        self,
        *,
        height_mm: float | None = None,
        x_mm: float = 0.0,
        y_mm: float = 0.0,
        roll_deg: float = 0.0,
        pitch_deg: float = 0.0,
        yaw_deg: float = 0.0,
    ) -> PoseResult:
        """Move the body over its standing feet. What is not given is the standing height, centred, level.

        Angles turn about the fixed axes x, y, z in this order; a positive pitch lowers the front. Raises
        Refused, NotReached (the robot then is as far along the way as it can be), Overridden or StackNotFound.
        """
        check_numbers(x_mm=x_mm, y_mm=y_mm, roll_deg=roll_deg, pitch_deg=pitch_deg, yaw_deg=yaw_deg)
        if height_mm is not None:
            check_height(height_mm)
        self.wait(self._everyone, HEARD_WITHIN, self._who_is_missing)
        self._need_active()
        if height_mm is None:
            height_mm = 1000 * self.model.standing.height
        turns = map(radians, (roll_deg, pitch_deg, yaw_deg))
        asked = Pose.from_rpy(x_mm / 1000, y_mm / 1000, height_mm / 1000, *turns)
        self.wait_for_listener(self._target, "base_target")
        from quadleg.middleware.topics import nanoseconds

        stamp = self.send(asked)
        request = PoseRequest(nanoseconds(stamp))
        self._insist(asked, stamp, request)
        self.wait(
            lambda: request.arrived(self.last, self.steady_time()),
            POSE_WITHIN,
            lambda: f"no arrival within {POSE_WITHIN:g} s; base_motion: {self.last.message('base_motion')}",
            NotReached,
        )
        self.wait(
            lambda: request.reached(self.last, self.steady_time(), self.model),
            ANSWER_WITHIN,
            lambda: f"the servos do not come to the planned pose; the joints are at {self.reached()}",
            NotReached,
        )
        joints = self.last.codes(SERVO_OUTPUT).get("joint_angles", "modelled")
        return PoseResult(asked, self.reached(), JOINTS[joints], request.following.shortfall)

    def _insist(self, pose: Pose, stamp: Any, request: PoseRequest) -> None:
        """Send a target again until base_motion follows it: one sent while ROS still matches may be lost."""
        deadline = self.steady_time() + ANSWER_WITHIN
        while True:
            try:
                return self.wait(lambda: request.taken(self.last), TAKEN_WITHIN, lambda: "base_motion takes no target")
            except StackNotFound:
                if self.steady_time() > deadline:
                    raise
            self._need_active()
            self.send(pose, stamp)

    def send(self, pose: Pose, stamp: Any = None) -> Any:
        """Publish a base target and do not wait for it: for targets that stream. Return its stamp (None: now)."""
        from geometry_msgs.msg import PoseStamped

        message = PoseStamped()
        message.header.frame_id = self.frame
        message.header.stamp = stamp = stamp or self.node.stamp()
        p, q = message.pose.position, message.pose.orientation
        p.x, p.y, p.z = pose.position
        q.w, q.x, q.y, q.z = pose.quaternion
        self._stir()
        self._target.publish(message)
        return stamp

    def asked(self) -> Pose | None:
        """The pose that base_motion is asked for, None before its first diagnostics."""
        return pose_from_words(self.last.values("base_motion").get("asked", ""))

    def reached(self) -> Pose:
        """The body's pose over its standing feet by forward kinematics of joint_states; raises StackNotFound."""
        self.wait(lambda: len(self.last.angles) >= len(JOINT_NAMES), HEARD_WITHIN, lambda: "no joint_states")
        return self.pose_of(self.last.angles)

    def pose_of(self, angles: Mapping[str, float]) -> Pose:
        """The body's pose over its standing feet with the joints at `angles` (rad)."""
        return over_feet(self.model, angles)

    def sit(self) -> None:
        """Lower the body to the resting pose and switch the servos off. Raises Refused, NotReached or StackNotFound."""
        self.wait(lambda: self.last.state is not None, HEARD_WITHIN, self._who_is_missing)
        if self._is_off():
            raise Refused(f"{self.last.robot} already")
        asked = self.steady_time()
        self.enable(False)

        def over() -> bool:
            up_again = self.last.state in ("rising", "active") and self.last.state_since > asked
            return self._is_off() or up_again

        self.wait(over, SIT_WITHIN, lambda: f"not down after {SIT_WITHIN:g} s", NotReached)
        if not self._is_off():
            raise NotReached(f"the robot was asked to stand again while it sat down; {self.last.robot}")

    def stop(self) -> None:
        """Emergency stop: pulses off at once. `reset` and then `stand` start again.

        By the stop socket where the robot is on this computer, and over ROS as well. Raises Refused where the board
        does not take it, and StackNotFound where nothing answers.
        """
        # In simulated time no process is another's, and a real robot of the same name is none of ours.
        here = stop_here(self.node.get_namespace()) if self._spinner.middleware.domain is not None else []
        try:
            self.call("emergency_stop", STOP_WITHIN, urgent=True)
        except StackNotFound as error:
            if here and all(done for done, _ in here):
                return
            raise StackNotFound(f"{error}. {MAY_BE_POWERED}") from None

    def keep(self) -> str:
        """Save the last minute of all topics; where, in words. Raises Refused, or StackNotFound without a recorder."""
        return self.call("recorder/keep", KEPT_WITHIN)

    def reset(self) -> str:
        """Leave a fault; what to do next, in words. The legs have to be in the resting pose to stand again."""
        message = self.call("reset")
        self.wait(lambda: self.last.state != "fault", ANSWER_WITHIN, lambda: "the fault stays", NotReached)
        self.wait(
            lambda: self.last.servo_state == "following",
            ANSWER_WITHIN,
            lambda: "the fault is left, and servo_output does not follow the watchdog again",
            NotReached,
        )
        return message

    # Judging

    def enable(self, on: bool) -> None:
        """Ask the watchdog to rise or go on (`on`), or to lower the robot, and do not wait for it; raises Refused."""
        self.call("enable", data=on)

    def _everyone(self) -> bool:
        now = self.last
        heard = now.state is not None and now.servo_state is not None and "base_motion" in now.diagnostics
        return heard and self._target.get_subscription_count() > 0

    def _is_off(self) -> bool:
        return self.last.state in ("off", "fault")

    def _need_active(self) -> None:
        """Raise Refused unless the robot is active; a hold may end by itself, so it is given its time."""
        self._spinner.wait(lambda: self.last.state != "hold", HOLD_PATIENCE)
        if self.last.state != "active":
            first = WHAT_FIRST.get(self.last.state or "", "try again when it is active")
            raise Refused(f"{self.last.robot}; {first}")
