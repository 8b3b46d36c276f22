"""servo_output with a simulated body behind its board, in simulated time."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from i2c_bus import FakeBus

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from nav_msgs.msg import Odometry
from rclpy.qos import qos_profile_sensor_data
from sensor_msgs.msg import BatteryState, Imu, JointState
from servo_output_rig import ServoOutputRig
from simulated_client import SOUND, SimulatedHost, SimulatedProbe
from std_srvs.srv import Trigger

from quadleg.hardware.i2c_board import I2cBoard
from quadleg.kinematics.body_pose import stance_angles
from quadleg.middleware.simulated_bus import SimulatedBus
from quadleg.middleware.simulated_middleware import SimulatedMiddleware
from quadleg.middleware.simulated_time import SimulatedTime
from quadleg.middleware.topics import JOINT_STATES, LATEST, nanoseconds
from quadleg.nodes import servo_board, servo_output
from quadleg.robot.model import RobotModel
from quadleg.safety import transitions
from quadleg.simulation.spread import world_spread

GRAVITY = 9.80665
PERIOD = 0.02


class PhysicsRig(ServoOutputRig):
    """The node, and what it says."""

    def __init__(self, bus: SimulatedBus, **parameters: object) -> None:
        self.host = SimulatedHost(bus, "servo_output")
        super().__init__(probe := SimulatedProbe(bus), self.host, physics=True, **parameters)
        self.imu = probe.hear(Imu, "imu/data", qos_profile_sensor_data)
        self.truth = probe.hear(Odometry, "truth/odom", LATEST)
        self.supply = probe.hear(BatteryState, "supply", LATEST)
        self.states = probe.hear(JointState, "joint_states", JOINT_STATES)

    def rise(self) -> None:
        """Follows the watchdog's own path up, a command a frame of the world."""
        while not any(said.data.startswith("following") for said in self.said):
            self.command((), ())
            self.more(self.truth, 2)
        self.command(self.rest)
        for angles in transitions.rising(self.robot, self.rest, PERIOD):
            self.command(angles)
            self.more(self.truth, 1)
        self.more(self.truth, 20)

    def height(self) -> float:
        return self.truth[-1].pose.pose.position.z


@pytest.fixture
def start() -> Iterator[Callable[..., PhysicsRig]]:
    """Starts such nodes, and closes those that are still open at the end."""
    bus = SimulatedBus(SimulatedTime(), conditions=SOUND)
    started: list[PhysicsRig] = []

    def starter(**parameters: object) -> PhysicsRig:
        started.append(PhysicsRig(bus, **parameters))
        return started[-1]

    yield starter
    for bench in started:
        bench.close()


def test_it_publishes_an_imu_as_a_driver_would(start: Callable[..., PhysicsRig]) -> None:
    bench = start()
    bench.more(bench.imu, 100)  # until the limp legs have settled
    samples = bench.more(bench.imu, 100)
    for sample in samples:
        assert sample.header.frame_id == "imu_link"
        assert sample.orientation_covariance[0] == -1
        assert sample.angular_velocity_covariance[0] == pytest.approx(np.radians(0.01) ** 2 * 100)
        assert sample.linear_acceleration_covariance[8] > 0
    forces = np.array([[getattr(s.linear_acceleration, axis) for axis in "xyz"] for s in samples])
    assert np.linalg.norm(forces.mean(axis=0)) == pytest.approx(GRAVITY, abs=0.1)
    periods = np.diff([nanoseconds(s.header.stamp) for s in samples]) / 1e9
    # Of the two samples of a frame one may overtake the other, which is lost then.
    assert np.median(periods) == pytest.approx(0.01, abs=0.002)
    assert min(periods) > 0.002


def test_its_body_is_drawn_from_a_spread(start: Callable[..., PhysicsRig]) -> None:
    """By the node's seed: the joints lie where they lay, but for their play, and their sensors are off as it draws."""
    said = []
    for spread in ("none", "calibrated"):
        bench = start(spread=spread, seed=4)
        said.append(np.array(bench.more(bench.states, 5)[-1].position))
        bench.close()
    drawn = world_spread("calibrated").draw(4)
    off = said[1] - said[0] - np.array(drawn.sensor_offset)
    assert (abs(off) < np.array(drawn.play) / 2 + 5 * drawn.sensor_noise + drawn.sensor_step + 0.002).all()
    assert np.corrcoef(said[1] - said[0], drawn.sensor_offset)[0, 1] > 0.5


