"""servo_output with a supply sensor and an IMU on its bus, in simulated time: a made-up I2C bus, and in physics."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import isnan, radians
from pathlib import Path

import numpy as np
import pytest
from i2c_bus import FakeBus

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from diagnostic_msgs.msg import DiagnosticArray
from nav_msgs.msg import Odometry
from rclpy.qos import qos_profile_sensor_data
from sample_robots import sensor_robot_file
from sensor_msgs.msg import BatteryState, Imu
from servo_output_rig import ServoOutputRig, use_bus
from simulated_client import SOUND, SimulatedHost, SimulatedProbe
from std_srvs.srv import Trigger

from quadleg.middleware.simulated_bus import SimulatedBus
from quadleg.middleware.simulated_time import SimulatedTime
from quadleg.middleware.topics import LATEST, nanoseconds
from quadleg.servos.simulated_sensors import SimulatedIna226, SimulatedMpu6050

BIAS = (radians(1.5), radians(-0.5), radians(0.25))
G = 9.80665


@pytest.fixture
def robot_file(tmp_path: Path) -> Path:
    """The demo robot with both sensors."""
    return sensor_robot_file(tmp_path)


class SensorRig(ServoOutputRig):
    """The node in this process, and what it says."""

    def __init__(self, bus: SimulatedBus, **parameters: object) -> None:
        probe = SimulatedProbe(bus)
        self.supply = probe.hear(BatteryState, "supply", LATEST)
        self.imu = probe.hear(Imu, "imu/data", qos_profile_sensor_data)
        self.diagnostics = probe.hear(DiagnosticArray, "diagnostics")
        super().__init__(probe, SimulatedHost(bus, "servo_output"), **parameters)

    def power_up(self) -> tuple[float, ...]:
        """All joints powered at rest; the angles."""
        self.probe.wait(lambda: self.written() > 0, "the first frame, without power", 5.0)
        self.command((), ())
        self.state("following")
        before = self.written()
        self.command(self.rest)
        self.probe.wait(lambda: self.written() > before, "all joints powered", 5.0)
        assert self.node.health().values["joints_powered"] == 12
        return self.rest

    def written(self) -> int:
        """How many frames have been written to the board."""
        return self.node.health().values["frames_written"]

    def says(self, words: str, level: bytes = b"\x01") -> None:
        """Waits for words in the node's own status."""
        self.probe.wait(
            lambda: any(words in m.status[0].message and m.status[0].level == level for m in self.diagnostics[-3:]),
            words,
            5.0,
        )

    def values(self) -> dict[str, str]:
        (status,) = self.more(self.diagnostics, 1)[0].status
        return {value.key: value.value for value in status.values}


@pytest.fixture
def graph() -> SimulatedBus:
    """What the node and the test are on."""
    return SimulatedBus(SimulatedTime(), conditions=SOUND)


@pytest.fixture
def begin(graph: SimulatedBus) -> Iterator[Callable[..., SensorRig]]:
    """Starts such a node, and closes it at the end."""
    started: list[SensorRig] = []

    def starter(**parameters: object) -> SensorRig:
        started.append(SensorRig(graph, **parameters))
        return started[-1]

    yield starter
    for bench in started:
        bench.close()


