"""What each difference from the robot file does to the world, in MuJoCo, and what it does not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import pi, radians

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

pytest.importorskip("mujoco", reason="mujoco does not import: install the extra `sim`")

import mujoco
from mujoco_robot import free_base
from sample_robots import inspector

from quadleg.dynamics.gravity import STANDARD_GRAVITY as GRAVITY
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import JOINT_NAMES, LEGS
from quadleg.servos.pulse_conversion import pulse_from_angle
from quadleg.simulation.ground import Ground
from quadleg.simulation.joint_sensors import JointSensors
from quadleg.simulation.physics_servos import FULL_TORQUE_ERROR
from quadleg.simulation.simulated_imu import SimulatedImu
from quadleg.simulation.world import World
from quadleg.simulation.world_difference import NO_DIFFERENCE, ROWS, WorldDifference

ROBOT = inspector()
KNEE = JOINT_NAMES.index("front_left_knee")
STALL = ROBOT.stall_torque(ROBOT.joints[KNEE])
STANCE = np.array(stance_angles(ROBOT, ROBOT.standing))
PERIOD = 0.01
Check = Callable[[], None]
CHECKS: dict[str, Check] = {}


def checks(*names: str) -> Callable[[Check], Check]:
    """Have a function check what these rows do."""

    def note(check: Check) -> Check:
        CHECKS.update(dict.fromkeys(names, check))
        return check

    return note


def other(name: str, value: float, **more: float) -> WorldDifference:
    """A world that differs by one row, or some, each value (in SI units) for all joints, legs or axes."""
    given = {name: value, **more}
    return replace(
        NO_DIFFERENCE, **{key: (v,) * ROWS[key].count if ROWS[key].count > 1 else v for key, v in given.items()}
    )


def pulses(angles: np.ndarray) -> list[float]:
    """By the robot file, as the software knows it."""
    return [pulse_from_angle(joint.servo, angle) for joint, angle in zip(ROBOT.joints, angles)]


def go(world: World, seconds: float, frame: list[float] | None) -> None:
    for _ in range(round(seconds / world.frame)):
        world.step(frame or [None] * 12)


def afloat(difference: WorldDifference = NO_DIFFERENCE) -> World:
    """Far from the ground and without weight, the legs held as when it stands."""
    world = World(ROBOT, difference=difference)
    world.put_at_rest(STANCE)
    world.data.qpos[2] += 1.0
    world.model.opt.gravity[:] = 0.0
    go(world, 0.2, pulses(STANCE))
    return world


def standing(difference: WorldDifference = NO_DIFFERENCE) -> World:
    world = World(ROBOT, difference=difference)
    world.put_at_rest(STANCE)
    go(world, 1.0, pulses(STANCE))
    return world


def load(world: World, torque: float) -> None:
    """A torque (N·m) on the link of the knee, from here on."""
    for name in (JOINT_NAMES[KNEE], f"{JOINT_NAMES[KNEE]}_play"):
        if mujoco.mj_name2id(world.model, mujoco.mjtObj.mjOBJ_JOINT, name) >= 0:
            world.data.qfrc_applied[world.model.joint(name).dofadr[0]] = torque


def gives_way(difference: WorldDifference, torque: float) -> float:
    """How far apart (rad) the knee is with such a torque one way and the other."""
    world, places = afloat(difference), []
    for sign in (1.0, -1.0):
        load(world, sign * torque)
        go(world, 0.5, pulses(STANCE))
        places.append(world.angles[KNEE])
    return float(places[0] - places[1])


def turned_by(difference: WorldDifference, seconds: float, asked: float = 0.5) -> float:
    """How far (rad) the knee has turned so long after a command to turn."""
    world = afloat(difference)
    before, wanted = world.angles[KNEE], STANCE.copy()
    wanted[KNEE] += asked
    go(world, seconds, pulses(wanted))
    return float(world.angles[KNEE] - before)


# Servos


@checks("stiffness")
def softer_servos_give_way_more() -> None:
    # Between 0.3 of the stall torque one way and the other, beyond the backlash.
    as_file, soft = (gives_way(other("stiffness", share), 0.3 * STALL) for share in (1.0, 0.6))
    assert soft - as_file == pytest.approx(0.6 * FULL_TORQUE_ERROR * (1 / 0.6 - 1), rel=0.1)


@checks("play")
def a_joint_moves_freely_by_its_play() -> None:
    """With a torque that is a tenth of what the gears' friction takes."""
    torque = 0.1 * NO_DIFFERENCE.gear_friction[KNEE] * STALL
    assert gives_way(other("play", radians(2.0)), torque) == pytest.approx(radians(2.0), rel=0.05)
    assert gives_way(other("play", radians(0.5)), torque) == pytest.approx(radians(0.5), rel=0.05)
    assert abs(gives_way(NO_DIFFERENCE, torque)) < radians(0.05)