def test_it_stands_up_and_says_how(start: Callable[..., PhysicsRig]) -> None:
    bench = start()
    bench.rise()
    assert bench.height() == pytest.approx(bench.robot.standing.height, abs=0.008)
    truth, states = bench.more(bench.truth, 1)[0], bench.more(bench.states, 10)
    assert (truth.header.frame_id, truth.child_frame_id) == ("map", "base_link")
    stamps = [nanoseconds(state.header.stamp) for state in states]
    assert stamps == sorted(set(stamps))
    # Under its weight no joint is quite where it was sent, and the torques are those that carry it.
    standing = np.array(stance_angles(bench.robot, bench.robot.standing))
    off = abs(np.array(states[-1].position) - standing)
    assert 0.005 < off.max() < 0.06
    assert 0.2 < abs(np.array(states[-1].effort)).max() < 0.98
    supply = bench.more(bench.supply, 1)[0]
    assert supply.present
    assert np.isnan(supply.percentage)
    # Twelve servos that idle at 0.01 A and stall at 2.5 A; the legs carry 1.5 kg at rest.
    assert 1.0 < -supply.current < 8.0
    assert 5.5 < supply.voltage < 6.0 - 0.01
    assert bench.probe.ask(Trigger, "emergency_stop").success
    bench.probe.wait(lambda: bench.height() < 0.08, "the body falls", 5.0)
    limp = bench.more(bench.supply, 2)[-1]
    assert (limp.current, limp.voltage) == (0, 6)


def test_hidden_joint_angles_are_the_commanded_ones(start: Callable[..., PhysicsRig]) -> None:
    bench = start(joint_angles="modelled")
    bench.rise()
    state = bench.more(bench.states, 1)[0]
    assert list(state.position) == pytest.approx(stance_angles(bench.robot, bench.robot.standing), abs=1e-6)
    assert not state.effort
    assert bench.height() == pytest.approx(bench.robot.standing.height, abs=0.008)


def test_after_a_restart_the_body_is_back_at_rest(start: Callable[..., PhysicsRig], tmp_path: Path) -> None:
    memory = str(tmp_path / "board")
    bench = start(board_memory=memory)
    bench.rise()
    assert bench.height() == pytest.approx(bench.robot.standing.height, abs=0.008)
    assert not any("physics begins anew" in words for *_, words in bench.host.log)
    bench.close()  # the chip goes on with its pulses
    bench = start(board_memory=memory)
    assert any("the body is put back at rest" in words for *_, words in bench.host.log)
    bench.more(bench.truth, 1)
    place = bench.truth[0].pose.pose.position  # later, without a watchdog, it lies down by itself
    assert place.z == pytest.approx(bench.robot.standing.height, abs=0.01)
    assert (place.x, place.y) == pytest.approx((0, 0), abs=0.03)


def test_the_ground_is_a_parameter(start: Callable[..., PhysicsRig]) -> None:
    bench = start(ground_slope=0.1)
    attitude = bench.more(bench.truth, 50)[-1].pose.pose.orientation
    assert 2 * attitude.y == pytest.approx(-0.1, abs=0.03)


@pytest.fixture
def refusal() -> Callable[..., str]:
    """Why servo_output does not start."""

    def start(**parameters: object) -> str:
        with pytest.raises(ValueError, match="parameter") as caught:
            servo_output.ServoOutput(SimulatedMiddleware(SimulatedBus(SimulatedTime())), parameters=parameters)
        return str(caught.value)

    return start


def test_physics_needs_the_simulated_board(refusal: Callable[..., str], monkeypatch: pytest.MonkeyPatch) -> None:
    def on_i2c(robot: RobotModel, *_: object) -> I2cBoard:
        return I2cBoard(robot.board, lambda path, address: FakeBus())

    monkeypatch.setattr(servo_board, "open_board", on_i2c)
    said = refusal(physics=True, board="i2c")
    assert (
        said
        == "parameter physics is true on a board of kind i2c; it must be false there, or parameter board 'simulated'"
    )


def test_a_spread_is_one_that_there_is(refusal: Callable[..., str]) -> None:
    said = refusal(physics=True, spread="rough")
    assert said == "parameter spread is 'rough'; it must be one of none, calibrated, as-built"


def test_physics_needs_mujoco(refusal: Callable[..., str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "quadleg.nodes.physics_board", None)  # as if an import in it failed
    assert (
        refusal(physics=True)
        == "parameter physics is true, which needs MuJoCo: pip install -e '.[sim]' in quadleg's folder"
    )
