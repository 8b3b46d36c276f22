"""`Robot`: a running stack from a Python script. Each call returns when it is done or raises with the reason.

from quadleg.client import Robot

with Robot() as robot:
    robot.stand(height_mm=150)
    robot.pose(height_mm=140, pitch_deg=5)
    robot.walk(vx=0.05, seconds=4)
    robot.sit()
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import acos, copysign, degrees, hypot, inf, isfinite, radians, remainder, tau
from numbers import Real
from types import TracebackType
from typing import Any

from quadleg.errors import NotHeard, NotReached, Refused
from quadleg.estimation.footprint import footprint
from quadleg.graph import check_namespace, find_each_other_soon, stay_local
from quadleg.kinematics.body import Pose, all_forward, pose_from_feet
from quadleg.kinematics.planar import STILL, Planar, compose, motion, seen_from
from quadleg.robot.load import find_robot, load_robot
from quadleg.robot.model import JOINT_NAMES, LEGS
from quadleg.robot.model import Robot as Model
from quadleg.runner import need_ros
from quadleg.safety.stop_socket import stop_here

HEARD_WITHIN = 5.0  # s for a running stack to be found
STOP_WITHIN = 2.0
ANSWER_WITHIN = 5.0  # s for a service to answer
KEPT_WITHIN = 15.0  # s for a minute to be written, to a slow disk too
STAND_WITHIN = 20.0
SIT_WITHIN = 30.0
POSE_WITHIN = 30.0
WHAT_FIRST = {"off": "`stand` first", "fault": "`reset`, then `stand`", "hold": "`stand` goes on"}
HOLD_PATIENCE = 3.0  # a hold for missing frames goes on or lowers before that
POSITION_TOLERANCE = 0.006  # m between the planned pose and what the servos did: under load they give way
STILL_ANGLE = 5e-4  # rad between two messages, below which a joint stands still
TURN_TOLERANCE = radians(1.0)
VELOCITY_PERIOD = 0.05
STOP_WALKING_WITHIN = 15.0  # a stride or two
WALK_PATIENCE = 20.0
STOPS_WITHIN = (0.003, radians(0.5))  # m, rad of the goal, by the plan
STOPS_WITHIN_BY_ODOM = (0.005, radians(1.5))  # it wavers with each step
ARRIVED_WITHIN = (0.015, radians(3.0))  # with its last steps a robot slips a little
ODOM_FRESH = 0.5  # s
LOOKERS_ON = ("recorder_ears", "viewer")  # nodes that hear what they do not act on
SIMULATED = "simulated"  # the one kind of board that moves nothing


@dataclass
class Snapshot:
    """What is known of the running stack. Times are those of the steady clock, in s."""

    state: str | None = None
    state_since: float = 0.0
    why: str = ""
    servo_state: str | None = None
    servo_why: str = ""
    angles: dict[str, float] = field(default_factory=dict)
    still: bool = False
    diagnostics: dict[str, tuple[Any, float]] = field(default_factory=dict)

    def values(self, node: str) -> dict[str, str]:
        """The figures in a node's last diagnostics; empty before the first."""
        status, _ = self.diagnostics.get(node, (None, 0.0))
        return {pair.key: pair.value for pair in status.values} if status else {}