@checks("torque")
def weaker_servos_give_way_to_what_others_hold() -> None:
    assert gives_way(NO_DIFFERENCE, 0.85 * STALL) < radians(6)
    assert gives_way(other("torque", 0.7), 0.85 * STALL) > radians(20)


@checks("speed")
def slower_servos_come_later() -> None:
    as_file, slow = turned_by(NO_DIFFERENCE, 0.06), turned_by(other("speed", 0.8), 0.06)
    assert 0.7 * as_file < slow < 0.87 * as_file


@checks("gear_friction")
def what_turns_limp_gears_is_their_friction() -> None:
    for share, holds in ((0.02, False), (0.08, True)):
        world = afloat(other("gear_friction", share))
        before = world.angles[KNEE]
        load(world, 0.04 * STALL)
        go(world, 0.1, None)
        assert (abs(world.angles[KNEE] - before) < radians(0.5)) == holds


@checks("motor_time", "lag", "latency")
def slow_control_and_rotors_set_off_later() -> None:
    as_file = turned_by(NO_DIFFERENCE, 0.04)
    assert turned_by(other("motor_time", 0.03), 0.04) < 0.9 * as_file
    small = 0.6 * FULL_TORQUE_ERROR  # below its full torque: else its goal does not matter yet
    assert turned_by(other("lag", 0.015), 0.02, small) < 0.9 * turned_by(NO_DIFFERENCE, 0.02, small)
    assert turned_by(other("latency", 0.01), 0.04) < 0.9 * as_file
    assert turned_by(other("latency", 0.02), 0.06) == pytest.approx(as_file, rel=0.01)  # one frame late
    assert abs(turned_by(other("latency", 0.02), 0.02)) < radians(0.05)


@checks("horns")
def a_horn_turns_its_joint() -> None:
    world, bent = afloat(), afloat(other("horns", radians(2.0)))
    assert bent.angles - world.angles == pytest.approx(np.full(12, radians(2.0)), abs=radians(0.3))


@checks("pulse_scale")
def more_pulse_for_an_angle_turns_a_joint_less() -> None:
    places = []
    for share in (0.0, 0.03):
        world = afloat(other("pulse_scale", share))
        before, wanted = world.angles[KNEE], STANCE.copy()
        wanted[KNEE] += 0.6
        go(world, 0.8, pulses(wanted))
        places.append(world.angles[KNEE] - before)
    assert places[1] / places[0] == pytest.approx(1 / 1.03, abs=0.008)


# Body


