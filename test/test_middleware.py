"""The contract between nodes and middleware, which every implementation keeps."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator

import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from rcl_interfaces.srv import SetParameters
from std_msgs.msg import String
from std_srvs.srv import SetBool

from quadleg.middleware.endpoint_quality import is_latched, quality_for
from quadleg.middleware.guarded_node import GuardedNode
from quadleg.middleware.interface import Middleware
from quadleg.middleware.rclpy_middleware import RclpyMiddleware
from quadleg.middleware.simulated_bus import SimulatedBus
from quadleg.middleware.simulated_middleware import SimulatedMiddleware
from quadleg.middleware.simulated_time import SimulatedTime
from quadleg.middleware.topics import LATCHED, LATEST, nanoseconds, text_parameter

IMPLEMENTATIONS: dict[str, Callable[[], Middleware]] = {
    "rclpy": RclpyMiddleware,
    "simulated": lambda: SimulatedMiddleware(SimulatedBus(SimulatedTime())),
}
PATIENCE = 10.0  # s
ROUNDING = 1e-9  # s


@pytest.fixture(params=IMPLEMENTATIONS)
def middleware(request: pytest.FixtureRequest, domain: int) -> Iterator[Middleware]:
    made = IMPLEMENTATIONS[request.param]()
    yield made
    made.stop()
    made.close()


@pytest.fixture
def node(middleware: Middleware) -> GuardedNode:
    return GuardedNode(middleware, "one", {"speed": 0.5})


@pytest.fixture
def other(middleware: Middleware) -> GuardedNode:
    return GuardedNode(middleware, "other")


def spin_until(middleware: Middleware, true: Callable[[], object]) -> None:
    until = middleware.steady_time() + PATIENCE
    while not true():
        assert middleware.steady_time() < until, "not within the time"
        middleware.spin_once(0.02)


def connected(middleware: Middleware, publisher: object, count: int = 1) -> None:
    spin_until(middleware, lambda: publisher.get_subscription_count() >= count)


def test_each_subscription_hears_what_is_published_in_order(
    middleware: Middleware, node: GuardedNode, other: GuardedNode
) -> None:
    heard: list[str] = []
    raw: list[str] = []
    other.subscribe(String, "words", lambda message: heard.append(message.data), 10)
    other.subscribe(String, "words", lambda message: raw.append(message.read().data), 10, raw=True)
    publisher = node.create_publisher(String, "words", 10)
    connected(middleware, publisher, 2)
    message = String()
    for word in "abc":
        message.data = word  # the same message again: what was published is not changed by it
        publisher.publish(message)
    spin_until(middleware, lambda: len(heard) == len(raw) == 3)
    assert heard == raw == ["a", "b", "c"]


def test_a_node_hears_itself(middleware: Middleware, node: GuardedNode) -> None:
    heard: list[String] = []
    node.subscribe(String, "words", heard.append, 10)
    publisher = node.create_publisher(String, "words", 10)
    connected(middleware, publisher)
    publisher.publish(String(data="to myself"))
    spin_until(middleware, lambda: heard)


def test_no_message_is_heard_within_the_callback_that_publishes_it(
    middleware: Middleware, node: GuardedNode, other: GuardedNode
) -> None:
    """Callbacks never nest: what a node holds is whole whenever one of them begins."""
    order: list[str] = []
    answers = other.create_publisher(String, "answers", 10)

    def answer(_: String) -> None:
        order.append("begins")
        answers.publish(String())
        order.append("ends")

    other.subscribe(String, "words", answer, 10)
    node.subscribe(String, "answers", lambda _: order.append("answered"), 10)
    words = node.create_publisher(String, "words", 10)
    connected(middleware, words)
    connected(middleware, answers)
    words.publish(String())
    spin_until(middleware, lambda: len(order) == 3)
    assert order == ["begins", "ends", "answered"]


def test_the_last_latched_message_is_heard_by_who_comes_later(
    middleware: Middleware, node: GuardedNode, other: GuardedNode
) -> None:
    publisher = node.create_publisher(String, "state", LATCHED)
    publisher.publish(String(data="old"))
    publisher.publish(String(data="new"))
    heard: list[str] = []
    other.subscribe(String, "state", lambda message: heard.append(message.data), LATCHED)
    spin_until(middleware, lambda: heard)
    assert heard == ["new"]


def test_of_a_depth_of_one_the_newest_is_left(middleware: Middleware, node: GuardedNode, other: GuardedNode) -> None:
    heard: list[str] = []
    other.subscribe(String, "words", lambda message: heard.append(message.data), LATEST)
    publisher = node.create_publisher(String, "words", 10)
    connected(middleware, publisher)
    for number in range(20):
        publisher.publish(String(data=str(number)))
    spin_until(middleware, lambda: "19" in heard)
    assert len(heard) < 20


def test_polled_messages_wait_until_they_are_fetched(
    middleware: Middleware, node: GuardedNode, other: GuardedNode
) -> None:
    polled = other.create_polled(String, "words", 10)
    publisher = node.create_publisher(String, "words", 10)
    connected(middleware, publisher)
    before = node.ros_time()
    for word in "ab":
        publisher.publish(String(data=word))
    taken: list = []

    def take() -> bool:
        if found := polled.take():
            taken.append(found)
        return len(taken) == 2

    spin_until(middleware, take)
    assert [one.message.read().data for one in taken] == ["a", "b"]
    assert polled.take() is None
    assert all(before - 1e6 < one.received < node.ros_time() + 1e6 for one in taken)
    if taken[0].publisher:
        assert taken[0].publisher == taken[1].publisher
        assert taken[1].number == taken[0].number + 1
    assert isinstance(taken[0].message.data, bytes)
    other.destroy_subscription(polled)
    spin_until(middleware, lambda: publisher.get_subscription_count() == 0)


def test_a_subscription_that_was_destroyed_is_not_called(
    middleware: Middleware, node: GuardedNode, other: GuardedNode
) -> None:
    gone: list[String] = []
    heard: list[String] = []
    subscription = other.subscribe(String, "words", gone.append, 10)
    publisher = node.create_publisher(String, "words", 10)
    connected(middleware, publisher)
    other.destroy_subscription(subscription)
    spin_until(middleware, lambda: publisher.get_subscription_count() == 0)
    node.subscribe(String, "words", heard.append, 10)
    connected(middleware, publisher)
    publisher.publish(String())
    spin_until(middleware, lambda: heard)
    assert not gone


def test_what_was_published_can_be_waited_for(middleware: Middleware, node: GuardedNode, other: GuardedNode) -> None:
    other.subscribe(String, "words", lambda _: None, 10)
    publisher = node.create_publisher(String, "words", 10)
    connected(middleware, publisher)
    publisher.publish(String())
    node.handle.wait_for_all_acked(publisher, PATIENCE)


def test_the_graph_tells_of_publishers(middleware: Middleware, node: GuardedNode, other: GuardedNode) -> None:
    latched = node.create_publisher(String, "state", LATCHED)
    spin_until(middleware, lambda: other.count_publishers("state") == 1)
    (endpoint,) = other.get_publishers_info_by_topic("state")
    assert endpoint.topic_type == "std_msgs/msg/String"
    assert is_latched([endpoint])
    assert quality_for([endpoint], 5).depth == 5
    assert ("/state", ["std_msgs/msg/String"]) in [
        (name, list(kinds)) for name, kinds in other.handle.get_topic_names_and_types()
    ]
    assert node.get_name() == "one"
    assert node.get_namespace() == "/"
    assert latched.get_subscription_count() == 0


def test_the_graph_tells_of_subscriptions_and_of_their_nodes(
    middleware: Middleware, node: GuardedNode, other: GuardedNode
) -> None:
    other.subscribe(String, "state", lambda _: None, LATCHED)
    spin_until(middleware, lambda: node.handle.get_subscriptions_info_by_topic("state"))
    (endpoint,) = node.handle.get_subscriptions_info_by_topic("state")
    assert (endpoint.node_name, endpoint.topic_type) == ("other", "std_msgs/msg/String")
    assert not node.handle.get_subscriptions_info_by_topic("another")


def test_a_publisher_that_was_destroyed_is_gone_from_the_graph(
    middleware: Middleware, node: GuardedNode, other: GuardedNode
) -> None:
    publisher = node.create_publisher(String, "words", 10)
    spin_until(middleware, lambda: other.count_publishers("words") == 1)
    node.handle.destroy_publisher(publisher)
    spin_until(middleware, lambda: other.count_publishers("words") == 0)


def test_timers_come_at_their_period_of_the_steady_clock(middleware: Middleware, node: GuardedNode) -> None:
    moments: list[float] = []
    begun = middleware.steady_time()
    node.every(0.02, lambda: moments.append(node.steady_time()))
    spin_until(middleware, lambda: len(moments) >= 10)
    assert moments == sorted(moments)
    assert moments[0] >= begun
    assert moments[9] - begun == pytest.approx(0.2, abs=0.1)


def test_callbacks_that_raise_end_nothing(middleware: Middleware, node: GuardedNode) -> None:
    calls: list[int] = []

    def fail() -> None:
        calls.append(1)
        raise ZeroDivisionError

    node.every(0.01, fail)
    spin_until(middleware, lambda: len(calls) >= 3)


def test_services_answer_and_a_defect_is_an_answer_too(
    middleware: Middleware, node: GuardedNode, other: GuardedNode
) -> None:
    def answer(request: SetBool.Request) -> tuple[bool, str]:
        if not request.data:
            raise ZeroDivisionError
        return True, "done"

    node.serve("enable", answer)
    client = other.client("enable")
    spin_until(middleware, client.service_is_ready)
    future, told = client.call_async(SetBool.Request(data=True)), []
    future.add_done_callback(told.append)
    spin_until(middleware, lambda: told)
    assert (future.result().success, future.result().message) == (True, "done")
    failing = client.call_async(SetBool.Request(data=False))
    spin_until(middleware, failing.done)
    assert not failing.result().success
    assert "ZeroDivisionError" in failing.result().message


def test_a_request_that_nobody_answers_can_be_forgotten(middleware: Middleware, node: GuardedNode) -> None:
    client = node.client("enable")
    assert client.srv_name == "enable"
    assert not client.service_is_ready()
    future = client.call_async(SetBool.Request())
    client.remove_pending_request(future)
    middleware.spin_once(0.01)
    assert not future.done()


def test_parameters_are_declared_overridden_and_bounded(node: GuardedNode, middleware: Middleware) -> None:
    assert node.declare("count", 3, "A count", 1, 5) == 3
    assert node.declare("speed", 0.1, "A speed in m/s", 0.0, 1.0) == 0.5
    assert node.get_parameter("speed") == 0.5
    for value in (2.0, "fast"):
        another = GuardedNode(middleware, "another", {"speed": value})
        with pytest.raises(ValueError, match="speed"):
            another.declare("speed", 0.1, "A speed in m/s", 0.0, 1.0)


def test_changes_of_parameters_are_checked(middleware: Middleware, node: GuardedNode, other: GuardedNode) -> None:
    node.declare("gait", "creep", "A gait", fixed=False)
    node.declare("robot", "demo", "A robot file")
    node.handle.check_changes(lambda name, value: "" if (name, value) != ("gait", "moonwalk") else "no such gait")
    client = other.handle.create_client(SetParameters, "one/set_parameters")
    spin_until(middleware, client.service_is_ready)

    def change(name: str, value: str) -> tuple[bool, str]:
        future = client.call_async(SetParameters.Request(parameters=[text_parameter(name, value)]))
        spin_until(middleware, future.done)
        (result,) = future.result().results
        return result.successful, result.reason

    assert change("gait", "moonwalk") == (False, "no such gait")
    assert node.get_parameter("gait") == "creep"
    assert change("gait", "trot")[0]
    assert node.get_parameter("gait") == "trot"
    assert not change("robot", "another")[0]


def test_workers_step_when_they_said_and_when_woken(middleware: Middleware, node: GuardedNode) -> None:
    steps: list[tuple[bool, float]] = []

    def step(woken: bool) -> float:
        steps.append((woken, node.steady_time()))
        return 0.02 if len(steps) < 3 else 1000.0

    begun = node.steady_time()
    worker = node.start_worker("worker", step, delay=0.1)
    spin_until(middleware, lambda: len(steps) == 3)
    assert [woken for woken, _ in steps] == [False] * 3
    assert steps[0][1] - begun >= 0.1
    assert steps[1][1] - steps[0][1] >= 0.02 - ROUNDING
    worker.wake()
    spin_until(middleware, lambda: len(steps) == 4)
    assert steps[3][0]
    worker.close()
    worker.wake()
    middleware.spin_once(0.02)
    assert len(steps) == 4


def test_a_worker_ends_itself_and_one_that_raises_goes_on(middleware: Middleware, node: GuardedNode) -> None:
    ended: list[bool] = []
    failed: list[bool] = []

    def fail(woken: bool) -> float:
        failed.append(woken)
        raise ZeroDivisionError

    node.start_worker("once", ended.append)
    failing = node.start_worker("failing", fail)
    spin_until(middleware, lambda: len(failed) >= 3)
    failing.close()
    assert ended == [False]


def test_stamps_are_those_of_the_ros_clock(node: GuardedNode) -> None:
    before, stamp, after = node.ros_time(), nanoseconds(node.stamp()), node.ros_time()
    assert before <= stamp <= after


def test_after_the_stop_nothing_is_called_and_closing_twice_is_no_harm(
    middleware: Middleware, node: GuardedNode
) -> None:
    calls: list[int] = []
    node.every(0.01, lambda: calls.append(1))
    spin_until(middleware, lambda: calls)
    middleware.stop()
    count = len(calls)
    node.close()
    node.close()
    middleware.close()
    assert len(calls) == count


def test_callbacks_run_in_the_thread_that_spins(middleware: Middleware, node: GuardedNode) -> None:
    threads: list[threading.Thread] = []
    node.every(0.01, lambda: threads.append(threading.current_thread()))
    spin_until(middleware, lambda: threads)
    assert threads[0] is threading.current_thread()