class Robot:
    """One running stack, found by its `namespace`. `node` is the rclpy node that listens, in a thread of its own.

    Raises RosMissing without ROS, and NotHeard where no stack is found within five seconds.
    """

    def __init__(self, namespace: str = "") -> None:
        need_ros()
        check_namespace(namespace)
        stay_local()
        find_each_other_soon()
        import rclpy
        from diagnostic_msgs.msg import DiagnosticArray
        from geometry_msgs.msg import PoseStamped
        from rclpy.experimental import EventsExecutor
        from rclpy.signals import SignalHandlerOptions
        from sensor_msgs.msg import JointState
        from std_msgs.msg import String
        from std_srvs.srv import SetBool, Trigger

        from quadleg.nodes.topics import JOINT_STATES, LATCHED, LATEST

        self._news = threading.Condition()
        self._now = Snapshot()
        self._asked = 0
        # The joints' angles (rad), and the stamp (s) of the system clock that they have.
        self.on_angles: Callable[[dict[str, float], float], None] | None = None
        self.on_state: Callable[[str], None] | None = None
        self.on_plan: Callable[[Any], None] | None = None  # each message of `planned_feet`, while it walks
        self._context = rclpy.Context()
        rclpy.init(context=self._context, signal_handler_options=SignalHandlerOptions.NO)
        self.node = rclpy.create_node("quadleg_client", context=self._context, namespace=namespace)
        subscribe = self.node.create_subscription
        subscribe(String, "state", self._on_state, LATCHED)
        subscribe(String, "servo_state", self._on_servo_state, LATCHED)
        subscribe(JointState, "joint_states", self._on_joint_states, JOINT_STATES)
        subscribe(DiagnosticArray, "diagnostics", self._on_diagnostics, 10)
        self._target = self.node.create_publisher(PoseStamped, "base_target", LATEST)
        self._enable = self.node.create_client(SetBool, "enable")
        self._reset = self.node.create_client(Trigger, "reset")
        self._emergency_stop = self.node.create_client(Trigger, "emergency_stop")
        self._executor = EventsExecutor(context=self._context)
        self._executor.add_node(self.node)
        self._closed = False
        self._thread = threading.Thread(target=self._spin, name="quadleg_client", daemon=True)
        self._thread.start()
        try:
            # Not more than this: an emergency stop must not wait for a node that has died.
            self._wait(self._anyone, HEARD_WITHIN, self._who_is_missing)
        except BaseException:  # an interrupt too: the thread must not outlive the interpreter
            self.close()
            raise

    def __enter__(self) -> Robot:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Leaves the stack as it is and frees the connection."""
        self._closed = True
        self._thread.join()
        self._executor.shutdown()
        self.node.destroy_node()
        self._context.try_shutdown()

    @cached_property
    def model(self) -> Model:
        """The robot that the stack runs, from its robot file on this computer."""
        (robot_file,) = self._parameters("servo_output", "robot")
        return load_robot(find_robot(robot_file))

    @cached_property
    def board_kind(self) -> str:
        """What carries the bytes to the stack's PWM board, such as `simulated`. Raises NotHeard."""
        (instead,) = self._parameters("servo_output", "board")
        return instead or self.model.board.kind

    @cached_property
    def frame(self) -> str:
        (prefix,) = self._parameters("servo_output", "frame_prefix")
        return f"{prefix}base_footprint"

    # What a person asks for

    def stand(self, height_mm: float | None = None) -> None:
        """Powers the robot where it is off, rises, and goes to the height with the body level and centred.

        The legs have to be in the resting pose before a robot that is off is powered. Raises Refused (a
        fault wants `reset` first), NotReached or NotHeard.
        """
        if height_mm is not None:
            _check_numbers(height_mm)
        self._wait(self._everyone, HEARD_WITHIN, self._who_is_missing)
        if self._now.state != "active":
            self._wait(
                lambda: (
                    self._now.state != "off" or self._now.values("joint_watchdog").get("servo_output") == "following"
                ),
                ANSWER_WITHIN,
                lambda: f"servo_output is {self._now.servo_state}: {self._now.servo_why}",
            )
            asked = time.monotonic()
            self._call_enable(True)
            self._wait(
                lambda: self._now.state == "active" or (self._is_off() and self._now.state_since > asked),
                STAND_WITHIN,
                lambda: f"not up within {STAND_WITHIN:g} s: {self._state_in_words()}",
            )
            if self._is_off():
                raise NotReached(f"it did not get up: {self._state_in_words()}")
        self.pose(height_mm=height_mm)

    def pose(
        self,
        height_mm: float | None = None,
        x_mm: float = 0.0,
        y_mm: float = 0.0,
        roll_deg: float = 0.0,
        pitch_deg: float = 0.0,
        yaw_deg: float = 0.0,
    ) -> None:
        """Moves the body over its standing feet. What is not given is the standing height, centred, level.

        Angles turn about the fixed axes x, y, z in this order; a positive pitch lowers the front. Raises
        Refused, NotReached (the robot then is as far along the way as it can be) or NotHeard.
        """
        self._wait(self._everyone, HEARD_WITHIN, self._who_is_missing)
        if height_mm is None:
            height_mm = 1000 * self.model.standing.height
        _check_numbers(height_mm, x_mm, y_mm, roll_deg, pitch_deg, yaw_deg)
        self._need_active()
        turns = map(radians, (roll_deg, pitch_deg, yaw_deg))
        self.wait_for_listener(self._target, "base_target")
        self.send(Pose.from_rpy(x_mm / 1000, y_mm / 1000, height_mm / 1000, *turns))
        self._wait(lambda: bool(self._arrived()), POSE_WITHIN, lambda: f"no arrival within {POSE_WITHIN:g} s")
        self._wait(self._servos_there, ANSWER_WITHIN, self._servos_astray)

    def send(self, pose: Pose) -> None:
        """Publishes a base target and does not wait for it: for targets that stream."""
        from geometry_msgs.msg import PoseStamped

        message = PoseStamped()
        stamp = self.node.get_clock().now()
        self._asked = stamp.nanoseconds
        message.header.stamp, message.header.frame_id = stamp.to_msg(), self.frame
        p, q = message.pose.position, message.pose.orientation
        p.x, p.y, p.z = pose.position
        q.w, q.x, q.y, q.z = pose.quaternion
        self._now.still = False
        self._target.publish(message)

    def sit(self) -> None:
        """Lowers the body to the resting pose and switches the servos off. Raises Refused or NotHeard."""
        self._wait(lambda: self._now.state is not None, HEARD_WITHIN, self._who_is_missing)
        if self._is_off():
            raise Refused(f"{self._state_in_words()} already")
        asked = time.monotonic()
        self._call_enable(False)

        def over() -> bool:
            up_again = self._now.state in ("rising", "active") and self._now.state_since > asked
            return self._is_off() or up_again

        self._wait(over, SIT_WITHIN, lambda: f"after {SIT_WITHIN:g} s {self._state_in_words()}")
        if not self._is_off():
            raise NotReached(f"the robot was asked to stand again while it sat down; {self._state_in_words()}")

    def stop(self) -> None:
        """Emergency stop: pulses off at once. `reset` and then `stand` start again.

        By the stop socket where the robot is on this computer, and over ROS as well. Raises Refused where the board
        does not take it, and NotHeard where nothing answers.
        """
        from std_srvs.srv import Trigger

        here = stop_here(self.node.get_namespace())
        try:
            self._call(self._emergency_stop, Trigger.Request(), STOP_WITHIN)
        except NotHeard as error:
            if here and all(done for done, _ in here):
                return
            raise NotHeard(f"{error}. The servos may be powered: open the switch in the servo supply NOW") from None

    def keep(self) -> str:
        """Saves the last minute of all topics; where, in words. Raises Refused, or NotHeard without a recorder."""
        from std_srvs.srv import Trigger

        return self._call(self.node.create_client(Trigger, "recorder/keep"), Trigger.Request(), KEPT_WITHIN)

    def reset(self) -> str:
        """Leaves a fault; what to do next, in words. The legs have to be in the resting pose to stand again."""
        from std_srvs.srv import Trigger

        message = self._call(self._reset, Trigger.Request())
        self._wait(lambda: self._now.state != "fault", ANSWER_WITHIN, lambda: "the fault stays")
        return message

    @property
    def last(self) -> Snapshot:
        """What was last heard, without waiting."""
        return self._now

    def status(self) -> Snapshot:
        """What the stack says of itself now, after its next diagnostics."""
        seen = {node: heard for node, (_, heard) in self._now.diagnostics.items()}
        wanted = ("base_motion", "joint_watchdog", "servo_output")
        deadline = time.monotonic() + 1.5

        def fresh() -> bool:
            late = time.monotonic() > deadline
            return late or all(self._now.diagnostics.get(n, (0, 0.0))[1] > seen.get(n, 0.0) for n in wanted)

        self._wait(fresh, ANSWER_WITHIN, lambda: "no diagnostics")
        return self._now

    def asked(self) -> Pose | None:
        """The pose that base_motion is asked for, None before its first diagnostics."""
        return pose_from_words(self._now.values("base_motion").get("asked", ""))

    def reached(self) -> Pose:
        """The body's pose over its standing feet by forward kinematics of joint_states; raises NotHeard."""
        self._wait(lambda: len(self._now.angles) >= 12, HEARD_WITHIN, lambda: "no joint_states")
        return self.pose_of(self._now.angles)

    def pose_of(self, angles: dict[str, float]) -> Pose:
        """The body's pose over its standing feet with the joints at `angles` (rad)."""
        feet = all_forward(self.model, [angles[name] for name in JOINT_NAMES])
        return pose_from_feet(feet, self.model.standing.feet)

    # Walking

    def choose_gait(self, gait: str) -> None:
        """Walks in another gait from now on; a walking robot first stops square. Raises Refused with the names."""
        self.set_parameter("gait", "gait", gait)
        self._wait(
            lambda: self._now.values("gait").get("gait") == gait,
            STOP_WALKING_WITHIN,
            lambda: f"the gait does not change: {self._status('gait')}",
        )

    def walk(self, vx: float = 0.0, vy: float = 0.0, yaw_rate: float = 0.0, seconds: float = 1.0) -> Planar:
        """Walks with a velocity (m/s forward, m/s to the left, rad/s to the left) for so long, then stops square.

        The time counts from the first velocity that somebody hears, and not while the robot holds. What is faster than
        the gait can go is scaled, keeping its direction. Where the robot has come to (m, m, rad), seen from where it
        began: by `odom` where somebody knows it, else by the plan. Raises Refused, NotReached or NotHeard.
        """
        _check_numbers(vx, vy, yaw_rate, seconds)
        left, before = seconds, None

        def twist(_: Way) -> Planar | None:
            nonlocal left, before
            now = time.monotonic()
            if before is not None and self._now.state == "active":
                left -= now - before
            before = now
            return (vx, vy, yaw_rate) if left > 0 else None

        return self._walk(twist, lambda _: True)

    def walk_to(self, x: float, y: float, heading: float = 0.0) -> Planar:
        """Walks to a place and heading (m, m, rad) seen from where it stands, again where it has slipped.

        Where the robot has come to, within 15 mm and 3°: by `odom` where somebody knows it, else by the plan. Raises
        Refused, NotReached or NotHeard.
        """
        _check_numbers(x, y, heading)
        fastest, ramp = self.planned_limits()
        patience = time.monotonic() + WALK_PATIENCE + 3 * _seconds_for((x, y, heading), fastest)

        def left(place: Planar) -> Planar:
            return (*seen_from(place, x, y), heading - place[2])

        def twist(way: Way) -> Planar | None:
            if time.monotonic() > patience:
                return None
            off = left(compose(way.place, way_to_rest(way.twist, fastest, ramp)))
            near = is_near(off, STOPS_WITHIN_BY_ODOM if way.estimated else STOPS_WITHIN)
            return None if near else approach_velocity(off, fastest, ramp)

        def arrived(way: Way) -> bool:
            off = left(way.place)
            near = is_near(off, ARRIVED_WITHIN)
            if not near and time.monotonic() > patience:
                far = f"{hypot(*off[:2]):.3f} m and {degrees(abs(off[2])):.1f}°"
                judge = "odometry" if way.estimated else "the plan"
                raise NotReached(f"still {far} away by {judge}; {self._status('gait')}")
            return near

        return self._walk(twist, arrived)

    def planned_limits(self) -> tuple[Planar, float]:
        """How fast the gait can go to both sides (m/s, m/s, rad/s), and how long it takes from rest to that, in s.

        Raises Refused for a robot that cannot walk, and NotHeard.
        """
        self._wait(lambda: bool(self._now.values("gait")), HEARD_WITHIN, lambda: "gait is not heard")
        values = self._now.values("gait")
        ahead, behind = _three(values["limits_forward"]), _three(values["limits_backward"])
        x, y, yaw = (min(a, -b) for a, b in zip(ahead, behind))
        if not (x and y and yaw):
            raise Refused(f"this robot cannot walk in the gait {values['gait']}; `quadleg status` says why")
        return (x, y, yaw), float(values["ramp_s"])

    def _walk(self, twist_at: Callable[[Way], Planar | None], arrived: Callable[[Way], bool]) -> Planar:
        """Publishes velocities until there is none and the robot, in the square stance, has arrived; its place then."""
        from geometry_msgs.msg import TwistStamped
        from nav_msgs.msg import Odometry
        from sensor_msgs.msg import MultiDOFJointState

        from quadleg.nodes.topics import LATEST

        self._wait(self._everyone, HEARD_WITHIN, self._who_is_missing)
        self._need_active()
        way = Way(self.model)
        velocities = self.node.create_publisher(TwistStamped, "cmd_vel", LATEST)

        def hear(plan: Any) -> None:
            way.hear_plan(plan)
            if self.on_plan:
                self.on_plan(plan)
            self._wake()

        feet = self.node.create_subscription(MultiDOFJointState, "planned_feet", hear, 10)
        odom = self.node.create_subscription(
            Odometry, "odom", lambda estimate: way.hear_estimate(estimate, self._now.angles), 10
        )
        message = TwistStamped()
        message.header.frame_id = self.frame
        going = message.twist

        def send(twist: Planar) -> None:
            message.header.stamp = self.node.get_clock().now().to_msg()
            going.linear.x, going.linear.y, going.angular.z = map(float, twist)
            velocities.publish(message)

        try:
            self.wait_for_listener(velocities, "cmd_vel")
            self._wait(lambda: way.heard, HEARD_WITHIN, lambda: "gait is not heard; is it running?")
            while True:
                while (twist := twist_at(way)) is not None:
                    self._judge_state()
                    send(twist)
                    time.sleep(VELOCITY_PERIOD)
                send(STILL)
                self.wait_until_it_stands()
                if arrived(way):
                    return way.place
        finally:
            send(STILL)
            self.node.destroy_subscription(feet)
            self.node.destroy_subscription(odom)
            self.node.destroy_publisher(velocities)

    def wait_for_listener(self, publisher: Any, topic: str) -> None:
        """Returns when somebody acts on what is published on a topic, and not only looks on; raises NotHeard."""

        def heard() -> bool:
            listeners = self.node.get_subscriptions_info_by_topic(topic)
            found = any(one.node_name not in LOOKERS_ON for one in listeners)
            return found and publisher.get_subscription_count() >= len(listeners)

        self._wait(heard, HEARD_WITHIN, lambda: f"nobody acts on {topic}: gait or base_motion is missing")

    def wait_until_it_stands(self) -> None:
        """Returns when the robot, asked for no velocity any more, has come into its square stance; raises NotHeard."""
        stopped = time.monotonic()
        self._wait(
            lambda: self._stands(stopped), STOP_WALKING_WITHIN, lambda: f"no square stance: {self._status('gait')}"
        )

    def _stands(self, since: float) -> bool:
        """Whether gait has said since then that it stands and is not asked for more."""
        self._judge_state()
        values, (_, heard) = self._now.values("gait"), self._now.diagnostics.get("gait", (None, 0.0))
        return heard > since and values["motion"] == "stands" and _three(values["asked"]) == STILL

    # Waiting and asking

    def wait_for(self, *states: str, within: float = 30.0) -> None:
        """Returns when the watchdog's state is one of these; raises NotHeard when it is not in time."""
        self._wait(
            lambda: self._now.state in states,
            within,
            lambda: f"not {' or '.join(states)} within {within:g} s: {self._state_in_words()}",
        )

    def set_parameter(self, node: str, name: str, value: Any) -> None:
        """Sets a parameter of a node of the stack; raises Refused or NotHeard."""
        from rcl_interfaces.srv import SetParameters
        from rclpy.parameter import Parameter

        client = self.node.create_client(SetParameters, f"{node}/set_parameters")
        request = SetParameters.Request(parameters=[Parameter(name, value=value).to_parameter_msg()])
        (result,) = self._answer(client, request).results
        if not result.successful:
            raise Refused(f"{node} refused {name} = {value}: {result.reason}")

    def _parameters(self, node: str, *names: str) -> list[Any]:
        from rcl_interfaces.srv import GetParameters
        from rclpy.parameter import parameter_value_to_python

        client = self.node.create_client(GetParameters, f"{node}/get_parameters")
        values = self._answer(client, GetParameters.Request(names=list(names))).values
        return [parameter_value_to_python(value) for value in values]

    def _wait(self, done: Callable[[], bool], seconds: float, otherwise: Callable[[], str]) -> None:
        with self._news:
            if not self._news.wait_for(done, seconds):
                raise NotHeard(otherwise())

    def _answer(self, client: Any, request: Any, within: float = ANSWER_WITHIN) -> Any:
        if not client.wait_for_service(within):
            raise NotHeard(f"nobody offers {client.srv_name}: is `quadleg run` still there?")
        future = client.call_async(request)
        future.add_done_callback(lambda _: self._wake())
        self._wait(future.done, within, lambda: f"no answer from {client.srv_name} within {within:g} s")
        return future.result()

    def _call(self, client: Any, request: Any, within: float = ANSWER_WITHIN) -> str:
        response = self._answer(client, request, within)
        if not response.success:
            raise Refused(response.message)
        return response.message

    def _call_enable(self, on: bool) -> None:
        from std_srvs.srv import SetBool

        self._call(self._enable, SetBool.Request(data=on))

    # Judging

    def _anyone(self) -> bool:
        return self._now.state is not None or self._now.servo_state is not None

    def _everyone(self) -> bool:
        return (
            self._now.state is not None
            and self._now.servo_state is not None
            and "base_motion" in self._now.diagnostics
            and self._target.get_subscription_count() > 0
        )

    def _who_is_missing(self) -> str:
        if not self._anyone():
            return "no running stack is heard; start one in another terminal: quadleg run"
        heard = {"joint_watchdog": self._now.state, "servo_output": self._now.servo_state}
        missing = [node for node, state in heard.items() if state is None] or ["base_motion"]
        return f"a stack is heard, but not its {missing[0]}; is it running?"

    def _state_in_words(self) -> str:
        return f"the robot is {self._now.state} ({self._now.why})"

    def _is_off(self) -> bool:
        return self._now.state in ("off", "fault")

    def _motion(self) -> dict[str, str]:
        values = self._now.values("base_motion")
        return values if values.get("target_stamp") == str(self._asked) else {}

    def _need_active(self) -> None:
        """Raises Refused unless the robot is active; a hold may end by itself, so it is given its time."""
        with self._news:
            self._news.wait_for(lambda: self._now.state != "hold", HOLD_PATIENCE)
        if self._now.state != "active":
            raise Refused(f"{self._state_in_words()}; {WHAT_FIRST.get(self._now.state, 'try again when it is active')}")

    def _judge_state(self) -> None:
        """Raises NotReached unless the robot follows; a hold may end by itself, so it is given its time."""
        held = self._now.state == "hold" and time.monotonic() - self._now.state_since < HOLD_PATIENCE
        if self._now.state != "active" and not held:
            raise NotReached(self._state_in_words())

    def _arrived(self) -> dict[str, str]:
        """What base_motion says once its plan has arrived; empty before."""
        self._judge_state()
        if self._now.values("base_motion").get("refused_stamp") == str(self._asked):
            raise Refused(self._status("base_motion"))
        said = self._motion()
        if said.get("motion") == "stopped":
            raise NotReached(self._status("base_motion"))
        return said if said.get("motion") == "arrived" else {}

    def _servos_there(self) -> bool:
        # In a hold after the plan has arrived, the plan goes back to where the servos are, and later on from there.
        planned = pose_from_words(self._arrived().get("planned", ""))
        if planned is None or len(self._now.angles) < len(JOINT_NAMES):
            return False
        shift, turn = difference(planned, self.pose_of(self._now.angles))
        return self._now.still and shift < POSITION_TOLERANCE and turn < TURN_TOLERANCE

    def _servos_astray(self) -> str:
        return f"the servos do not come to the planned pose; {self._state_in_words()}"

    def _status(self, node: str) -> str:
        status, _ = self._now.diagnostics.get(node, (None, 0.0))
        return status.message if status else f"{node} is not heard"

    # What comes in, on the executor's thread

    def _spin(self) -> None:
        while not self._closed:
            self._executor.spin_once(timeout_sec=0.1)

    def _wake(self) -> None:
        with self._news:
            self._news.notify_all()

    def _on_state(self, message: Any) -> None:
        from quadleg.nodes.topics import split_state

        state, self._now.why = split_state(message.data)
        if state != self._now.state:
            self._now.state, self._now.state_since = state, time.monotonic()
        if self.on_state:
            self.on_state(self._now.state)
        self._wake()

    def _on_servo_state(self, message: Any) -> None:
        from quadleg.nodes.topics import split_state

        self._now.servo_state, self._now.servo_why = split_state(message.data)
        self._wake()

    def _on_joint_states(self, message: Any) -> None:
        angles = dict(zip(message.name, message.position))
        self._now.still = all(
            abs(angle - self._now.angles.get(name, inf)) < STILL_ANGLE for name, angle in angles.items()
        )
        self._now.angles = angles
        if self.on_angles:
            self.on_angles(self._now.angles, message.header.stamp.sec + 1e-9 * message.header.stamp.nanosec)
        self._wake()

    def _on_diagnostics(self, message: Any) -> None:
        for status in message.status:
            name = status.name.removeprefix("quadleg: ")
            self._now.diagnostics[name] = (status, time.monotonic())
        self._wake()


