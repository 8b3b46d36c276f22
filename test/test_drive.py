"""`quadleg drive` in a terminal of the test's own: what the keys send, what the screen shows, and every way it ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator

import pytest
from conftest import RosProbe, own_domain

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from fake_stack import FakeStack
from geometry_msgs.msg import TwistStamped
from pseudo_terminal import UP, PseudoTerminal
from rcl_interfaces.srv import GetParameters
from rclpy.parameter import Parameter
from std_srvs.srv import Trigger

from quadleg.robot_file.load import find_robot, load_robot
from quadleg.runtime.node_table import find_each_other_soon
from quadleg.safety.stop_socket import StopSocket

LEFT = b"\x1b[D"
NOTCH = 0.07 / 5
SLACK = 0.6  # s that a busy computer may be late


@pytest.fixture(scope="module")
def fake_stack() -> Iterator[FakeStack]:
    """What drive takes for a stack."""
    with pytest.MonkeyPatch.context() as patch:
        own_domain(patch)
        find_each_other_soon()
        probe = RosProbe()
        fake_stack = FakeStack(probe)

        def parameters(request, response):
            values = {"robot": "greenhouse_inspector", "frame_prefix": "test/"}
            response.values = [Parameter(n, value=values[n]).get_parameter_value() for n in request.names]
            return response

        probe.node.create_service(GetParameters, "gait/get_parameters", parameters)
        probe.node.create_service(Trigger, "emergency_stop", fake_stack.answers("emergency_stop", lambda _: None))
        probe.node.create_service(Trigger, "reset", fake_stack.answers("reset", lambda _: None))
        yield fake_stack
        probe.close()


@pytest.fixture
def start_drive(fake_stack: FakeStack) -> Iterator[Callable[..., PseudoTerminal]]:
    """Starts drive on an active robot, and waits until it drives."""
    terminals = []

    def starter(*arguments: str, code: str = "pass") -> PseudoTerminal:
        fake_stack.state("active")
        fake_stack.limits()
        nobody_drives(fake_stack)
        terminals.append(PseudoTerminal(*arguments, code=code))
        terminals[-1].shows("active:", "0.070 m/s forward", seconds=20.0)
        return terminals[-1]

    yield starter
    for terminal in terminals:
        terminal.end()


@pytest.fixture(scope="module")
def shared(fake_stack: FakeStack) -> Iterator[PseudoTerminal]:
    """One terminal for all tests that leave it driving."""
    fake_stack.state("active")
    fake_stack.limits()
    terminal = PseudoTerminal()
    yield terminal
    terminal.end()


@pytest.fixture
def terminal(shared: PseudoTerminal, fake_stack: FakeStack) -> PseudoTerminal:
    """The shared terminal with a robot that is active and asked for nothing."""
    fake_stack.state("active")
    shared.shows("active:", "0.070 m/s forward", "no key is pressed", seconds=20.0)
    nobody_drives(fake_stack)
    return shared


def nobody_drives(fake_stack: FakeStack) -> None:
    """Waits until what a test before this one has started is over: who drives second does not begin."""
    while not fake_stack.is_silent(fake_stack.velocities, 0.6):
        pass


def test_the_screen_shows_state_limits_and_all_keys(terminal: PseudoTerminal) -> None:
    terminal.shows(
        "quadleg drive: greenhouse_inspector",
        "active:",
        "no velocity",
        "0.070 m/s forward, 0.060 back, 0.040 left, 0.050 right, 0.40 rad/s turning",
        "creep of creep, trot",
        "no key is pressed",
        "EMERGENCY STOP",
        "sit down, then off",
        "next gait",
        "Space",
        "Tab",
    )


def test_keys_walk_by_notches_and_stop(terminal: PseudoTerminal, fake_stack: FakeStack) -> None:
    terminal.keys(UP * 2 + LEFT)
    fake_stack.goes(2 * NOTCH, 0.0, 0.08)
    assert fake_stack.velocities[-1].header.frame_id == "test/base_footprint"
    terminal.shows("0.028 m/s forward, 0.080 rad/s left", "s until it stops")
    begun, before = time.monotonic(), len(fake_stack.velocities)
    fake_stack.probe.wait(lambda: len(fake_stack.velocities) >= before + 10, "ten velocities")
    assert time.monotonic() - begun > 0.3
    terminal.keys(b" ")
    fake_stack.goes(0.0, 0.0, 0.0)
    terminal.keys(UP)
    fake_stack.goes(NOTCH, 0.0, 0.0)
    terminal.keys(b"z")  # a key that means nothing
    fake_stack.goes(0.0, 0.0, 0.0)


def test_where_nobody_presses_a_key_it_stops_and_is_silent(
    start_drive: Callable[..., PseudoTerminal], fake_stack: FakeStack
) -> None:
    terminal = start_drive("--dead-man", "0.5")
    terminal.keys(UP)
    pressed = time.monotonic()
    fake_stack.goes(NOTCH, 0.0, 0.0)
    fake_stack.goes(0.0, 0.0, 0.0)
    assert 0.3 < time.monotonic() - pressed < 0.6 + SLACK
    assert fake_stack.is_silent(fake_stack.velocities)


def _ctrl_c(terminal: PseudoTerminal) -> None:
    terminal.keys(b"\x03")


def _quit(terminal: PseudoTerminal) -> None:
    terminal.keys(b"q")


def _signal(terminal: PseudoTerminal) -> None:
    terminal.process.send_signal(signal.SIGTERM)


@pytest.mark.parametrize(
    "end", [_ctrl_c, PseudoTerminal.hang_up, *(pytest.param(end, marks=pytest.mark.long) for end in (_quit, _signal))]
)
def test_however_it_ends_walking_ends_within_half_a_second(
    start_drive: Callable[..., PseudoTerminal], fake_stack: FakeStack, end: Callable[[PseudoTerminal], None]
) -> None:
    terminal = start_drive()
    terminal.keys(UP * 5)
    fake_stack.goes(0.07, 0.0, 0.0)
    ended = time.monotonic()
    end(terminal)
    fake_stack.goes(0.0, 0.0, 0.0)
    assert time.monotonic() - ended < 1.0  # half a second, on a computer that has other tests to run
    code = terminal.process.wait(10)
    if end is not PseudoTerminal.hang_up:
        assert code == 0, terminal.screen
        terminal.shows("not driving any more; the robot is active", seconds=2.0)
        assert termios.tcgetattr(terminal.master) == terminal.before
        assert "Traceback" not in terminal.screen
    assert fake_stack.is_silent(fake_stack.velocities, 0.2)


def test_keys_that_waited_while_it_was_stopped_move_nothing_but_the_emergency_stop_counts(
    terminal: PseudoTerminal, fake_stack: FakeStack
) -> None:
    terminal.keys(UP)
    fake_stack.goes(NOTCH, 0.0, 0.0)
    terminal.process.send_signal(signal.SIGSTOP)
    before = len(fake_stack.velocities)
    time.sleep(0.7)  # what stops a process stops its clock too
    terminal.keys(UP * 5 + b"e")
    fake_stack.asked.clear()
    terminal.process.send_signal(signal.SIGCONT)
    fake_stack.asks("emergency_stop", None)
    fake_stack.goes(0.0, 0.0, 0.0)
    assert all(message.twist.linear.x <= NOTCH * 1.001 for message in fake_stack.velocities[before:])


def test_emergency_stop_sitting_standing_and_the_gait(terminal: PseudoTerminal, fake_stack: FakeStack) -> None:
    terminal.keys(UP)
    fake_stack.goes(NOTCH, 0.0, 0.0)
    stopped = threading.Event()
    own = StopSocket("", os.environ["ROS_DOMAIN_ID"], lambda: (not stopped.set(), "off"), print)
    terminal.keys(b"e")
    fake_stack.asks("emergency_stop", None)
    fake_stack.goes(0.0, 0.0, 0.0)
    terminal.shows("emergency stop: pulses are off; r resets when the cause is gone")
    assert stopped.wait(5.0)
    own.close()
    terminal.keys(b"d")
    fake_stack.asks("enable", False)
    terminal.shows("sit: done")  # answers of two services may come in either order
    terminal.keys(b"g")
    fake_stack.asks("gait", "trot")
    terminal.shows("gait: trot")
    fake_stack.limits()
    # A robot that is off stands up by two presses only.
    fake_stack.state("off")
    terminal.shows("off:")
    fake_stack.asked.clear()
    terminal.keys(b"u")
    terminal.shows("Then u again")
    assert not fake_stack.asked
    terminal.keys(b"u")
    fake_stack.asks("enable", True)


def test_a_fault_is_reset_by_its_key(terminal: PseudoTerminal, fake_stack: FakeStack) -> None:
    fake_stack.state("fault")
    terminal.shows("fault:", "r resets when the cause is gone")
    fake_stack.asked.clear()
    terminal.keys(b"r")
    fake_stack.asks("reset", None)
    terminal.shows("reset: the fault is over")


def test_no_speed_is_taken_by_a_robot_that_does_not_stand(terminal: PseudoTerminal, fake_stack: FakeStack) -> None:
    for state in ("off", "rising", "lowering", "fault"):
        fake_stack.state(state)
        terminal.shows(f"{state}:")
        before = len(fake_stack.velocities)
        terminal.keys(UP)
        terminal.shows(f"no speed is taken: the robot does not stand, its state is {state}")
        assert len(fake_stack.velocities) == before
    fake_stack.state("active")
    terminal.shows("active:")
    assert fake_stack.is_silent(fake_stack.velocities)  # what was pressed before it stood is not done afterwards


def test_what_is_clipped_is_told(terminal: PseudoTerminal, fake_stack: FakeStack) -> None:
    fake_stack.gait_says(scale=0.62)
    terminal.keys(UP * 6)
    fake_stack.goes(0.07, 0.0, 0.0)
    terminal.shows("forward: this is the most", "walks at 62 % of that")
    fake_stack.gait_says(scale=1.0)
    terminal.keys(b" ")


def test_an_answer_goes_after_a_while(start_drive: Callable[..., PseudoTerminal], fake_stack: FakeStack) -> None:
    terminal = start_drive(code="drive.ANSWER_TIME = 0.5")
    terminal.keys(b"g")
    terminal.shows("gait: trot")
    terminal.lacks("gait: trot")
    fake_stack.limits()


def test_the_body_is_posed_and_stays(terminal: PseudoTerminal, fake_stack: FakeStack) -> None:
    height = load_robot(find_robot("greenhouse_inspector")).standing.height
    before = len(fake_stack.kept)
    terminal.keys(b"\t" + b"." * 5)
    fake_stack.probe.wait(
        lambda: fake_stack.targets and fake_stack.targets[-1].pose.position.z > height + 0.0299, "higher"
    )
    terminal.shows("height +30 mm", "the keys now shift the body")
    terminal.keys(b" ")
    fake_stack.probe.wait(lambda: len(fake_stack.kept) > before, "the pose that is left")
    assert fake_stack.kept[-1].pose == fake_stack.targets[-1].pose
    terminal.keys(b"\t\t")
    terminal.shows("the keys now walk")


def test_another_who_drives_is_said_and_not_disturbed(terminal: PseudoTerminal, fake_stack: FakeStack) -> None:
    other = fake_stack.probe.node.create_publisher(TwistStamped, "teleop/cmd_vel", 10)
    message = TwistStamped()
    end = threading.Event()

    def drive() -> None:
        while not end.wait(0.05):
            message.header.stamp = fake_stack.probe.node.get_clock().now().to_msg()
            message.twist.linear.x = 0.01
            other.publish(message)

    thread = threading.Thread(target=drive)
    thread.start()
    try:
        fake_stack.goes(0.01, 0.0, 0.0)
        before = len(fake_stack.velocities)
        terminal.keys(UP)
        terminal.shows("another publisher drives")
        assert all(message.twist.linear.x == 0.01 for message in fake_stack.velocities[before:])
    finally:
        end.set()
        thread.join()
        fake_stack.probe.node.destroy_publisher(other)


def test_no_terminal_is_said(fake_stack: FakeStack) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "quadleg.cli.main", "drive"], capture_output=True, text=True, check=False, timeout=20
    )
    assert done.returncode == 1
    assert "this is not" in done.stderr


def test_no_stack_is_said(fake_stack: FakeStack) -> None:
    terminal = PseudoTerminal("--namespace", "nowhere", code="drive.HEARD_WITHIN = 0.3")
    terminal.shows("no running stack is heard", seconds=20.0)
    assert terminal.process.wait(10) == 1
    terminal.end()