class SimulatedChips:
    """What is on the I2C bus, and what it feels."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self.current = 2.0
        self.power = SimulatedIna226(0.002, lambda: (5.9, self.current))
        self.count = 0
        self.imu = SimulatedMpu6050(self._feel, BIAS)
        self.bus = FakeBus(clock=clock)
        self.bus.others = {0x41: self.power, 0x68: self.imu}

    def _feel(self) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
        self.count += 1
        return (0.1, 0.2, -0.3), (0.5, -0.5, G + 0.01 * (self.count % 7))


@pytest.fixture
def chips(graph: SimulatedBus, monkeypatch: pytest.MonkeyPatch) -> SimulatedChips:
    chips = SimulatedChips(graph.time.steady_time)
    use_bus(monkeypatch, chips.bus)
    return chips


def test_it_says_what_the_chips_on_the_bus_say(
    begin: Callable[..., SensorRig], chips: SimulatedChips, robot_file: Path
) -> None:
    bench = begin(robot=str(robot_file), board="i2c")
    rest = bench.power_up()
    samples, supplies = [], []
    for k in range(60):
        bench.command(tuple(angle + 0.02 * (k % 2) for angle in rest))
        bench.probe.run(0.02)
    samples, supplies = bench.imu[-40:], bench.supply[-5:]
    for sample in samples:
        assert (sample.header.frame_id, sample.orientation_covariance[0]) == ("imu_link", -1)
        assert 0 < sample.angular_velocity_covariance[0] < radians(1) ** 2
        rate, force = sample.angular_velocity, sample.linear_acceleration
        assert (rate.x, rate.y, rate.z) == pytest.approx((0.1, 0.2, -0.3), abs=3e-4)
        assert (force.x, force.y, force.z) == pytest.approx((0.5, -0.5, G), abs=0.07)
    periods = np.diff([nanoseconds(sample.header.stamp) for sample in samples]) / 1e9
    assert np.median(periods) == pytest.approx(0.01, abs=0.002)
    for supply in supplies:
        assert supply.present
        assert (supply.voltage, supply.current) == pytest.approx((5.9, -2.0), abs=1e-3)
        assert supply.power_supply_status == BatteryState.POWER_SUPPLY_STATUS_DISCHARGING
    assert 0.03 < np.median(np.diff([nanoseconds(supply.header.stamp) for supply in supplies])) / 1e9 < 0.1
    values = bench.values()
    assert (values["supply"], values["supply_v"], values["supply_now_a"]) == ("measured", "5.90", "2.00")
    assert (values["supply_mean_a"], values["supply_peak_a"], values["imu_hz"]) == ("2.00", "2.00", "100")


def test_no_reading_is_under_way_when_a_frame_comes_on_time(
    begin: Callable[..., SensorRig], chips: SimulatedChips, robot_file: Path
) -> None:
    bench = begin(robot=str(robot_file), board="i2c")
    rest = bench.power_up()
    moments: list[tuple[float, bool]] = []  # and whether it was a frame
    plain = chips.bus.i2c_rdwr

    def noted(*messages) -> None:
        moments.append((bench.probe.now, messages[0].addr == 0x40 and len(messages[0]) > 40))
        plain(*messages)

    chips.bus.i2c_rdwr = noted  # type: ignore[method-assign]
    for k in range(50):
        bench.command(tuple(angle + 0.02 * (k % 2) for angle in rest))
        bench.probe.run(0.02)
    frames = [at for at, is_frame in moments if is_frame]
    assert len(frames) > 40
    gaps = []
    for frame in frames:
        before = [at for at, is_frame in moments if not is_frame and at < frame]
        gaps.append(frame - before[-1] if before else 1.0)
    # The last reading before a frame is half a period away from it, not just before.
    assert np.median(gaps) > 0.004


def test_a_sensor_that_is_gone_is_told_and_nothing_else_suffers(
    begin: Callable[..., SensorRig], chips: SimulatedChips, robot_file: Path
) -> None:
    bench = begin(robot=str(robot_file), board="i2c")
    rest = bench.power_up()
    bench.more(bench.supply, 2)
    imu, power = chips.bus.others.pop(0x68), chips.bus.others.pop(0x41)
    bench.says("supply unknown: no chip answers at address 0x41 on /dev/i2c-1: check the logic supply of the chip")
    bench.says("; no imu/data: no chip answers at address 0x68")
    assert isnan(bench.supply[-1].voltage)
    assert isnan(bench.supply[-1].current)
    assert bench.values()["supply"] == "unknown"
    written = bench.written()
    for k in range(10):
        bench.command(tuple(angle + 0.02 * (k % 2) for angle in rest))
        bench.probe.run(0.02)
    assert bench.written() > written
    assert bench.node.health().values["board_errors"] == 0
    assert bench.probe.ask(Trigger, "emergency_stop").success
    chips.bus.others.update({0x68: imu, 0x41: power})
    bench.probe.wait(lambda: bench.supply[-1].voltage == pytest.approx(5.9, abs=1e-3), "the supply is back", 5.0)
    bench.more(bench.imu, 5)


def test_a_sensor_that_answers_nonsense_is_told(
    begin: Callable[..., SensorRig], chips: SimulatedChips, robot_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(chips.power, "read", lambda register, count: b"\xff" * count)
    monkeypatch.setattr(chips.imu, "read", lambda register, count: b"\x00" * count)
    bench = begin(robot=str(robot_file), board="i2c")
    bench.power_up()
    bench.says("what answers at 0x41 is no INA226: it says 0xFFFF and 0xFFFF")
    bench.says("what answers at 0x68 is no MPU-6050: it says 0x00")
    assert not bench.imu
    assert all(isnan(supply.voltage) for supply in bench.supply)


def test_the_peak_of_the_current_is_told(
    begin: Callable[..., SensorRig], chips: SimulatedChips, robot_file: Path
) -> None:
    bench = begin(robot=str(robot_file), board="i2c")
    bench.power_up()
    chips.current = 8.0
    bench.probe.wait(lambda: bench.values()["supply_peak_a"] == "8.00", "the peak is in the diagnostics", 5.0)


def test_without_a_sensor_the_supply_is_modelled(begin: Callable[..., SensorRig]) -> None:
    bench = begin()
    limp = bench.more(bench.supply, 2)[-1]
    assert limp.current == 0
    bench.power_up()
    supply = bench.probe.wait(
        lambda: next((m for m in bench.supply if m.current < -0.5), None), "the legs' own weight draws current", 5.0
    )
    assert isnan(supply.voltage)
    assert supply.power_supply_status == BatteryState.POWER_SUPPLY_STATUS_UNKNOWN
    assert bench.values()["supply"] == "modelled"
    assert not bench.imu
    # Who measures it elsewhere is not talked down.
    other = bench.probe.publisher(BatteryState, "supply")
    other.publish(BatteryState(voltage=5.5, current=-1.0, present=True))
    bench.probe.wait(lambda: bench.values()["supply"] == "said by another node", "it falls silent", 5.0)
    heard = len(bench.supply)
    bench.more(bench.diagnostics, 2)
    assert len(bench.supply) == heard


def test_in_physics_the_truth_goes_through_the_registers(begin: Callable[..., SensorRig], robot_file: Path) -> None:
    pytest.importorskip("mujoco")
    bench = begin(robot=str(robot_file), physics=True)
    truth = bench.probe.hear(Odometry, "truth/odom", LATEST)
    bench.more(truth, 60)
    samples = bench.more(bench.imu, 80)
    forces = np.array([[getattr(s.linear_acceleration, axis) for axis in "xyz"] for s in samples])
    turns = np.array([[getattr(s.angular_velocity, axis) for axis in "xyz"] for s in samples])
    # Whole counts: 8192 a g, and 65.5 a °/s beside the robot file's bias.
    for counts in (forces / G * 8192, np.degrees(turns + BIAS) * 65.5):
        assert abs(counts - counts.round()).max() < 1e-6
    assert np.linalg.norm(forces.mean(axis=0)) == pytest.approx(G, abs=0.1)
    # Noise once, that of the world's IMU, and the bias that it has at random besides the one that the robot file knows.
    deviation = np.degrees(turns.std(axis=0))
    assert deviation == pytest.approx(0.1, abs=0.04)
    assert abs(np.degrees(turns.mean(axis=0))).max() < 1.1
    periods = np.diff([nanoseconds(s.header.stamp) for s in samples]) / 1e9
    assert np.median(periods) == pytest.approx(0.01, abs=0.002)
    supply = bench.more(bench.supply, 1)[0]
    assert (supply.voltage, supply.current) == pytest.approx((6.0, 0.0), abs=1e-3)
    assert bench.values()["supply"] == "measured"
