"""A node of a script, whose callbacks may raise without harm, and calls that wait for what it hears."""

from __future__ import annotations

import traceback
from collections.abc import Callable
from typing import Any, TypeVar

from quadleg.client.spinner import Spinner, thread_on_rclpy
from quadleg.errors import CallbackFailed, QuadlegError, Refused, StackNotFound
from quadleg.middleware.interface import Client, Publisher

HEARD_WITHIN = 5.0  # s for a running stack to be found
ANSWER_WITHIN = 5.0  # s for a service to answer
LOOKERS_ON = ("recorder_polled", "viewer")  # nodes that hear what they do not act on
# What rmw_dds_common says until a participant has told the names of its nodes: it may be one that only looks on.
UNNAMED = "_NODE_NAME_UNKNOWN_"

Self = TypeVar("Self", bound="GuardedListener")


class GuardedListener:
    """A node in a `namespace` whose callbacks `spinner` runs: None for a thread on rclpy. `node` is its handle.

    A callback that raises is logged, and the call that waits, or the next one, raises CallbackFailed; the others go on.
    Where the middleware itself fails again and again nothing more is heard, and every call says so. Raises RosMissing.
    """

    def __init__(self, namespace: str, spinner: Spinner | None = None) -> None:
        self._spinner = spinner or thread_on_rclpy(namespace)
        self._lock = self._spinner.lock
        self._failure: CallbackFailed | None = None
        self._clients: dict[str, Client] = {}
        self.steady_time = self._spinner.middleware.steady_time
        self.node = self._spinner.middleware.create_node("quadleg_client")

    def start(self) -> None:
        self._spinner.start(self.node.get_logger().error)

    def __enter__(self: Self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Leave the stack as it is and free the connection."""
        self._spinner.close()

    # Waiting

    def wait(
        self,
        done: Callable[[], object],
        seconds: float,
        otherwise: Callable[[], str],
        error: type[QuadlegError] = StackNotFound,
        condition: bool = True,
        urgent: bool = False,
    ) -> None:
        """Return when `done` is true, which is asked whenever something is heard.

        After `seconds` raises `error` with what `otherwise` says and, with `condition`, what is known of the stack.
        Raises CallbackFailed for a callback of the caller's that raised, unless `urgent`.
        """
        over = self._spinner.wait(lambda: self._broken(urgent) or done(), seconds)
        self.check(urgent)
        if not over:
            known = f"; {self.condition()}" if condition else ""
            raise error(otherwise() + known)

    def pause(self, seconds: float) -> None:
        """Return after so many seconds, or as soon as a call has something to raise, which `check` does."""
        self._spinner.wait(lambda: self._broken(urgent=False), seconds)

    def check(self, urgent: bool = False) -> None:
        """Raise StackNotFound if the listener has ended, CallbackFailed if a callback of the caller's raised."""
        if ended := self._spinner.ended:
            raise StackNotFound(
                f"the client's listener ended with {ended!r}: the stack goes on as it is; make a new Robot"
            )
        with self._lock:
            failure = None if urgent else self._failure
            if failure:
                self._failure = None
        if failure:
            raise failure

    def condition(self) -> str:
        """What is known of the other side, for the message of a time-out."""
        return ""

    def wait_for_listener(self, publisher: Publisher, topic: str) -> None:
        """Return when a node that acts on a topic has subscribed to it; raises StackNotFound."""

        def heard() -> bool:
            listeners = self.node.get_subscriptions_info_by_topic(topic)
            found = any(one.node_name not in (*LOOKERS_ON, UNNAMED) for one in listeners)
            return found and publisher.get_subscription_count() >= len(listeners)

        self.wait(heard, HEARD_WITHIN, lambda: f"no node acts on {topic}: gait or base_motion is missing")

    def _broken(self, urgent: bool) -> bool:
        return self._spinner.ended is not None or (self._failure is not None and not urgent)

    # Services and parameters

    def call(self, name: str, within: float = ANSWER_WITHIN, urgent: bool = False, **fields: Any) -> str:
        """Call a service of topic_table.py whose response has `success` and `message`, with the request's `fields`.

        Returns the message. Raises Refused or StackNotFound.
        """
        from quadleg.middleware.topics import service

        kind, _ = service(name)
        response = self.answer(self._client(kind, name), kind.Request(**fields), within, urgent)
        if not response.success:
            raise Refused(response.message)
        return response.message

    def set_parameter(self, node: str, name: str, value: Any) -> None:
        """Set a parameter of a node of the stack; raises Refused or StackNotFound."""
        from rcl_interfaces.srv import SetParameters
        from rclpy.parameter import Parameter

        request = SetParameters.Request(parameters=[Parameter(name, value=value).to_parameter_msg()])
        (result,) = self.answer(self._client(SetParameters, f"{node}/set_parameters"), request).results
        if not result.successful:
            raise Refused(f"{node}: {result.reason}")

    def parameters(self, node: str, *names: str) -> list[Any]:
        """The values of parameters of a node of the stack; raises StackNotFound."""
        from rcl_interfaces.srv import GetParameters
        from rclpy.parameter import parameter_value_to_python

        client = self._client(GetParameters, f"{node}/get_parameters")
        values = self.answer(client, GetParameters.Request(names=list(names))).values
        return [parameter_value_to_python(value) for value in values]

    def answer(self, client: Client, request: Any, within: float = ANSWER_WITHIN, urgent: bool = False) -> Any:
        """The response of a service to a request; raises StackNotFound. A request without an answer is withdrawn."""
        offered = self._spinner.wait(lambda: self._broken(urgent) or client.service_is_ready(), within)
        self.check(urgent)
        if not offered:
            known = self.condition()
            raise StackNotFound(
                f"no node offers {client.srv_name}: is `quadleg run` still there?{f' {known}' if known else ''}"
            )
        future = client.call_async(request)
        try:
            self.wait(
                future.done, within, lambda: f"no answer from {client.srv_name} within {within:g} s", urgent=urgent
            )
        finally:
            if not future.done():
                client.remove_pending_request(future)
        return future.result()

    def _client(self, kind: Any, name: str) -> Client:
        if name not in self._clients:
            self._clients[name] = self.node.create_client(kind, name)
        return self._clients[name]

    # What goes out and comes in, the latter on the spinner's thread

    def advertise(self, topic: str) -> Publisher:
        """A publisher of a topic of topic_table.py."""
        from quadleg.middleware.topics import published

        return self.node.create_publisher(*published(topic))

    def listen(self, topic: str, callback: Callable[[Any], None], depth: int | None = None) -> Any:
        """The subscription to a topic of topic_table.py; `depth` where that is not the table's."""
        from quadleg.middleware.topics import heard

        kind, name, quality = heard(topic, depth)
        return self.subscribe(kind, name, callback, quality)

    def subscribe(self, kind: type, topic: str, callback: Callable[[Any], None], qos: Any) -> Any:
        """The subscription of a callback that may raise: it ends no listener, and the call that waits raises it."""

        def guarded(message: Any) -> None:
            self._guarded(f"the listener of {topic}", callback, message)

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
            with self._lock:
                self._failure = failure
            return False
        return True