class Way:
    """Where base_footprint is, from where it was at the first of the planned feet heard.

    The plan says how it goes on, an estimate where it is: without one the plan alone carries it on.
    """

    def __init__(self, model: Model) -> None:
        self._model = model
        self.place = STILL
        self.twist = STILL  # of base_footprint by the plan
        self._plan: Any = None  # the last message, and the time (s) that it is of
        self._planned_at = 0.0
        self._began = STILL  # in the estimate's world
        self._estimated_at = -inf

    @property
    def heard(self) -> bool:
        """Whether there is a plan."""
        return self._plan is not None

    @property
    def estimated(self) -> bool:
        """Whether the place is that of an estimate."""
        return time.monotonic() - self._estimated_at < ODOM_FRESH

    def hear_plan(self, message: Any) -> None:
        """Takes one message of `planned_feet`, whose last twist is that of the frame itself."""
        going, stamp = message.twist[-1], message.header.stamp
        seconds, twist = stamp.sec + 1e-9 * stamp.nanosec, (going.linear.x, going.linear.y, going.angular.z)
        if self.heard:
            x, y, yaw = ((a + b) / 2 for a, b in zip(self.twist, twist))
            self.place = compose(self.place, motion((x, y, yaw), max(seconds - self._planned_at, 0.0)))
        self._plan, self._planned_at, self.twist = message, seconds, twist

    def hear_estimate(self, message: Any, angles: dict[str, float]) -> None:
        """Takes one message of `odom`, with the joints' angles (rad)."""
        found = self._footprint(message, angles)
        if found is None:
            return
        if not self.estimated:
            self._began = compose(found, (*seen_from(self.place, 0.0, 0.0), -self.place[2]))
        x, y = seen_from(self._began, found[0], found[1])
        more = remainder(found[2] - self._began[2] - self.place[2], tau)  # of a robot that turns round and round
        self.place, self._estimated_at = (x, y, self.place[2] + more), time.monotonic()

    def _footprint(self, message: Any, angles: dict[str, float]) -> Planar | None:
        """Place and heading of base_footprint in the estimate's world, None where they are not known."""
        from quadleg.nodes.topics import known_pose

        carrying = (
            [leg for leg, wrench in enumerate(self._plan.wrench[: len(LEGS)]) if wrench.force.z] if self._plan else []
        )
        if len(carrying) < 2 or len(angles) < len(JOINT_NAMES):
            return None
        body = known_pose(message)
        if body is None:
            return None
        feet = all_forward(self._model, [angles[name] for name in JOINT_NAMES])
        places = [self._plan.transforms[leg].translation for leg in carrying]
        planned = [(place.x, place.y, place.z) for place in places]
        ground, _ = footprint(body, [feet[leg] for leg in carrying], planned, self._model.legs[0].foot_radius)
        return ground.position[0], ground.position[1], ground.rpy[2]


