"""Walks of the demo robot in physics, recorded once, and what an estimator makes of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from math import degrees, hypot

import numpy as np
from scipy.spatial.transform import Rotation

from quadleg.estimation.body_estimate import ATTITUDE, VELOCITY, Estimate
from quadleg.estimation.odometry import Estimator
from quadleg.gait.planner import GaitPlan, Planner
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.geometry.planar import ZERO_TWIST, Planar
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import legs_inverse, stance_angles
from quadleg.robot.model import MEASURED
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot
from quadleg.servos.pulse_conversion import pulse_from_angle
from quadleg.simulation.ground import Ground
from quadleg.simulation.simulated_imu import ImuSample, SimulatedImu
from quadleg.simulation.world import World
from quadleg.simulation.world_difference import NO_DIFFERENCE, WorldDifference

ROBOT = load_robot(find_robot(DEFAULT_ROBOT))
LYING, RISING, STANDING = 1.0, 3.0, 5.0  # s
COUNTS = 20e-3 / 4096  # s: what the board makes of a pulse


@dataclass(frozen=True)
class TickRecord:
    """What came in one control tick, and what was true at its end."""

    time: float
    imu: tuple[ImuSample, ...]
    measured: np.ndarray
    commanded: np.ndarray
    plan: GaitPlan | None
    position: np.ndarray
    rotation: Rotation
    velocity: np.ndarray
    forces: np.ndarray


@dataclass(frozen=True)
class WalkRun:
    """The ticks of one run, the first of the walk, and the IMU's true biases (gyro, acceleration)."""

    ticks: list[TickRecord]
    walk: int
    bias: np.ndarray


@cache
def recorded(
    gait: str,
    twist: Planar,
    seconds: float,
    seed: int,
    ground: Ground | None = None,
    lying: float = LYING,
    standing: float = STANDING,
    difference: WorldDifference = NO_DIFFERENCE,
) -> WalkRun:
    """The robot lies limp, rises, stands for a while (5 s), and walks; in truth it has a difference."""
    world = World(ROBOT, ground or Ground(), seed=seed, difference=difference)
    period = world.frame
    planner = Planner(ROBOT, _limits(gait), period)
    ticks: list[TickRecord] = []

    def tick(angles: tuple[float, ...], plan: GaitPlan | None) -> None:
        pulses = [pulse_from_angle(joint.servo, angle) for joint, angle in zip(ROBOT.joints, angles)]
        world.step([round(pulse / COUNTS) * COUNTS if plan else None for pulse in pulses])
        (position, (w, x, y, z)), rotation = world.pose, Rotation.from_quat
        ticks.append(
            TickRecord(world.time, tuple(world.imu), world.measured_angles, np.array(angles), plan, np.array(position),
                 rotation((x, y, z, w)), world.velocity, world.foot_forces)
        )  # fmt: skip

    rest, stance = ROBOT.resting, ROBOT.standing
    for _ in range(round(lying / period)):
        tick(stance_angles(ROBOT, rest), None)
    stands = planner.step()
    for share in np.linspace(0.0, 1.0, round(RISING / period)).tolist():
        height = rest.height + (stance.height - rest.height) * (3 * share**2 - 2 * share**3)
        tick(legs_inverse(ROBOT, Pose((0.0, 0.0, height)), stance.feet), stands)
    for asked, duration in ((ZERO_TWIST, standing), (twist, seconds)):
        walk = len(ticks)
        planner.walk(asked)
        for _ in range(round(duration / period)):
            plan = planner.step()
            tick(legs_inverse(ROBOT, Pose((*plan.shift, stance.height)), plan.feet), plan)
    assert not world.fallen
    return WalkRun(ticks, walk, SimulatedImu(world.imu_period, seed, difference).bias)


@cache
def _limits(gait: str) -> WalkingLimits:
    return WalkingLimits(ROBOT, ROBOT.gait(gait))


def replayed(
    run: WalkRun,
    angles: str = MEASURED,
    change: Callable[[int, TickRecord], TickRecord] | None = None,
    end: int | None = None,
) -> list[Estimate]:
    """The estimates after each tick; `change` puts faults into what comes in."""
    estimator = Estimator(ROBOT, angles)
    estimates = []
    for number, tick in enumerate(run.ticks[:end]):
        given = change(number, tick) if change else tick
        for sample in given.imu:
            estimator.imu(sample.time, tuple(sample.gyro.tolist()), tuple(sample.acceleration.tolist()))
        estimator.legs(given.time, given.measured if angles == MEASURED else given.commanded, given.plan)
        estimates.append(estimator.estimate)
    return estimates


class EstimateErrors:
    """Of the estimates of a run, from the walk's first tick on (or `start`), against the truth.

    The estimate begins where the robot is; so the truth is turned and shifted to agree with it at `start`, in yaw and
    place. `attitude` and `velocity` are (n, 3) in rad and m/s, `position` (n, 3) in m, `path` the way gone in m, by
    strides of 1.6 s.
    """

    def __init__(self, run: WalkRun, estimates: list[Estimate], start: int | None = None) -> None:
        start = run.walk if start is None else start
        ticks = run.ticks[start : len(estimates)]
        self.estimates = estimates[start:]
        found = Rotation.from_quat([(x, y, z, w) for w, x, y, z in (e.quaternion for e in self.estimates)])
        true = Rotation.concatenate([tick.rotation for tick in ticks])
        turn = Rotation.from_euler("z", (found[0] * true[0].inv()).as_rotvec()[2])
        self.attitude = (found * (turn * true).inv()).as_rotvec()
        self.velocity = np.array([e.velocity for e in self.estimates]) - turn.apply([tick.velocity for tick in ticks])
        places = turn.apply([tick.position for tick in ticks])
        way = np.array([e.position for e in self.estimates])
        self.position = way - way[0] - (places - places[0])
        self.path = sum(hypot(*(b - a)[:2]) for a, b in pairwise(places[::80])) or 1.0
        self.seconds = ticks[-1].time - ticks[0].time

    @property
    def drift(self) -> float:
        """At the end, along the ground, in percent of the path."""
        return 100 * hypot(*self.position[-1][:2]) / self.path

    @property
    def yaw(self) -> float:
        """deg/min."""
        return abs(degrees(self.attitude[-1][2])) / (self.seconds / 60)

    @property
    def tilt(self) -> float:
        """deg rms of roll and pitch, each."""
        return degrees(float(np.sqrt((self.attitude[:, :2] ** 2).mean(axis=0)).max()))

    def nees(self, quantity: str, first: int) -> np.ndarray:
        """The normalised estimation error squared of roll and pitch ("tilt") or velocity, from a tick on."""
        errors, rows = {
            "tilt": (self.attitude[:, :2], slice(ATTITUDE.start, ATTITUDE.start + 2)),
            "velocity": (self.velocity, VELOCITY),
        }[quantity]
        pairs = zip(errors[first:], self.estimates[first:])
        return np.array([e @ np.linalg.solve(x.covariance[rows, rows], e) for e, x in pairs])
