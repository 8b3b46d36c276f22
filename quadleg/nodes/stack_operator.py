"""What a person at a gamepad or a keyboard asks of the stack, over ROS. Nothing here waits, but `close`."""

from __future__ import annotations

from collections.abc import Callable
from math import inf
from typing import Any

from geometry_msgs.msg import PoseStamped, TwistStamped
from rcl_interfaces.srv import SetParameters
from std_msgs.msg import String
from std_srvs.srv import SetBool, Trigger

from quadleg.errors import MessageError
from quadleg.gait.velocity_selection import cannot_in_words
from quadleg.geometry.planar import ZERO_TWIST, Planar
from quadleg.geometry.transforms import Pose
from quadleg.middleware.guarded_node import GuardedNode
from quadleg.middleware.topics import (
    LATCHED,
    LATEST,
    nanoseconds,
    split_state,
    text_parameter,
)
from quadleg.safety.stop_socket import stop_here
from quadleg.teleop.body_offsets import BodyOffsets
from quadleg.teleop.gamepad_teleop import TeleopCommand
from quadleg.teleop.publisher_conflicts import PublisherConflicts
from quadleg.teleop.velocity_scale import VelocityScale

PERIOD = 0.05  # s between velocities, and between base targets
ANSWER_WITHIN = 5.0  # s
HEARD_WITHIN = 0.2  # s that the last word is given to arrive
STOP_PERIOD = 0.2  # s between calls of the emergency stop until one is answered
STOP_PATIENCE = 3.0  # s that it is called for at least
NOT_ANSWERED = (
    "servo_output does not answer the emergency stop. The servos may be powered: open the switch in the servo supply "
    "NOW"
)


