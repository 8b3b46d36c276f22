"""The connection of a script to a running stack: what is heard, in a thread of its own, and calls that wait."""

from __future__ import annotations

import threading
import time
import traceback
from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType, TracebackType
from typing import Any, TypeVar

from quadleg.client.snapshot import NodeReport, Snapshot
from quadleg.errors import CallbackFailed, NotHeard, QuadlegError, Refused
from quadleg.graph import GRAPH, check_namespace, find_each_other_soon, stay_local
from quadleg.runner import need_ros

HEARD_WITHIN = 5.0  # s for a running stack to be found
ANSWER_WITHIN = 5.0  # s for a service to answer
SPIN_FAILURES = 3  # in a row, after which the listener ends: it would fail for ever
SPIN_PAUSE = 0.1  # s after such a failure
LOOKERS_ON = ("recorder_ears", "viewer")  # nodes that hear what they do not act on
# What rmw_dds_common says until a participant has told the names of its nodes: it may be one that only looks on.
UNNAMED = "_NODE_NAME_UNKNOWN_"
NEEDED = tuple(entry.name for entry in GRAPH)

Self = TypeVar("Self", bound="StackConnection")


class StackConnection:
    """One running stack, found by its `namespace`. `node` is the rclpy node that listens.

    `on_angles` is called with the joints' angles (rad) and their stamp (s of the system clock), `on_state` with the
    watchdog's state, `on_plan` with each message of `planned_feet` while the robot walks. They run on the listener's
    thread. One that raises is logged and taken off, and the call that waits, or the next one, raises CallbackFailed.

    Raises RosMissing without ROS, and NotHeard where no stack is found within five seconds.
    """

    def __init__(self, namespace: str = "") -> None:
        need_ros()
        check_namespace(namespace)
        stay_local()
        find_each_other_soon()
        import rclpy
        from diagnostic_msgs.msg import DiagnosticArray
        from rclpy.experimental import EventsExecutor
        from rclpy.signals import SignalHandlerOptions
        from sensor_msgs.msg import JointState
        from std_msgs.msg import String

        from quadleg.nodes.topics import JOINT_STATES, LATCHED

        self._news = threading.Condition()
        self._now = Snapshot()  # replaced under the lock of _news, read without
        self._failure: CallbackFailed | None = None
        self._ended: Exception | None = None
        self._clients: dict[str, Any] = {}
        self.on_angles: Callable[[Mapping[str, float], float], None] | None = None
        self.on_state: Callable[[str], None] | None = None
        self.on_plan: Callable[[Any], None] | None = None
        self._context = rclpy.Context()
        rclpy.init(context=self._context, signal_handler_options=SignalHandlerOptions.NO)
        self.node = rclpy.create_node("quadleg_client", context=self._context, namespace=namespace)
        self.subscribe(String, "state", self._on_state, LATCHED)
        self.subscribe(String, "servo_state", self._on_servo_state, LATCHED)
        self.subscribe(JointState, "joint_states", self._on_joint_states, JOINT_STATES)
        self.subscribe(DiagnosticArray, "diagnostics", self._on_diagnostics, 10)
        self._executor = EventsExecutor(context=self._context)
        self._executor.add_node(self.node)
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._spin, name="quadleg_client", daemon=True)
        self._thread.start()
        try:
            # Not more than this: an emergency stop must not wait for a node that has died.
            self.wait(self._anyone, HEARD_WITHIN, self._who_is_missing, condition=False)
        except BaseException:  # an interrupt too: the thread must not outlive the interpreter
            self.close()
            raise

    def __enter__(self: Self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Leave the stack as it is and free the connection."""
        self._closed.set()
        self._thread.join()
        self._executor.shutdown()
        self.node.destroy_node()
        self._context.try_shutdown()

    # What is known

    @property
    def last(self) -> Snapshot:
        """What was last heard, without waiting."""
        return self._now

    def status(self) -> Snapshot:
        """What the stack says of itself now, after its next diagnostics."""
        before, wanted = self._now, ("base_motion", "joint_watchdog", "servo_output")
        deadline = time.monotonic() + 1.5

        def fresh() -> bool:
            late = time.monotonic() > deadline
            return late or all(self._now.heard(node) > before.heard(node) for node in wanted)

        self.wait(fresh, ANSWER_WITHIN, lambda: "no diagnostics")
        return self._now

    # Waiting

    def wait(
        self,
        done: Callable[[], object],
        seconds: float,
        otherwise: Callable[[], str],
        error: type[QuadlegError] = NotHeard,
        condition: bool = True,
        urgent: bool = False,
    ) -> None:
        """Return when `done` is true, which is asked whenever something is heard.

        After `seconds` raises `error` with what `otherwise` says and, with `condition`, what is known of the stack.
        Raises CallbackFailed for a callback of the caller's that raised, unless `urgent`.
        """
        with self._news:
            over = self._news.wait_for(lambda: self._broken(urgent) or done(), seconds)
        self.check(urgent)
        if not over:
            known = f"; {self._now.condition(time.monotonic(), NEEDED)}" if condition else ""
            raise error(otherwise() + known)

    def check(self, urgent: bool = False) -> None:
        """Raise NotHeard where the listener has ended, and CallbackFailed where a callback of the caller's raised."""
        if self._ended:
            raise NotHeard(
                f"the client's listener ended with {self._ended!r}: the stack goes on as it is; make a new Robot"
            )
        with self._news:
            failure = None if urgent else self._failure
            if failure:
                self._failure = None
        if failure:
            raise failure

    def wait_for(self, *states: str, within: float = 30.0) -> None:
        """Return when the watchdog's state is one of these; raises NotHeard when it is not in time."""
        self.wait(lambda: self._now.state in states, within, lambda: f"not {' or '.join(states)} within {within:g} s")

    def wait_for_listener(self, publisher: Any, topic: str) -> None:
        """Return when a node that acts on a topic has subscribed to it; raises NotHeard."""

        def heard() -> bool:
            listeners = self.node.get_subscriptions_info_by_topic(topic)
            found = any(one.node_name not in (*LOOKERS_ON, UNNAMED) for one in listeners)
            return found and publisher.get_subscription_count() >= len(listeners)

        self.wait(heard, HEARD_WITHIN, lambda: f"no node acts on {topic}: gait or base_motion is missing")

    def _broken(self, urgent: bool) -> bool:
        return self._ended is not None or (self._failure is not None and not urgent)

    def _anyone(self) -> bool:
        return self._now.state is not None or self._now.servo_state is not None

    def _who_is_missing(self) -> str:
        if not self._anyone():
            return "no running stack is heard; start one in another terminal: quadleg run"
        heard = {"joint_watchdog": self._now.state, "servo_output": self._now.servo_state}
        missing = [node for node, state in heard.items() if state is None] or ["base_motion"]
        return f"a stack is heard, but not its {missing[0]}; is it running?"

    # Services and parameters

    def call(self, kind: type, name: str, request: Any, within: float = ANSWER_WITHIN, urgent: bool = False) -> str:
        """Call a service whose response has `success` and `message`; the message. Raises Refused or NotHeard."""
        response = self.answer(self._client(kind, name), request, within, urgent)
        if not response.success:
            raise Refused(response.message)
        return response.message

    def set_parameter(self, node: str, name: str, value: Any) -> None:
        """Set a parameter of a node of the stack; raises Refused or NotHeard."""
        from rcl_interfaces.srv import SetParameters
        from rclpy.parameter import Parameter

        request = SetParameters.Request(parameters=[Parameter(name, value=value).to_parameter_msg()])
        (result,) = self.answer(self._client(SetParameters, f"{node}/set_parameters"), request).results
        if not result.successful:
            raise Refused(f"{node} refused {name} = {value}: {result.reason}")

    def parameters(self, node: str, *names: str) -> list[Any]:
        """The values of parameters of a node of the stack; raises NotHeard."""
        from rcl_interfaces.srv import GetParameters
        from rclpy.parameter import parameter_value_to_python

        client = self._client(GetParameters, f"{node}/get_parameters")
        values = self.answer(client, GetParameters.Request(names=list(names))).values
        return [parameter_value_to_python(value) for value in values]

    def answer(self, client: Any, request: Any, within: float = ANSWER_WITHIN, urgent: bool = False) -> Any:
        """The response of a service to a request; raises NotHeard. A request without an answer is withdrawn."""
        if not client.wait_for_service(within):
            raise NotHeard(f"no node offers {client.srv_name}: is `quadleg run` still there?")
        future = client.call_async(request)
        future.add_done_callback(lambda _: self._wake())
        try:
            self.wait(
                future.done, within, lambda: f"no answer from {client.srv_name} within {within:g} s", urgent=urgent
            )
        finally:
            if not future.done():
                client.remove_pending_request(future)
        return future.result()

    def _client(self, kind: type, name: str) -> Any:
        """The one client of a service."""
        if name not in self._clients:
            self._clients[name] = self.node.create_client(kind, name)
        return self._clients[name]

    # What comes in, on the listener's thread

    def subscribe(self, kind: type, topic: str, callback: Callable[[Any], None], qos: Any) -> Any:
        """The subscription of a callback that may raise: it ends no listener, and the call that waits raises it."""

        def guarded(message: Any) -> None:
            self._guarded(f"the listener of {topic}", callback, message)
            self._wake()

        return self.node.create_subscription(kind, topic, guarded, qos)

    def tell(self, name: str, *arguments: object) -> None:
        """Call the caller's callback of this name, if there is one."""
        callback = getattr(self, name)
        if callback and not self._guarded(name, callback, *arguments):
            setattr(self, name, None)

    def _guarded(self, name: str, callback: Callable[..., None], *arguments: object) -> bool:
        """Whether the callback returned."""
        try:
            callback(*arguments)
        except Exception as error:
            self.node.get_logger().error(f"{name}: {''.join(traceback.format_exception(error))}")
            failure = CallbackFailed(name, error)
            with self._news:
                self._failure = failure
            return False
        return True

    def _spin(self) -> None:
        failures = 0
        while not self._closed.is_set():
            try:
                self._executor.spin_once(timeout_sec=0.1)
                failures = 0
            except Exception as error:
                self.node.get_logger().error("".join(traceback.format_exception(error)))
                failures += 1
                if failures == SPIN_FAILURES:
                    self._ended = error
                    self._wake()
                    return
                self._closed.wait(SPIN_PAUSE)

    def _wake(self) -> None:
        with self._news:
            self._news.notify_all()

    def _replace(self, change: Callable[[Snapshot], Snapshot]) -> Snapshot:
        with self._news:
            self._now = change(self._now)
            return self._now

    def _stir(self) -> None:
        """Forget that the joints stand still: a target goes out."""
        self._replace(lambda now: replace(now, still=False))

    def _on_state(self, message: Any) -> None:
        from quadleg.nodes.topics import split_state

        state, why = split_state(message.data)
        self._replace(lambda now: now.with_state(state, why, time.monotonic()))
        self.tell("on_state", state)

    def _on_servo_state(self, message: Any) -> None:
        from quadleg.nodes.topics import split_state

        state, why = split_state(message.data)
        self._replace(lambda now: now.with_servo_state(state, why))

    def _on_joint_states(self, message: Any) -> None:
        angles = dict(zip(message.name, message.position))
        now = self._replace(lambda now: now.with_angles(angles))
        self.tell("on_angles", now.angles, message.header.stamp.sec + 1e-9 * message.header.stamp.nanosec)

    def _on_diagnostics(self, message: Any) -> None:
        heard = time.monotonic()
        reports = {
            status.name.removeprefix("quadleg: "): NodeReport(
                status.message, status.level, MappingProxyType({pair.key: pair.value for pair in status.values}), heard
            )
            for status in message.status
        }
        self._replace(lambda now: now.with_reports(reports))
