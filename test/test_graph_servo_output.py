"""servo_output in this process, on an I2C bus that stalls and fails as the test wants."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from conftest import RosProbe, wait_until
from i2c_bus import FakeBus
from servo_output_rig import ServoOutputRig, use_bus

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from diagnostic_msgs.msg import DiagnosticArray
from sensor_msgs.msg import JointState
from spun_middleware import SpunMiddleware, middleware
from std_srvs.srv import Trigger

from quadleg.dynamics.servo_motors import joint_steps
from quadleg.errors import Uncalibrated
from quadleg.middleware.topics import JOINT_STATES
from quadleg.nodes import servo_output
from quadleg.robot_file.load import find_robot
from quadleg.safety.stop_socket import stop_here


class FaultyBusRig(ServoOutputRig):
    """The node with its bus, which stalls and fails."""

    def __init__(self, probe: RosProbe, bus: FakeBus) -> None:
        self.bus = bus
        self.goes = threading.Event()  # cleared: transfers stall
        self.goes.set()
        self.stalled = threading.Event()
        bus.before = self._before
        self.states = probe.hear(JointState, "joint_states", JOINT_STATES)
        super().__init__(probe, SpunMiddleware(), board="i2c")

    def _before(self) -> None:
        if not self.goes.is_set():
            self.stalled.set()
            self.goes.wait(5.0)

    def powered(self) -> int:
        return sum(counts is not None for counts in self.bus.chip.counts())

    def close(self) -> None:
        self.goes.set()
        super().close()


@pytest.fixture
def bench(probe: RosProbe, monkeypatch: pytest.MonkeyPatch) -> Iterator[FaultyBusRig]:
    """servo_output that follows, all joints powered at rest."""
    bus = FakeBus(clock=time.monotonic)
    use_bus(monkeypatch, bus)
    bench = FaultyBusRig(probe, bus)
    bench.command((), ())
    bench.state("following")
    bench.command(bench.rest)
    wait_until(lambda: bench.powered() == 12, "all joints powered")
    yield bench
    bench.close()


def test_a_bus_that_stalls_keeps_no_clock_waiting(bench: FaultyBusRig) -> None:
    bench.goes.clear()
    rest = bench.rest
    bench.command([angle + 0.02 for angle in rest])
    assert bench.stalled.wait(2.0)
    heard = len(bench.states)
    bench.probe.wait(lambda: len(bench.states) >= heard + 25, "joint_states at the control rate")
    assert "on its way" in bench.state("holding", 3.0)
    assert not bench.goes.is_set()
    bench.goes.set()
    wait_until(lambda: not bench.node.health().values["board_trouble"], "the board takes frames")


def test_commands_that_came_while_the_bus_stalled_do_not_add_up_to_a_step(bench: FaultyBusRig) -> None:
    rest = bench.rest
    channel, knee = bench.node.robot.joints[2].servo.channel, 2
    reach = joint_steps(bench.node.robot, bench.period)[knee]
    counts = lambda: bench.bus.chip.counts()[channel]  # noqa: E731
    seen = [counts()]
    bench.goes.clear()
    bench.command([angle + 0.02 * (i != knee) for i, angle in enumerate(rest)])
    assert bench.stalled.wait(2.0)
    for frames in (1, 2, 3):
        bench.command([angle + frames * reach * (i == knee) for i, angle in enumerate(rest)])
        time.sleep(bench.period)
    bench.bus.before = lambda: seen.append(counts())
    bench.goes.set()

    def arrived() -> bool:
        bench.command([angle + 3 * reach * (i == knee) for i, angle in enumerate(rest)])
        return abs(bench.states[-1].position[knee] - rest[knee] - 3 * reach) < 1e-6

    wait_until(arrived, "the knee three frames on")
    seen.append(counts())
    steps = [abs(b - a) for a, b in pairwise(seen)]
    assert max(steps) <= abs(seen[-1] - seen[0]) / 3 + 1, seen


def test_a_stop_while_the_bus_stalls_ends_without_power(bench: FaultyBusRig) -> None:
    rest = bench.rest
    bench.goes.clear()
    bench.command([angle + 0.02 for angle in rest])
    assert bench.stalled.wait(2.0)
    threading.Timer(0.3, bench.goes.set).start()
    answer = bench.probe.ask(Trigger, "emergency_stop")
    assert answer.success
    bench.state("stopped", 2.0)
    wait_until(lambda: bench.powered() == 0, "no pulses")


def test_the_stop_socket_cuts_the_pulses_while_the_executor_hangs(bench: FaultyBusRig) -> None:
    hangs, goes = threading.Event(), threading.Event()

    def hang() -> None:
        hangs.set()
        goes.wait(10.0)

    bench.node.every(0.01, hang)
    assert hangs.wait(5.0)
    assert stop_here("") == [(True, "pulses are off; `reset` and then `enable` start again")]
    assert bench.powered() == 0
    assert not goes.is_set()
    bench.state("stopped", 5.0)
    goes.set()
    bench.command(bench.rest)
    heard = len(bench.states)
    bench.probe.wait(lambda: len(bench.states) > heard + 5, "joint states after it")
    assert bench.powered() == 0


def test_a_node_that_ends_leaves_no_stop_socket(bench: FaultyBusRig) -> None:
    bench.close()
    assert stop_here("") == []


def test_a_bus_that_fails_is_said_once_and_so_is_its_recovery(
    bench: FaultyBusRig, capfd: pytest.CaptureFixture[str]
) -> None:
    rest = bench.rest
    bench.bus.always_fails = 121  # EREMOTEIO: no acknowledgement
    for k in range(30):
        bench.command([angle + 0.001 * k for angle in rest])
        time.sleep(bench.period)
    assert "no chip answers at address 0x40" in bench.state("holding", 3.0)
    bench.bus.always_fails = None
    told = ""

    def recovered() -> bool:
        nonlocal told
        told += capfd.readouterr().err
        return "the board takes frames again" in told

    wait_until(recovered, "the board takes frames")
    assert told.count("the board fails") == 1
    assert told.count("the board takes frames again") == 1


def test_a_bus_too_slow_for_the_rate_is_said_with_what_it_runs_at(bench: FaultyBusRig) -> None:
    rest = bench.rest
    diagnostics = bench.probe.hear(DiagnosticArray, "diagnostics")
    bench.bus.before = lambda: time.sleep(0.018)
    for k in range(20):
        bench.command([angle + 0.02 * (k % 2) for angle in rest])
        time.sleep(bench.period)
    # 452 clocks in about 18 ms.
    told = "a frame takes .* the bus runs at about 2. kHz, the robot file says 400: raise the speed of the bus"
    bench.probe.wait(
        lambda: any(re.search(told, m.status[0].message) and m.status[0].level == b"\x01" for m in diagnostics),
        "the slow bus is said",
    )


def test_a_robot_that_is_not_calibrated_gets_no_pulse_from_a_real_board(probe: RosProbe, tmp_path: Path) -> None:
    """By the launch file too, which knows nothing of `quadleg run`'s own refusal."""
    text = find_robot("greenhouse_inspector").read_text(encoding="utf-8")
    path = tmp_path / "robot.yaml"
    path.write_text(re.sub(r"(rear_left_knee: .*), pulse_at_zero_us.*", r"\1}", text), encoding="utf-8")
    parameters = {"robot": str(path), "board": "i2c"}
    with middleware() as ros, pytest.raises(Uncalibrated, match=f"not calibrated: rear_left_knee.*calibrate {path}"):
        servo_output.ServoOutput(ros, parameters=parameters)