class StackOperator:
    """Velocities, base targets, emergency stop, standing, sitting and the choice of gait, on some node.

    `subscribe` is that node's way to subscribe, `frame` the name of base_footprint, `say` hears what became of
    requests. `tick` is to be called once a PERIOD. `after_fault` says what to do in a fault, else the nodes' words do.
    """

    def __init__(
        self,
        node: GuardedNode,
        subscribe: Callable[..., Any],
        frame: str,
        body: BodyOffsets,
        say: Callable[[str], None],
        after_fault: str = "",
    ) -> None:
        self._node = node
        self._after_fault = after_fault
        self._frame = frame
        self._say = say
        self.body = body
        self.state, self.why = "", "joint_watchdog is not heard"
        self.limits: VelocityScale | None = None
        self.velocity = ZERO_TWIST
        self.said = ""
        self._limits_missing = "walking_limits is not heard: is gait running?"
        self._walks = False
        self._posed: Pose | None = None
        self._rivals = PublisherConflicts()
        self._gait_asked: str | None = None
        self._open: dict[Any, tuple[Any, str, float]] = {}  # futures: client, what to say without answer, and when
        self._stop_asked: float | None = None
        self._reset_asked = inf
        self._stop_called = -inf
        self.stop_answered_at = -inf  # s on the steady clock
        self.stop_unanswered = False  # whether `said` is that no node answers a stop
        self._velocities = node.create_publisher(TwistStamped, "teleop/cmd_vel", LATEST)
        self._poses = node.create_publisher(PoseStamped, "teleop/base_target", LATEST)
        self._kept_poses = node.create_publisher(PoseStamped, "base_target", LATEST)
        self._enable = node.create_client(SetBool, "enable")
        self._emergency_stop = node.create_client(Trigger, "emergency_stop")
        self._reset = node.create_client(Trigger, "reset")
        self._gait = node.create_client(SetParameters, "gait/set_parameters")
        subscribe(TwistStamped, "teleop/cmd_vel", self._velocity_heard, 10)
        subscribe(String, "state", self._state_heard, LATCHED)
        subscribe(String, "walking_limits", self._limits_heard, LATCHED)

    # Moving

    def tick(self, wish: TeleopCommand, stop_held: bool = False) -> str:
        """Does what is wished; why it is not done, or an empty text."""
        now = self._node.steady_time()
        self._insist(now, stop_held)
        self._send_reset(now)
        for future, (client, unanswered, until) in list(self._open.items()):
            if now > until:
                client.remove_pending_request(future)
                del self._open[future]
                self._tell(unanswered)
                self.stop_unanswered = client is self._emergency_stop
        if self._stop_asked is not None:
            self.halt()
            self._pose(TeleopCommand())
            return self.said
        return "; ".join(filter(None, (self._walk(wish.walk, now), self._pose(wish))))

    @property
    def takes_speed(self) -> bool:
        """Whether the robot stands, so that a speed means something; a hold may end while it lasts."""
        return self.state in ("active", "hold")

    def _walk(self, shares: Planar | None, now: float) -> str:
        hindrance = ""
        if shares is not None and not self.takes_speed:
            hindrance = f"no speed is taken: the robot does not stand, its state is {self.state or 'not heard'}"
        elif shares is not None and self._rivals.drive(now):
            hindrance = "somebody else drives on teleop/cmd_vel: end that first"
        elif shares is not None and self.limits is None:
            hindrance = self._limits_missing
        elif shares is not None:
            self._walks = True
            self._send(self.limits.velocity(shares))
            return cannot_in_words(self.limits.left_out(shares), self.limits.gait)
        self.halt()
        return hindrance

    def halt(self) -> None:
        """Says once that no velocity is wanted, where one was."""
        if self._walks:
            self._walks = False
            self._send(ZERO_TWIST)

    def close(self) -> None:
        """Halts, and waits a moment until that is heard: the connection ends after it."""
        self.halt()
        self._node.handle.wait_for_all_acked(self._velocities, HEARD_WITHIN)

    def _send(self, velocity: Planar) -> None:
        self.velocity = velocity
        message = TwistStamped()
        message.header.stamp, message.header.frame_id = self._node.stamp(), self._frame
        message.twist.linear.x, message.twist.linear.y, message.twist.angular.z = velocity
        self._rivals.sent(nanoseconds(message.header.stamp))
        self._velocities.publish(message)

    def _pose(self, wish: TeleopCommand) -> str:
        active = self.state == "active"
        if wish.body and active:
            self._posed = self.body.follow(wish.body, PERIOD)
            self._poses.publish(self._target(self._posed))
            return ""
        if self._posed and active:
            # teleop/base_target is forgotten half a second after the last: without this, the body would go back.
            self._kept_poses.publish(self._target(self._posed))
        self._posed = None
        if wish.body:
            return f"the body is posed only while the robot is active; its state is {self.state or 'not heard'}"
        return ""

    def _target(self, pose: Pose) -> PoseStamped:
        message = PoseStamped()
        message.header.stamp, message.header.frame_id = self._node.stamp(), self._frame
        p, q = message.pose.position, message.pose.orientation
        p.x, p.y, p.z = pose.position
        q.w, q.x, q.y, q.z = pose.quaternion
        return message

    # Requests

    def emergency_stop(self) -> None:
        """Asks for it, again and again until it is answered; on this computer by the stop socket at once."""
        self._stop_by_socket()
        self.halt()
        self._reset_asked = inf
        self._stop_asked = self._node.steady_time()
        self._tell("emergency stop asked for")
        self._insist(self._stop_asked, held=True)

    def _stop_by_socket(self) -> None:
        """On this computer, without waiting."""

        def stop(_: bool) -> None:
            stop_here(self._node.get_namespace())

        self._node.start_worker("stop", stop)

    def _insist(self, now: float, held: bool) -> None:
        if self._stop_asked is None or now - self._stop_called < STOP_PERIOD:
            return
        if now - self._stop_asked > 1.0 and not self.stop_unanswered:
            self._tell(NOT_ANSWERED)
            self.stop_unanswered = True
        if now - self._stop_asked > STOP_PATIENCE and not held:
            self._stop_asked = None
            return
        self._call_stop(now)

    def _call_stop(self, now: float) -> None:
        self._stop_called = now
        self._ask(self._emergency_stop, Trigger.Request(), self._stop_answered, NOT_ANSWERED)

    def _stop_answered(self, response: Any) -> str:
        self._stop_asked = None
        self.stop_answered_at = self._node.steady_time()
        if response.success and self._after_fault:
            return f"emergency stop: pulses are off; {self._after_fault}"
        return f"emergency stop: {response.message}"

    def enable(self, on: bool) -> None:
        """Asks the robot to stand up or go on (on), or to sit down."""
        what = "stand" if on else "sit"
        if not self._enable.service_is_ready():
            self._tell(
                f"{what}: joint_watchdog is not there, which offers the service enable; is `quadleg run` still there?"
            )
            return
        self._ask(
            self._enable,
            SetBool.Request(data=on),
            lambda response: f"{what}: {self._enabled(response)}",
            f"{what}: {self._unanswered('joint_watchdog')}",
        )

    def _enabled(self, response: Any) -> str:
        if not response.success and self.state == "fault" and self._after_fault:
            return f"refused, the robot is in fault ({self.why}); {self._after_fault}"
        return str(response.message)

    def reset(self) -> None:
        """Asks to leave a fault, after the last of our own stops is answered: one that came later was a new fault."""
        self._reset_asked = self._node.steady_time()

    def _send_reset(self, now: float) -> None:
        waited = now - self._reset_asked
        if waited < 0 or (waited <= ANSWER_WITHIN and self._stop_is_open()):
            return
        self._reset_asked = inf
        faulty = self.state == "fault"

        def answer(response: Any) -> str:
            if not response.success:
                return f"reset: {response.message}"
            return "reset: the fault is over, the robot is off" if faulty else "reset: there is no fault"

        missing = f"reset: {self._unanswered('joint_watchdog')}"
        self._ask(self._reset, Trigger.Request(), answer, missing)

    def _stop_is_open(self) -> bool:
        """Whether a stop of ours is not answered yet."""
        return any(client is self._emergency_stop for client, _, _ in self._open.values())

    def choose_gait(self, step: int) -> None:
        """Asks for the gait so many places on in the list of gaits."""
        if self.limits is None:
            self._tell(self._limits_missing)
            return
        gait = self.limits.beside(self._gait_asked or self.limits.gait, step)
        self._gait_asked = gait
        request = SetParameters.Request(parameters=[text_parameter("gait", gait)])

        def answer(response: Any) -> str:
            (result,) = response.results
            if result.successful:
                return f"gait: {gait}"
            self._gait_asked = None
            return f"gait: {gait} is refused: {result.reason}"

        self._ask(self._gait, request, answer, f"gait: {gait}: {self._unanswered('gait')}")

    def _unanswered(self, node: str) -> str:
        """That a node does not answer, with what was last heard of the robot."""
        last = f"{self.state}: {self.why}" if self.state else "nothing"
        return (
            f"{node} has not answered within {ANSWER_WITHIN:g} s; before that the robot said {last}. Ask "
            "`quadleg status`; is `quadleg run` still there?"
        )

    def _ask(self, client: Any, request: Any, answer: Callable[[Any], str], unanswered: str) -> None:
        future = client.call_async(request)
        self._open[future] = (client, unanswered, self._node.steady_time() + ANSWER_WITHIN)

        def answered(_: Any) -> None:
            if self._open.pop(future, None):
                self._tell(answer(future.result()))

        future.add_done_callback(answered)

    def _tell(self, said: str) -> None:
        self.said, self.stop_unanswered = said, False
        self._say(said)

    # What is heard

    def _velocity_heard(self, message: TwistStamped) -> None:
        self._rivals.take(nanoseconds(message.header.stamp), self._node.steady_time())

    def _state_heard(self, message: String) -> None:
        self.state, self.why = split_state(message.data)
        if self.state in ("off", "fault"):
            self.body.forget()

    def _limits_heard(self, message: String) -> None:
        try:
            self.limits = VelocityScale.of(message.data)
        except MessageError as error:
            self.limits, self._limits_missing = None, str(error)
            return
        if self.limits.gait == self._gait_asked:
            self._gait_asked = None
