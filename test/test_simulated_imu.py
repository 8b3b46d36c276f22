"""The simulated inertial sensor: what it measures of a motion, and its noise against the figures that it states."""

from __future__ import annotations

from dataclasses import replace
from math import cos, radians, sin, sqrt

import mujoco
import numpy as np
import pytest
from sample_robots import digger, inspector

from quadleg.dynamics.gravity import STANDARD_GRAVITY as GRAVITY
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import RobotModel
from quadleg.servos.pulse_conversion import pulse_from_angle
from quadleg.simulation.ground import Ground
from quadleg.simulation.simulated_imu import (
    ACCELEROMETER_BIAS,
    ACCELEROMETER_NOISE,
    GYRO_BIAS,
    GYRO_NOISE,
    SimulatedImu,
)
from quadleg.simulation.world import World

PERIOD = 0.01
LIMP = (None,) * 12


@pytest.fixture
def perfect(monkeypatch: pytest.MonkeyPatch) -> None:
    """A sensor without faults."""
    for name in ("GYRO_NOISE", "ACCELEROMETER_NOISE", "GYRO_BIAS", "ACCELEROMETER_BIAS"):
        monkeypatch.setattr(f"quadleg.simulation.simulated_imu.{name}", 0.0)


def mounted(robot: RobotModel, position: tuple[float, ...], rpy: tuple[float, ...]) -> RobotModel:
    """The robot with its IMU there."""
    frames = [replace(f, position=position, rpy=rpy) if f.name == "imu_link" else f for f in robot.frames]
    return replace(robot, frames=tuple(frames))


def standing(robot: RobotModel, ground: Ground | None = None) -> World:
    world = World(robot, ground)
    angles = stance_angles(robot, robot.standing)
    world.put_at_rest(angles)
    for _ in range(150):
        world.step([pulse_from_angle(joint.servo, angle) for joint, angle in zip(robot.joints, angles)])
    return world


def still(samples: int, seed: int = 0) -> np.ndarray:
    """(samples, 6) of a sensor at rest in free fall: its faults alone."""
    imu = SimulatedImu(PERIOD, seed)
    return np.array([(*s.gyro, *s.acceleration) for s in imu.samples([0.0] * samples, np.zeros((samples, 6)))])


# What it measures


@pytest.mark.usefixtures("perfect")
@pytest.mark.parametrize("rpy", [(0.0, 0.0, 0.0), (0.0, 0.0, 1.5708), (3.14159, 0.3, -0.7)])
def test_at_rest_it_measures_gravity_in_its_own_frame(rpy: tuple[float, float, float]) -> None:
    """REP-145: an accelerometer at rest shows +g along the axis that points up."""
    world = standing(mounted(inspector(), (0.03, -0.02, 0.01), rpy), Ground(slope=radians(6)))
    base = np.array(Pose(*world.pose).matrix)
    sensor = base @ np.array(Pose.from_rpy(0, 0, 0, *rpy).matrix)
    for sample in world.imu:
        assert sample.acceleration == pytest.approx(sensor.T @ [0, 0, GRAVITY], abs=0.02)
        assert sample.gyro == pytest.approx([0, 0, 0], abs=0.002)


@pytest.mark.usefixtures("perfect")
def test_a_turning_body_is_felt_as_rate_and_centripetal_acceleration() -> None:
    """Newton: the specific force of a point at r from the axis of a steady turn at w is w² r towards the axis."""
    arm, rate = 0.05, 5.0

    def floating(position: tuple[float, ...]) -> tuple[World, np.ndarray]:
        """A world in which nothing is heavy, and its centre of mass in base_link."""
        world = World(mounted(inspector(), position, (0.0, 0.0, radians(90))))
        world.model.opt.gravity[:] = (0.0, 0.0, -1e-9)
        world.data.qpos[2] += 1.0
        mujoco.mj_forward(world.model, world.data)
        return world, world.data.subtree_com[1] - world.data.qpos[:3]

    _, (x, y, z) = floating((0.0, 0.0, 0.0))
    world, centre = floating((x + arm, y, z))
    turn = np.array([0.0, 0.0, rate])
    world.data.qvel[3:6] = turn
    world.data.qvel[:3] = -np.cross(turn, centre)  # the centre of mass stays where it is
    world.step(LIMP)
    sample = world.imu[0]
    # Its x is the body's y, its y the body's -x.
    assert sample.gyro == pytest.approx([0, 0, rate], abs=0.15)
    force = sample.acceleration - [0, 0, GRAVITY]
    assert force == pytest.approx([0, rate**2 * arm, 0], abs=0.15)