@checks("links", "foot_radius")
def longer_legs_and_thicker_feet_stand_higher() -> None:
    as_file = World(ROBOT)
    as_file.put_at_rest(STANCE)
    for difference in (replace(NO_DIFFERENCE, links=(0.0, 1e-3, 1e-3) * 4), other("foot_radius", 2e-3)):
        world = World(ROBOT, difference=difference)
        world.put_at_rest(STANCE)
        assert 0.5e-3 < world.pose[0][2] - as_file.pose[0][2] < 2.1e-3
    wide = World(ROBOT, difference=replace(NO_DIFFERENCE, links=(1e-3, 0.0, 0.0) * 4))
    mujoco.mj_forward(wide.model, wide.data)
    ways = [world.data.geom("front_left_foot").xpos[1] for world in (as_file, wide)]
    wide.put_at_rest(STANCE)
    assert wide.data.geom("front_left_foot").xpos[1] - as_file.data.geom("front_left_foot").xpos[1] > 0.8e-3, ways


@checks("masses")
def a_heavier_body_weighs_more() -> None:
    world = standing(other("masses", 0.1))
    assert world.foot_forces.sum(axis=0)[2] == pytest.approx(1.1 * ROBOT.masses.total * GRAVITY, rel=0.01)


@checks("centre_of_mass")
def a_mass_aside_loads_that_side() -> None:
    world, aside = standing(), standing(replace(NO_DIFFERENCE, centre_of_mass=(0.0, 0.015, 0.0)))
    shift = aside.data.subtree_com[1] - aside.data.qpos[:3] - (world.data.subtree_com[1] - world.data.qpos[:3])
    assert shift[1] == pytest.approx(0.015 * ROBOT.masses.body / ROBOT.masses.total, rel=0.1)
    for one in (world, aside):
        across = np.array([one.data.geom(f"{leg}_foot").xpos[1] for leg in LEGS])
        forces = one.foot_forces[:, 2]
        assert forces @ across / forces.sum() == pytest.approx(one.data.subtree_com[1][1], abs=5e-4)


@checks("foot_compliance")
def softer_feet_sink_in() -> None:
    def depth(world: World) -> float:
        feet = [world.data.geom(f"{leg}_foot").xpos[2] for leg in LEGS]
        return ROBOT.legs[0].foot_radius - float(np.mean(feet))

    compliance = 0.2e-3
    sunk = depth(standing(other("foot_compliance", compliance))) - depth(standing())
    assert sunk == pytest.approx(compliance * ROBOT.masses.total * GRAVITY / 4, rel=0.25)


@checks("friction")
def feet_on_other_floors_have_other_friction() -> None:
    ground = Ground(friction=0.8, slippery_friction=0.2)
    model = World(ROBOT, ground, difference=other("friction", 0.5)).model
    assert model.geom("rear_left_foot").friction[0] == pytest.approx(0.4)
    world = World(ROBOT, Ground(friction=1.9), difference=other("friction", 1.5))
    assert world.model.geom("rear_left_foot").friction[0] == pytest.approx(2.0), "more than any floor has"


@checks("supply_resistance", "sag")
def a_weak_supply_gives_less() -> None:
    world = standing(other("supply_resistance", 0.15, sag=0.02))
    drawn = float(world.currents.sum())
    go(world, 0.02, pulses(STANCE))
    assert world.voltage == pytest.approx(0.98 * ROBOT.supply.voltage - 0.15 * drawn)


# Inertial sensor


def felt(difference: WorldDifference, true: np.ndarray, activity: float = 0.0) -> np.ndarray:
    """(n, 6) of what a sensor says, less what that of the robot file says of the same."""
    times = PERIOD * np.arange(1, len(true) + 1)
    ours, theirs = (SimulatedImu(PERIOD, 3, one) for one in (difference, NO_DIFFERENCE))
    samples = zip(ours.samples(times.tolist(), true.tolist(), activity), theirs.samples(times.tolist(), true.tolist()))
    return np.array([(*a.gyro - b.gyro, *a.acceleration - b.acceleration) for a, b in samples])


