"""gait: the metronome of the control graph; says where each foot is planned to be."""

from __future__ import annotations

from math import inf, isfinite
from typing import Any

from sensor_msgs.msg import Imu
from std_msgs.msg import String

from quadleg.estimation.tilt import Tilt
from quadleg.gait.gait_selection import GaitSelection
from quadleg.gait.velocity_selection import VelocityCommands
from quadleg.gait.walk_controller import WalkController
from quadleg.geometry.vectors import Vector
from quadleg.health import Health
from quadleg.kinematics.body_pose import all_forward
from quadleg.middleware.interface import Middleware, RawMessage
from quadleg.middleware.joint_messages import angles_of
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.planned_feet import PlannedFeetMessage
from quadleg.middleware.process_host import main_of
from quadleg.middleware.status_topic import hear_status
from quadleg.middleware.topics import known_pose, led_angles
from quadleg.nodes.imu_tilt import tilt_of
from quadleg.nodes.velocity_inputs import VelocityInputs
from quadleg.safety.catalogue import Reason
from quadleg.safety.transitions import standing_over

LOOK_PERIOD = 0.25  # s between looks at who publishes `cmd_vel`
UP_FRESH = 0.5  # s that a vertical counts after it was heard of
LEVEL, ALONG = "level", "along"


class Gait(QuadlegNode):
    """Publishes `planned_feet` once a control period: standing, or walking with the velocity that is asked for."""

    sole_topics = ("planned_feet", "walking_limits")
    has_state = True

    def __init__(self, middleware: Middleware, name: str = "gait", parameters: dict[str, Any] | None = None) -> None:
        super().__init__(middleware, name, parameters)
        period = self.declare_period()
        self.declare("paused", False, "Stop the metronome; the watchdog then holds the robot", fixed=False)
        about = f"How it walks: {', '.join(gait.name for gait in self.robot.gaits)}"
        chosen = self.declare("gait", self.robot.gaits[0].name, about, fixed=False)
        self._gaits = GaitSelection(self.robot, chosen, self.start_worker)
        on_slope = self.declare("body_on_slope", LEVEL, f"The body on a slope: {LEVEL}, or {ALONG} the ground")
        if on_slope not in (LEVEL, ALONG):
            raise ValueError(f"parameter body_on_slope is '{on_slope}'; it must be {LEVEL} or {ALONG}")
        about = "With an estimate on odom, give back what the walk slips and turns"
        keep = self.declare("keep_course", True, about, fixed=False)
        velocities = VelocityCommands()
        self._walk = WalkController(self.robot, self._gaits, velocities, period, keep, on_slope == LEVEL)
        self._tilt = Tilt(self.robot)
        self._imu_at = -inf
        self._odom: tuple[RawMessage | None, float] = (None, -inf)  # the last message, and when it came
        self._feet = self.advertise("planned_feet")
        self._walking_limits = self.advertise("walking_limits")
        self._message = PlannedFeetMessage(self.robot, self.prefix)
        self._say_limits()
        inputs = VelocityInputs(self, velocities)
        hear_status(self.subscribe, "joint_watchdog", lambda said: self._walk.follow_state(said.state))
        self.listen("joint_commands", self._joint_commands, raw=True)
        self.listen("joint_states", self._joint_states, raw=True)
        self.listen("imu/data", self._imu)
        self.listen("odom", self._estimate, raw=True)
        self.handle.check_changes(self._check_change)
        self.every(period, self._tick)
        self.every(LOOK_PERIOD, inputs.look)

    def _joint_commands(self, message: RawMessage) -> None:
        self.say_changes(*self._walk.progress())  # now that the frame is on its way, nothing waits for it
        if self._walk.active:
            return
        angles = led_angles(message)
        if angles is not None:
            _, feet = standing_over(self.robot, all_forward(self.robot, angles))
            self._walk.walker.stand_on(feet)

    def _check_change(self, name: str, value: Any) -> str:
        """Why a parameter may not change so, or an empty text."""
        refusal = self._gaits.choose(value) if name == "gait" else None
        return str(Reason.of_fact(refusal)) if refusal else ""

    # What is known of the body

    def _estimate(self, message: RawMessage) -> None:
        now = self.steady_time()
        self._odom = message, now
        if self._walk.walker.uses_pose():  # else it is not used, and reading each message costs
            pose = known_pose(message.read())
            if pose:
                self._walk.walker.update_pose(pose, now)

    def _imu(self, message: Imu) -> None:
        now = self.steady_time()
        if tilt_of(self._tilt, message, now) is not None:
            self._imu_at = now

    def _joint_states(self, raw: RawMessage) -> None:
        now = self.steady_time()
        if not self._walk.active or not self._walk.walker.body_update_due(now):
            return
        angles = angles_of(raw.read())
        if all(map(isfinite, angles)):
            self._walk.walker.update_body(angles, self._up(now), now)

    def _up(self, now: float) -> Vector | None:
        """The vertical in base_link: the estimate knows what of the acceleration is gravity; else by the IMU alone."""
        message, heard = self._odom
        pose = known_pose(message.read()) if message and now - heard < UP_FRESH else None
        if pose:
            return pose.matrix[2]
        return self._tilt.up if now - self._imu_at < UP_FRESH else None

    # One tick

    def _tick(self) -> None:
        if self.get_parameter("paused"):
            return
        before = self._walk.limits
        self._walk.walker.keep_course = self.get_parameter("keep_course")
        self._walk.step(self.steady_time())
        walker = self._walk.walker
        self._feet.publish(self._message.fill(self.stamp(), walker.plan, walker.shift))
        if self._walk.limits is not before:
            self._say_limits()

    def _say_limits(self) -> None:
        self._walking_limits.publish(String(data=self._walk.limits.in_words(self._gaits.names)))

    def health(self) -> Health:
        source = self._walk.source
        publishers = self.count_publishers(source) if source else 0
        return self._walk.health(self.steady_time(), self.get_parameter("paused"), publishers)

    def close(self) -> None:
        self._gaits.close()
        super().close()


main = main_of(Gait)
