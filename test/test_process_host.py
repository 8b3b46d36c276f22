"""What a child of the runner hears of its parent."""

from __future__ import annotations

import signal
import socket
from collections.abc import Iterator

import pytest
from conftest import wait_until

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from quadleg.middleware.ipc import END, OFF, READY
from quadleg.middleware.process_host import ShutdownRequests


@pytest.fixture(autouse=True)
def signals() -> Iterator[None]:
    """Wishes takes the process's signals; they are given back."""
    kept = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    yield
    for number, handler in kept.items():
        signal.signal(number, handler)


def test_the_parents_words_end_the_whole_graph_and_then_switch_off() -> None:
    ours, theirs = socket.socketpair()
    wishes = ShutdownRequests(theirs)
    assert not wishes.end
    ours.send(END)
    wait_until(lambda: wishes.end, 5.0, "the end")
    assert not wishes.alone
    assert not wishes.off
    ours.send(OFF)
    wait_until(lambda: wishes.off, 5.0, "off")


@pytest.mark.parametrize("unread", [b"", READY])  # with words unread it is a reset of the connection
def test_a_parent_that_died_is_an_end_of_the_whole_graph(unread: bytes) -> None:
    ours, theirs = socket.socketpair()
    theirs.send(unread)
    wishes = ShutdownRequests(theirs)
    ours.close()
    wait_until(lambda: wishes.end, 5.0, "the end")
    assert not wishes.alone


def test_signals_are_an_end_of_this_process_alone_and_the_second_is_off() -> None:
    wishes = ShutdownRequests(None)
    signal.raise_signal(signal.SIGTERM)
    assert wishes.end
    assert wishes.alone
    assert not wishes.off
    signal.raise_signal(signal.SIGINT)
    assert wishes.off
