"""An rclpy node of a script, whose thread no callback ends, and calls that wait for what it hears."""

from __future__ import annotations

import threading
import traceback
from collections.abc import Callable
from types import TracebackType
from typing import Any, TypeVar

from quadleg.errors import CallbackFailed, NotHeard, QuadlegError, Refused
from quadleg.graph import check_namespace, find_each_other_soon, stay_local
from quadleg.runner import need_ros

HEARD_WITHIN = 5.0  # s for a running stack to be found
ANSWER_WITHIN = 5.0  # s for a service to answer
SPIN_FAILURES = 3  # in a row, after which the listener ends: it would fail for ever
SPIN_PAUSE = 0.1  # s after such a failure
LOOKERS_ON = ("recorder_ears", "viewer")  # nodes that hear what they do not act on
# What rmw_dds_common says until a participant has told the names of its nodes: it may be one that only looks on.
UNNAMED = "_NODE_NAME_UNKNOWN_"

Self = TypeVar("Self", bound="GuardedListener")


class GuardedListener:
    """A node with a thread of its own. `node` is the rclpy node.

    A callback that raises is logged, and the call that waits, or the next one, raises CallbackFailed; the thread goes
    on. Where rclpy itself fails again and again the thread ends, and every call says so. Raises RosMissing.
    """

    def __init__(self, namespace: str) -> None:
        need_ros()
        check_namespace(namespace)
        stay_local()
        find_each_other_soon()
        import rclpy
        from rclpy.experimental import EventsExecutor
        from rclpy.signals import SignalHandlerOptions

        self._news = threading.Condition()
        self._failure: CallbackFailed | None = None
        self._ended: Exception | None = None
        self._clients: dict[str, Any] = {}
        self._context = rclpy.Context()
        rclpy.init(context=self._context, signal_handler_options=SignalHandlerOptions.NO)
        self.node = rclpy.create_node("quadleg_client", context=self._context, namespace=namespace)
        self._executor = EventsExecutor(context=self._context)
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._spin, name="quadleg_client", daemon=True)

    def start(self) -> None:
        """Listen from now on."""
        self._executor.add_node(self.node)
        self._thread.start()

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
            known = f"; {self.condition()}" if condition else ""
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

    def condition(self) -> str:
        """What is known of the other side, for the message of a time-out."""
        return ""

    def wait_for_listener(self, publisher: Any, topic: str) -> None:
        """Return when a node that acts on a topic has subscribed to it; raises NotHeard."""

        def heard() -> bool:
            listeners = self.node.get_subscriptions_info_by_topic(topic)
            found = any(one.node_name not in (*LOOKERS_ON, UNNAMED) for one in listeners)
            return found and publisher.get_subscription_count() >= len(listeners)

        self.wait(heard, HEARD_WITHIN, lambda: f"no node acts on {topic}: gait or base_motion is missing")

    def _broken(self, urgent: bool) -> bool:
        return self._ended is not None or (self._failure is not None and not urgent)

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
            raise Refused(f"{node}: {result.reason}")

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
            known = self.condition()
            raise NotHeard(
                f"no node offers {client.srv_name}: is `quadleg run` still there?{f' {known}' if known else ''}"
            )
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