@checks("gyro_bias", "gyro_scale", "accelerometer_bias", "accelerometer_scale")
def biases_and_scales() -> None:
    true = np.tile((1.0, -2.0, 0.5, 3.0, 4.0, 9.8), (5, 1))
    assert felt(other("gyro_scale", 0.01), true) == pytest.approx(0.01 * true * (1, 1, 1, 0, 0, 0))
    assert felt(other("accelerometer_scale", -0.03), true) == pytest.approx(-0.03 * true * (0, 0, 0, 1, 1, 1))
    difference = replace(NO_DIFFERENCE, gyro_bias=(0.03, 0.0, -0.02), accelerometer_bias=(0.1, 0.2, 0.3))
    assert SimulatedImu(PERIOD, 3, difference).bias == pytest.approx((0.03, 0.0, -0.02, 0.1, 0.2, 0.3))
    bias = SimulatedImu(PERIOD, 3).bias
    assert felt(difference, true)[0] == pytest.approx((0.03, 0.0, -0.02, 0.1, 0.2, 0.3) - bias)


@checks("imu_misalignment")
def a_turned_sensor_feels_turned_axes() -> None:
    """The sensor's axes are the frame's, turned by roll, pitch, yaw about fixed axes (REP-103)."""
    rpy = (0.03, -0.02, 0.01)
    true = np.tile((1.0, -2.0, 0.5, 3.0, 4.0, 9.8), (3, 1))
    seen = felt(replace(NO_DIFFERENCE, imu_misalignment=rpy), true) + true
    turn = Rotation.from_euler("xyz", rpy).inv()
    assert seen[:, :3] == pytest.approx(turn.apply(true[:, :3]))
    assert seen[:, 3:] == pytest.approx(turn.apply(true[:, 3:]))


@checks("imu_delay", "imu_jitter")
def samples_are_late_and_their_stamps_off() -> None:
    ramp = np.outer(np.arange(50.0), np.ones(6))
    for delay, steps in ((0.004, 0.4), (0.01, 1.0), (0.013, 1.3)):
        assert felt(other("imu_delay", delay), ramp)[5:] == pytest.approx(np.full((45, 6), -steps))
    times = (PERIOD * np.arange(500)).tolist()
    stamps = [
        one.time for one in SimulatedImu(PERIOD, 1, other("imu_jitter", 0.002)).samples(times, np.zeros((500, 6)))
    ]
    errors = np.array(stamps) - times
    assert 0.0019 < abs(errors).max() <= 0.002
    assert abs(errors.mean()) < 0.0003
    assert (np.diff(stamps) > 0).all()


@checks("vibration", "turning_vibration")
def vibration_aliases() -> None:
    still = np.zeros((4000, 6))
    shaken = felt(other("vibration", 0.6, turning_vibration=0.02), still, 1.0)
    rms = np.sqrt((shaken**2).mean(axis=0))
    assert rms == pytest.approx(np.repeat((0.02, 0.6), 3), rel=0.15)
    # Tones of 60 to 400 Hz come out below half of the 100 Hz of the samples, some of them slow.
    spectrum = abs(np.fft.rfft(shaken, axis=0))
    assert np.fft.rfftfreq(len(shaken), PERIOD)[spectrum.max(axis=1) > 0.3 * spectrum.max()].min() < 20.0
    assert felt(other("vibration", 0.6), still, 0.0) == pytest.approx(still)


@checks("imu_averaging")
def a_sample_of_an_instant_is_not_the_mean() -> None:
    """Of the same motion: the two differ while a leg moves, and not when it is still again."""
    worlds = [afloat(other("imu_averaging", share)) for share in (1.0, 0.0)]
    wanted = STANCE.copy()
    wanted[KNEE] += 0.5
    apart = []
    for _ in range(50):
        for world in worlds:
            world.step(pulses(wanted))
        means, instants = (np.array([sample.acceleration for sample in world.imu]) for world in worlds)
        apart.append(float(abs(means - instants).max()))
    assert worlds[0].data.qpos.tobytes() == worlds[1].data.qpos.tobytes()
    assert max(apart[:10]) > 0.05
    assert max(apart[-10:]) < 0.01