@pytest.mark.usefixtures("perfect")
def test_what_it_measures_adds_up_to_the_motion() -> None:
    """Strapdown integration (Titterton & Weston 2004) of a fall and a landing ends where the world is."""
    robot = mounted(digger(), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
    world = World(robot, Ground(roughness=0.02), seed=2)
    world.data.qpos[2] += 0.05
    world.data.qvel[3:6] = (1.0, -0.5, 0.8)
    mujoco.mj_forward(world.model, world.data)
    attitude, velocity = np.array(Pose(*world.pose).matrix), world.velocity
    for _ in range(60):
        world.step(LIMP)
        for sample in world.imu:
            half = rotation(sample.gyro * world.imu_period / 2)
            attitude = attitude @ half
            velocity = velocity + world.imu_period * (attitude @ sample.acceleration - [0, 0, GRAVITY])
            attitude = attitude @ half
    np.testing.assert_allclose(attitude, Pose(*world.pose).matrix, atol=1e-3)
    np.testing.assert_allclose(velocity, world.velocity, atol=0.01)


def rotation(vector: np.ndarray) -> np.ndarray:
    """Rodrigues' formula."""
    angle = float(np.linalg.norm(vector)) or 1e-12
    x, y, z = vector / angle
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + sin(angle) * cross + (1 - cos(angle)) * cross @ cross


def test_a_robot_without_one_has_it_at_base_link() -> None:
    world = standing(replace(inspector(), frames=()))
    assert world.imu_frame == "base_link"
    assert world.imu[-1].acceleration == pytest.approx([0, 0, GRAVITY], abs=0.5)


# Its faults


def test_the_allan_deviation_is_that_of_the_stated_noise() -> None:
    """IEEE Std 952-1997: of white noise it is the random walk's coefficient by the root of the averaging time."""
    samples = still(200_000)
    density = np.repeat((GYRO_NOISE, ACCELEROMETER_NOISE), 3)
    for averaged in (1, 10, 100):
        means = samples[: len(samples) // averaged * averaged].reshape(-1, averaged, 6).mean(axis=1)
        deviation = np.sqrt(0.5 * np.mean(np.diff(means, axis=0) ** 2, axis=0))
        assert deviation == pytest.approx(density / sqrt(averaged * PERIOD), rel=0.05)


def test_each_sensor_has_biases_of_its_own_within_the_stated_ones() -> None:
    largest = np.repeat((GYRO_BIAS, ACCELEROMETER_BIAS), 3)
    biases = np.array([SimulatedImu(PERIOD, seed).bias for seed in range(300)])
    assert (abs(biases) <= largest).all()
    assert abs(biases).max(axis=0) == pytest.approx(largest, rel=0.05)
    assert biases.mean(axis=0) / largest == pytest.approx(np.zeros(6), abs=0.12)
    assert still(100_000, seed=7).mean(axis=0) == pytest.approx(SimulatedImu(PERIOD, 7).bias, abs=6e-4)


def test_the_figures_are_those_that_are_promised() -> None:
    imu = SimulatedImu(PERIOD, 0)
    assert imu.deviation[0] == pytest.approx(radians(0.01) / sqrt(PERIOD))
    assert abs(imu.bias[:3]).max() <= radians(1.0)


def test_how_many_samples_are_asked_for_at_once_changes_none_of_them() -> None:
    imu = SimulatedImu(PERIOD, 3)
    sizes = (1, 2, 700, 3, 1500)
    apart = [(*s.gyro, *s.acceleration) for n in sizes for s in imu.samples([0.0] * n, np.zeros((n, 6)))]
    assert (np.array(apart) == still(sum(sizes), seed=3)).all()