def is_near(way: Planar, tolerance: tuple[float, float]) -> bool:
    """Whether a place and heading that are `way` off (m, m, rad) are within a tolerance (m, rad)."""
    return hypot(way[0], way[1]) < tolerance[0] and abs(way[2]) < tolerance[1]


def way_to_rest(twist: Planar, fastest: Planar, ramp: float) -> Planar:
    """How far the plan goes on (m, m, rad) when it brakes from a twist.

    `fastest` is the gait's velocity along each axis, `ramp` the time in s in which it comes from that to rest.
    """
    x, y, yaw = (speed * abs(speed) / (2 * limit / ramp) for speed, limit in zip(twist, fastest))
    return x, y, yaw


def approach_velocity(way: Planar, fastest: Planar, ramp: float) -> Planar:
    """The velocity towards a place and heading that are `way` off where the robot would now come to rest."""
    x, y, yaw = (copysign(min(limit, 2 * abs(left) / ramp), left) for left, limit in zip(way, fastest))
    return x, y, yaw


def _seconds_for(way: Planar, fastest: Planar) -> float:
    return sum(abs(left) / limit for left, limit in zip(way, fastest))


def _three(text: str) -> Planar:
    x, y, yaw = map(float, text.split())
    return x, y, yaw


def _check_numbers(*values: float) -> None:
    for value in values:
        if not isinstance(value, Real) or not isfinite(value):
            raise Refused(f"{value!r} is not a number, as 150 or -4.5 would be")


def pose_from_words(text: str) -> Pose | None:
    """The pose that base_motion's diagnostics say: x y z (m) and roll pitch yaw (rad); None for other text."""
    try:
        axes: Sequence[float] = [float(word) for word in text.split()]
        return Pose.from_rpy(*axes)
    except (ValueError, TypeError):
        return None


def difference(a: Pose, b: Pose) -> tuple[float, float]:
    """How far two poses are apart: m, and the angle of the turn between them in rad."""
    shift = hypot(*(p - q for p, q in zip(a.position, b.position)))
    w = abs(sum(p * q for p, q in zip(a.quaternion, b.quaternion)))
    return shift, 2 * acos(min(1.0, w))
