"""What ends a program from outside: signals as a Ctrl-C, and when they act."""

from __future__ import annotations

import signal

import pytest

from quadleg.interrupts import ENDING, ended_by_signals, signals_held


@pytest.mark.parametrize("number", ENDING)
def test_a_signal_that_ends_is_a_ctrl_c(number: signal.Signals) -> None:
    before = signal.getsignal(number)
    with pytest.raises(KeyboardInterrupt), ended_by_signals():
        signal.raise_signal(number)
    assert signal.getsignal(number) is before


@pytest.mark.parametrize("number", [signal.SIGINT, *ENDING])
def test_a_signal_that_is_held_acts_once_what_runs_is_done(number: signal.Signals) -> None:
    done = []

    def work() -> None:
        with ended_by_signals(), signals_held():
            signal.raise_signal(number)
            done.append(number)

    before = signal.getsignal(number)
    with pytest.raises(KeyboardInterrupt):
        work()
    assert done == [number]
    assert signal.getsignal(number) is before


def test_a_signal_that_is_ignored_stays_ignored_while_it_is_held() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with signals_held():
            signal.raise_signal(signal.SIGHUP)
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


def test_a_signal_while_rclpy_makes_a_message_is_a_ctrl_c_and_no_error_of_its_own(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")
    from conftest import own_domain
    from std_msgs.msg import String

    from quadleg.middleware.rclpy_middleware import RclpyMiddleware

    own_domain(monkeypatch)
    middleware = RclpyMiddleware()
    node = middleware.create_node("hears")
    heard: list[str] = []
    node.create_subscription(String, "words", lambda message: heard.append(message.data), 10)
    publisher = node.create_publisher(String, "words", 10)
    make = String.__init__

    def make_interrupted(message: String, **fields: str) -> None:
        signal.raise_signal(signal.SIGTERM)
        make(message, **fields)

    words = String(data="as said")
    monkeypatch.setattr(String, "__init__", make_interrupted)

    def spin() -> None:
        with ended_by_signals():
            for _ in range(100):
                publisher.publish(words)
                with signals_held():
                    middleware.spin_once(0.1)

    try:
        with pytest.raises(KeyboardInterrupt):
            spin()
        assert heard == ["as said"]
    finally:
        middleware.close()
