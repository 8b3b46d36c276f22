"""What a child of the runner hears of its parent."""

from __future__ import annotations

import signal
import socket
from collections.abc import Iterator

import pytest
from conftest import wait_until

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from quadleg.middleware.hosted_nodes import ShutdownRequests
from quadleg.middleware.ipc import END, OFF, READY
from quadleg.middleware.process_host import shutdown_requests


@pytest.fixture(autouse=True)
def signals() -> Iterator[None]:
    """It takes the process's signals; they are given back."""
    kept = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    yield
    for number, handler in kept.items():
        signal.signal(number, handler)


def test_the_parents_words_end_the_whole_graph_and_then_switch_off() -> None:
    ours, theirs = socket.socketpair()
    requests = shutdown_requests(theirs)
    assert not requests.end
    ours.send(END)
    wait_until(lambda: requests.end, "the end")
    assert not requests.alone
    assert not requests.off
    ours.send(OFF)
    wait_until(lambda: requests.off, "off")


@pytest.mark.parametrize("unread", [b"", READY])  # with words unread it is a reset of the connection
def test_a_parent_that_died_is_an_end_of_the_whole_graph(unread: bytes) -> None:
    ours, theirs = socket.socketpair()
    theirs.send(unread)
    requests = shutdown_requests(theirs)
    ours.close()
    wait_until(lambda: requests.end, "the end")
    assert not requests.alone


def test_signals_are_an_end_of_this_process_alone_and_the_second_is_off() -> None:
    requests = shutdown_requests(None)
    signal.raise_signal(signal.SIGTERM)
    assert requests.end
    assert requests.alone
    assert not requests.off
    signal.raise_signal(signal.SIGINT)
    assert requests.off


@pytest.mark.parametrize("parent_first", [True, False])
def test_a_signal_and_the_parents_end_are_one_wish(parent_first: bool) -> None:
    requests = ShutdownRequests()
    for parent in (parent_first, not parent_first):
        if parent:
            requests.hear(END)
        else:
            requests.signal()
    assert requests.end
    assert not requests.off
    assert requests.alone is not parent_first
    requests.signal()
    assert requests.off
