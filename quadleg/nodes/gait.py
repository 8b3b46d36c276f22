"""gait: the metronome of the control graph; says where each foot is planned to be."""

from __future__ import annotations

from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from math import hypot, inf
from typing import Any

from diagnostic_msgs.msg import DiagnosticStatus
from geometry_msgs.msg import Transform, Twist, Wrench
from nav_msgs.msg import Odometry
from sensor_msgs.msg import Imu, JointState, MultiDOFJointState
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.estimation.tilt import Tilt
from quadleg.gait.planner import GaitPlan
from quadleg.gait.stability import froude_number
from quadleg.gait.velocity_selection import (
    VelocityCommand,
    WalkDirection,
    cannot_in_words,
    velocity_in_words,
    ways_left_out,
)
from quadleg.gait.walk_obstacles import Obstacle
from quadleg.gait.walker import Walker
from quadleg.gait.walking_limits import RAMP_STRIDES, WalkingLimits
from quadleg.geometry.planar import ZERO_TWIST, Planar
from quadleg.geometry.vectors import Vector
from quadleg.health import Health
from quadleg.kinematics.body_pose import all_forward
from quadleg.middleware.interface import Middleware, RawMessage
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.process_host import main_of
from quadleg.middleware.topics import (
    JOINT_STATES,
    LATCHED,
    LATEST,
    SENSOR_DATA,
    known_pose,
    led_angles,
    split_state,
)
from quadleg.nodes.imu_tilt import tilt_of
from quadleg.nodes.velocity_inputs import VelocityInputs
from quadleg.robot.model import JOINT_NAMES, LEGS
from quadleg.safety.transitions import standing_over

LOOK_PERIOD = 0.25  # s between looks at who publishes `cmd_vel`
UP_FRESH = 0.5  # s that a vertical counts after it was heard of
MARGIN_TIME = 2.0  # s over which the least margin is said: a stride or more
LEVEL, ALONG = "level", "along"