# Joint sensors


@checks("sensor_noise", "sensor_offset", "sensor_step", "sensor_delay")
def joint_sensors() -> None:
    angles = np.linspace(-1.0, 1.0, 12)

    def said(difference: WorldDifference, frames: int) -> np.ndarray:
        """Of joints that turn by 0.1 rad a frame, less where they are."""
        sensors = JointSensors(difference, 0.02, 4)
        sensors.begin(angles)
        return np.array([sensors.read(angles + 0.1 * n) - angles - 0.1 * n for n in range(1, frames + 1)])

    assert abs(said(NO_DIFFERENCE, 3)).max() < 1e-12
    assert said(other("sensor_offset", 0.02), 3) == pytest.approx(np.full((3, 12), 0.02))
    assert said(other("sensor_noise", 0.005), 500).std() == pytest.approx(0.005, rel=0.05)
    assert said(other("sensor_delay", 0.01), 3) == pytest.approx(np.full((3, 12), -0.05))
    assert said(other("sensor_delay", 0.03), 5)[2:] == pytest.approx(np.full((3, 12), -0.15))
    step = 2 * pi / 1024
    counts = (JointSensors(other("sensor_step", step), 0.02, 4).read(angles)) / step
    assert counts == pytest.approx(np.round(counts), abs=1e-9)
    assert abs(counts * step - angles).max() <= step / 2


def test_the_world_s_joint_angles_are_true_and_its_sensors_not() -> None:
    world, true = afloat(other("sensor_offset", 0.02)), afloat()
    assert world.angles == pytest.approx(true.angles)
    assert world.measured_angles == pytest.approx(true.angles + 0.02)
    assert true.measured_angles == pytest.approx(true.angles)


# All of them


@pytest.mark.parametrize("name", ROWS)
def test_each_difference_changes_the_world_in_its_direction(name: str) -> None:
    CHECKS[name]()


def test_a_world_is_that_of_a_robot_file_that_says_so() -> None:
    """The mass matrix against MuJoCo's of a URDF of that robot, changed here by hand."""
    difference = replace(
        NO_DIFFERENCE,
        links=tuple(1e-3 * (-1) ** number for number in range(12)),
        masses=(0.1, -0.1, 0.05, -0.05),
        foot_radius=(1e-3,) * 4,
    )
    legs = []
    for leg, (offset, upper, lower) in zip(ROBOT.legs, np.reshape(difference.links, (4, 3))):
        outwards = np.sign(leg.hip_offset)
        legs.append(
            replace(
                leg,
                hip_offset=leg.hip_offset + outwards * offset,
                upper_length=leg.upper_length + upper,
                lower_length=leg.lower_length + lower,
            )
        )
    masses, frames = ROBOT.masses, tuple(replace(frame, mass=1.1 * frame.mass) for frame in ROBOT.frames)
    by_hand = replace(
        ROBOT,
        legs=tuple(legs),
        frames=frames,
        masses=replace(
            masses,
            body=1.1 * masses.body,
            abductor=0.9 * masses.abductor,
            upper=1.05 * masses.upper,
            lower=0.95 * masses.lower,
        ),
    )
    world, model = World(ROBOT, difference=difference), free_base(by_hand)
    data = mujoco.MjData(model)
    data.qpos[:] = world.data.qpos
    mujoco.mj_forward(model, data)
    mujoco.mj_forward(world.model, world.data)
    found, wanted = np.empty((18, 18)), np.empty((18, 18))
    for column, unit in enumerate(np.eye(18)):
        for one, state, into in ((world.model, world.data, found), (model, data, wanted)):
            into_column = np.empty(18)
            mujoco.mj_mulM(one, state, into_column, unit)
            into[column] = into_column
    found -= np.diag(world.model.dof_armature)
    assert found == pytest.approx(wanted, abs=1e-9)