class Gait(QuadlegNode):
    """Publishes `planned_feet` once a control period: standing, or walking with the velocity that is asked for."""

    sole_topics = ("planned_feet", "walking_limits")

    def __init__(self, middleware: Middleware, name: str = "gait", parameters: dict[str, Any] | None = None) -> None:
        super().__init__(middleware, name, parameters)
        self._period = period = self.declare_period()
        self.declare("paused", False, "Stop the metronome; the watchdog then holds the robot", fixed=False)
        self._gaits = {gait.name: gait for gait in self.robot.gaits}
        names = ", ".join(self._gaits)
        self._chosen = self.declare("gait", self.robot.gaits[0].name, f"How it walks: {names}", fixed=False)
        if self._chosen not in self._gaits:
            raise ValueError(f"parameter gait is '{self._chosen}'; it must be one of {names}")
        on_slope = self.declare("body_on_slope", LEVEL, f"The body on a slope: {LEVEL}, or {ALONG} the ground")
        if on_slope not in (LEVEL, ALONG):
            raise ValueError(f"parameter body_on_slope is '{on_slope}'; it must be {LEVEL} or {ALONG}")
        keep = self.declare("keep_course", True, "With an estimate on odom, give back what the walk slips and turns")
        self._limits: dict[str, Future[WalkingLimits]] = {}
        self._worker = ThreadPoolExecutor(1)
        for gait in sorted(self.robot.gaits, key=lambda gait: gait.name != self._chosen):
            self._limits[gait.name] = self._worker.submit(WalkingLimits, self.robot, gait)
        limits = self._limits[self._chosen].result()
        self._walker = Walker(self.robot, limits, period, keep, on_slope == LEVEL)
        self._planner = self._walker.planner
        self._tilt = Tilt(self.robot)
        self._imu_at = -inf
        self._odom: tuple[RawMessage | None, float] = (None, -inf)  # the last message, and when it came
        self._active = False
        self._use = 0.0
        self._asked = VelocityCommand()
        self._margins: deque[float] = deque(maxlen=round(MARGIN_TIME / period))
        self._margins.append(self._walker.margin)
        self._feet = self.create_publisher(MultiDOFJointState, "planned_feet", LATEST)
        self._walking_limits = self.create_publisher(String, "walking_limits", LATCHED)
        self._message = self._empty_message()
        self._say_limits()
        self._velocities = VelocityInputs(self)
        self.subscribe(String, "state", self._state, LATCHED)
        self.subscribe(JointTrajectory, "joint_commands", self._joint_commands, LATEST, raw=True)
        self.subscribe(JointState, "joint_states", self._joint_states, JOINT_STATES, raw=True)
        self.subscribe(Imu, "imu/data", self._imu, SENSOR_DATA)
        self.subscribe(Odometry, "odom", self._estimate, LATEST, raw=True)
        self.handle.check_changes(self._check_change)
        self.every(period, self._tick)
        self.every(LOOK_PERIOD, self._velocities.look)

    # What is asked

    def _check_change(self, name: str, value: Any) -> str:
        if name == "gait":
            if value not in self._gaits:
                return f"there is no gait '{value}'; there are {', '.join(self._gaits)}"
            limits = self._limits[value]
            if limits.done() and (trouble := limits.result().trouble):
                return trouble
            self._chosen = value
        return ""

    # While the watchdog leads, the plan stands on the feet as they are, so that there is no step when it lets go

    def _state(self, message: String) -> None:
        state, _ = split_state(message.data)
        self._active = state == "active"
        if state in ("off", "fault"):
            self._walker.stand_on(self.robot.standing.feet)

    def _joint_commands(self, message: RawMessage) -> None:
        # Now that the frame is on its way, nothing waits for it.
        refusal = self._velocities.refusal
        self.say_changes(self._walks(), self._use > 1.0, self._left_out, self._asked.source, refusal)
        if self._active:
            return
        angles = led_angles(message)
        if angles is not None:
            _, feet = standing_over(self.robot, all_forward(self.robot, angles))
            self._walker.stand_on(feet)

    # What is known of the body

    def _estimate(self, message: RawMessage) -> None:
        now = self.steady_time()
        self._odom = message, now
        if self._walker.wants_place():  # else nobody asks, and reading each message costs
            pose = known_pose(message.read())
            if pose:
                self._walker.found(pose, now)

    def _imu(self, message: Imu) -> None:
        now = self.steady_time()
        if tilt_of(self._tilt, message, now) is not None:
            self._imu_at = now

    def _joint_states(self, raw: RawMessage) -> None:
        now = self.steady_time()
        if not self._active or not self._walker.wants_look(now):
            return
        message = raw.read()
        angles = dict(zip(message.name, message.position))
        if all(name in angles for name in JOINT_NAMES):
            self._walker.look([angles[name] for name in JOINT_NAMES], self._up(now), now)

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
        limits = self._limits[self._chosen]
        before = self._planner.limits
        if limits.done():
            self._planner.change(limits.result())
        now = self.steady_time()
        self._asked = self._velocities.commands.wanted(now)
        self._use = self._walker.step(self._asked.twist if self._active else None, now)
        self._margins.append(self._walker.margin)
        self._publish(self._walker.plan)
        if self._planner.limits is not before:
            self._say_limits()

    def _empty_message(self) -> MultiDOFJointState:
        message = MultiDOFJointState(joint_names=[*LEGS, "base_link"])
        message.header.frame_id = self.prefix + "base_footprint"
        message.transforms = [Transform() for _ in message.joint_names]
        message.twist = [Twist() for _ in message.joint_names]
        message.wrench = [Wrench() for _ in message.joint_names]
        return message

    def _publish(self, plan: GaitPlan) -> None:
        message = self._message
        message.header.stamp = self.stamp()
        weight = self.robot.masses.total * STANDARD_GRAVITY
        for i, (foot, velocity, load) in enumerate(zip(plan.feet, plan.velocities, plan.loads)):
            place, speed = message.transforms[i].translation, message.twist[i].linear
            place.x, place.y, place.z = foot
            speed.x, speed.y, speed.z = velocity
            message.wrench[i].force.z = weight * load
        shift = self._walker.shift
        place, turn = message.transforms[-1].translation, message.transforms[-1].rotation
        place.x, place.y, place.z = shift.position
        turn.w, turn.x, turn.y, turn.z = shift.quaternion
        # The frame itself moves over the ground with this velocity.
        going = message.twist[-1]
        going.linear.x, going.linear.y, going.angular.z = self._planner.twist
        self._feet.publish(message)

    # What it says

    def _say_limits(self) -> None:
        self._walking_limits.publish(String(data=self._planner.limits.in_words(tuple(self._gaits))))

    @property
    def _left_out(self) -> tuple[WalkDirection, ...]:
        """The ways asked for in which the limit is zero."""
        asked = self._asked.twist if self._active else ZERO_TWIST
        return ways_left_out(asked, self._planner.limits.possible(asked))

    @property
    def _scale(self) -> float:
        """The share of the velocity asked for that is walked, without the ways left out; 0 where nothing is left."""
        nothing = self._left_out and self._planner.limits.possible(self._asked.twist) == ZERO_TWIST
        return 0.0 if nothing else 1.0 / max(self._use, 1.0)

    def _walks(self) -> str:
        planner = self._planner
        if planner.settled:
            return "stands"
        if not planner.walking or planner.gait_changes or (self._asked.twist == ZERO_TWIST and self._active):
            return "stops"
        return "walks"

    def health(self) -> Health:
        planner = self._planner
        limits = planner.limits
        margin = min(self._margins)
        values = {
            "gait": limits.gait.name,
            "gait_asked": self._chosen,
            "motion": self._walks(),
            "asked": _numbers(self._asked.twist),
            "asker": self._asked.source,
            "asker_stamp": self._asked.stamp,
            "scale": f"{self._scale:.4f}",
            "left_out": " ".join(way.value for way in self._left_out),
            "planned": _numbers(planner.twist),
            "limits_forward": _numbers(limits.forward),
            "limits_backward": _numbers(limits.backward),
            "footprint_mm": " ".join(f"{2000 * half:.0f}" for half in limits.footprint),
            "ramp_s": f"{RAMP_STRIDES * limits.gait.stride_period:.3f}",
            "margin_mm": f"{1000 * margin:.1f}",
            "froude_number": f"{froude_number(hypot(*planner.twist[:2]), self.robot.standing.height):.4f}",
            "slope_deg": f"{self._walker.slope:.1f}",
        }
        obstacle, why = self._obstacle(margin)
        values |= {"obstacle": obstacle.value, "trouble": limits.trouble or ""}
        if why:
            return Health(why, values, DiagnosticStatus.WARN)
        return Health(self._in_words(), values)

    def _obstacle(self, margin: float) -> tuple[Obstacle, str]:
        """What keeps the robot from walking as it is asked to; with a sentence where a person has to act on it."""
        if self.get_parameter("paused"):
            return Obstacle.PAUSED, "paused by its parameter"
        if unclear := self._velocities.unclear(self._asked.source):
            return unclear
        limits = self._planner.limits
        if limits.trouble:
            return Obstacle.CANNOT_WALK, limits.trouble if self._asked.source else ""
        if self._planner.walking and limits.margin is not None and margin < limits.margin / 2:
            leaning = f"the body leans so far that {1000 * margin:.0f} mm are left until the robot would tip over"
            return Obstacle.LEANS, leaning
        if not self._active:
            return Obstacle.NOT_ACTIVE, ""
        return self._beyond_limits()

    def _beyond_limits(self) -> tuple[Obstacle, str]:
        if self._left_out:
            gait = self._planner.limits.gait.name
            return Obstacle.WAY_IMPOSSIBLE, "" if self._scale else cannot_in_words(self._left_out, gait)
        return (Obstacle.TOO_FAST if self._use > 1.0 else Obstacle.NONE), ""

    def _in_words(self) -> str:
        planner = self._planner
        gait, motion = planner.limits.gait.name, self._walks()
        if planner.gait_changes:
            return f"changes from {gait} to {self._chosen} as soon as it stands square"
        if motion != "walks":
            return {"stands": "stands", "stops": "stops in a square stance"}[motion]
        words = f"walks in the {gait}, {velocity_in_words(planner.twist)}"
        if self._use > 1.0:
            words += f"; asked for {velocity_in_words(self._asked.twist)}, which is {self._use:.1f} times too fast"
        if self._left_out:
            words += f"; {cannot_in_words(self._left_out, gait)}"
        return words

    def close(self) -> None:
        self._worker.shutdown(cancel_futures=True)
        super().close()


def _numbers(values: Planar) -> str:
    return " ".join(f"{value:.4f}" for value in values)


main = main_of(Gait)
