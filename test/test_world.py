"""The simulated world: the robot's mechanics against pinocchio, its servos against their data sheet, its ground."""

from __future__ import annotations

from dataclasses import replace
from math import atan, cos, degrees, pi, radians, sin

import mujoco
import numpy as np
import pinocchio
import pytest
from sample_robots import digger, inspector, with_servo_kind

from quadleg.dynamics.centre_of_mass import centre_of_mass
from quadleg.dynamics.gravity import STANDARD_GRAVITY as GRAVITY
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import JOINT_NAMES, LEGS, RobotModel
from quadleg.robot.urdf import urdf
from quadleg.safety import transitions
from quadleg.servos.pulse_conversion import pulse_from_angle
from quadleg.servos.simulated_board import FIRST_OFFSET
from quadleg.simulation.ground import PATCH_CELL, PATCH_RADIUS, REACH, Ground, Patches, Pushes
from quadleg.simulation.physics_servos import BACKLASH, FULL_TORQUE_ERROR
from quadleg.simulation.world import World
from quadleg.simulation.world_difference import NO_DIFFERENCE

LIMP = (None,) * 12
FRICTION, SUPPLY_RESISTANCE = NO_DIFFERENCE.gear_friction[0], NO_DIFFERENCE.supply_resistance
ROBOTS = {"inspector": inspector(), "digger": digger()}
KNEE = JOINT_NAMES.index("front_left_knee")


@pytest.fixture(params=ROBOTS)
def robot(request: pytest.FixtureRequest) -> RobotModel:
    return ROBOTS[request.param]


def pulses(robot: RobotModel, angles) -> list[float]:
    return [pulse_from_angle(joint.servo, angle) for joint, angle in zip(robot.joints, angles)]


def run(world: World, seconds: float, frame) -> None:
    for _ in range(round(seconds / world.frame)):
        world.step(frame)


def standing(robot: RobotModel, ground: Ground | None = None) -> tuple[World, list[float]]:
    """A world with the robot standing still, and the pulses that hold it there."""
    world = World(robot, ground)
    angles = stance_angles(robot, robot.standing)
    world.put_at_rest(angles)
    held = pulses(robot, angles)
    run(world, 1.0, held)
    return world, held


def pressing(world: World) -> np.ndarray:
    """Whether each foot presses on the ground."""
    return np.linalg.norm(world.foot_forces, axis=1) > 0.0


def afloat(robot: RobotModel) -> tuple[World, np.ndarray]:
    """A world without weight, the robot far from the ground with its legs as when it stands; those angles."""
    world = World(robot)
    angles = np.array(stance_angles(robot, robot.standing))
    world.put_at_rest(angles)
    world.data.qpos[2] += 1.0
    world.model.opt.gravity[:] = 0.0
    return world, angles


# Mechanics


def test_masses_inertias_and_kinematics_are_pinocchio_s(robot: RobotModel) -> None:
    """The whole joint-space inertia matrix, so each mass, centre, inertia, axis and place of a joint."""
    model = pinocchio.buildModelFromXML(urdf(robot), pinocchio.JointModelFreeFlyer())
    data = model.createData()
    world = World(robot)
    columns = [*range(6), *(model.joints[model.getJointId(name)].idx_v for name in JOINT_NAMES)]
    lower, upper = np.array([(joint.lower, joint.upper) for joint in robot.joints]).T
    for angles in np.random.default_rng(3).uniform(lower, upper, (20, 12)):
        world.data.qpos[:] = [0, 0, 0, 1, 0, 0, 0, *angles]
        mujoco.mj_forward(world.model, world.data)
        q = pinocchio.neutral(model)
        q[[column + 1 for column in columns[6:]]] = angles  # before them a quaternion in place of three angles
        wanted = pinocchio.crba(model, data, q)
        wanted = np.triu(wanted) + np.triu(wanted, 1).T
        found = np.empty((18, 18))
        for column, unit in enumerate(np.eye(18)):
            mujoco.mj_mulM(world.model, world.data, found[column], unit)
        found -= np.diag(world.model.dof_armature)  # the motors' rotors are not in the URDF
        np.testing.assert_allclose(found, wanted[np.ix_(columns, columns)], atol=1e-9)
        assert pinocchio.centerOfMass(model, data, q) == pytest.approx(world.data.subtree_com[1], abs=1e-9)
        assert centre_of_mass(robot, angles) == pytest.approx(world.data.subtree_com[1], abs=1e-9)
        pinocchio.framesForwardKinematics(model, data, q)
        for leg in LEGS:
            foot = data.oMf[model.getFrameId(f"{leg}_foot")].translation
            assert foot == pytest.approx(world.data.geom(f"{leg}_foot").xpos, abs=1e-9)
    assert sum(world.model.body_mass) == pytest.approx(robot.masses.total, abs=1e-9)


def test_body_feet_and_links_touch_the_ground(robot: RobotModel) -> None:
    model = World(robot).model
    touching = {model.geom(number).name for number in range(model.ngeom) if model.geom_contype[number]}
    assert touching == {"base_link", *(f"{leg}_{link}" for leg in LEGS for link in ("upper", "lower", "foot"))}
    for leg in robot.legs:
        assert model.geom(f"{leg.name}_foot").size[0] == pytest.approx(leg.foot_radius)
        assert model.geom(f"{leg.name}_upper").size[:2] == pytest.approx((leg.link_radius, leg.upper_length / 2))


def test_a_knee_lies_on_the_ground_and_not_in_it(robot: RobotModel) -> None:
    """Put down low on folded legs and held there: the knees carry the robot."""
    world = World(robot)
    angles = [angle for leg in robot.legs for angle in (0.0, -leg.knee_sign * 0.5, leg.knee_sign * 2.6)]
    world.put_at_rest(angles)
    knees = [world.data.body(f"{leg.name}_lower").xpos[2] - leg.link_radius for leg in robot.legs]
    assert min(knees) > -1e-6
    run(world, 1.0, pulses(robot, angles))
    knees = [world.data.body(f"{leg.name}_lower").xpos[2] - leg.link_radius for leg in robot.legs]
    assert min(knees) > -0.002


def test_free_fall(robot: RobotModel) -> None:
    """Galileo: half of g t² (and, in steps of dt, half of g t dt more)."""
    world = World(robot)
    world.data.qpos[2] += 1.0
    before = world.pose[0][2]
    run(world, 0.2, LIMP)
    step = world.model.opt.timestep
    assert before - world.pose[0][2] == pytest.approx(GRAVITY * 0.2 * (0.2 + step) / 2, rel=1e-6)
    assert world.velocity == pytest.approx([0, 0, -GRAVITY * 0.2], abs=1e-6)
    assert not pressing(world).any()
    for sample in world.imu:
        assert sample.acceleration == pytest.approx([0, 0, 0], abs=0.2)  # its bias and noise


def test_a_push_gives_its_impulse(robot: RobotModel) -> None:
    """Newton: the centre of mass gains impulse by mass."""
    world, _ = afloat(robot)
    world.push((0.3, -0.1, 0.2))
    before = world.data.subtree_com[1].copy()
    run(world, 0.02, LIMP)
    mujoco.mj_forward(world.model, world.data)
    start = world.data.subtree_com[1].copy()
    run(world, 0.1, LIMP)
    mujoco.mj_forward(world.model, world.data)
    velocity = (world.data.subtree_com[1] - start) / (round(0.1 / world.frame) * world.frame)
    assert velocity == pytest.approx(np.array((0.3, -0.1, 0.2)) / robot.masses.total, rel=0.01)
    assert start != pytest.approx(before)


def test_it_stands_still_on_its_own_weight(robot: RobotModel) -> None:
    world, held = standing(robot)
    weight = robot.masses.total * GRAVITY
    assert pressing(world).all()
    assert world.foot_forces.sum(axis=0) == pytest.approx([0, 0, weight], abs=0.01 * weight)
    assert not world.belly_down
    assert not world.fallen
    place = world.pose
    run(world, 3.0, held)
    assert world.pose[0] == pytest.approx(place[0], abs=1e-3)
    kinetic = 0.5 * robot.masses.total * float(world.velocity @ world.velocity)
    assert kinetic < 1e-6


def test_no_energy_is_made(robot: RobotModel) -> None:
    """Limp, dropped from a hand's height with its legs spread: what it has only becomes less."""
    world = World(robot)
    world.put_at_rest(stance_angles(robot, robot.standing))
    world.data.qpos[2] += 0.1
    world.model.opt.enableflags |= mujoco.mjtEnableBit.mjENBL_ENERGY
    world.step(pulses(robot, world.angles))  # the hand lets go
    world.step(LIMP)
    energies = []
    for _ in range(100):
        world.step(LIMP)
        energies.append(world.data.energy.sum())
    # What the soft contacts hold for a moment is not in MuJoCo's sum: less than a weight on half a millimetre.
    allowed = robot.masses.total * GRAVITY * 0.0005
    assert max(np.diff(energies)) < allowed
    assert energies[-1] < energies[0] - robot.masses.total * GRAVITY * 0.1


def test_it_begins_lying_on_its_belly() -> None:
    robot = inspector()
    world = World(robot)
    run(world, 1.0, LIMP)
    assert world.belly_down
    assert world.pose[0][2] == pytest.approx(robot.resting.height, abs=0.005)
    assert degrees(world.tilt) < 3
    assert np.linalg.norm(world.velocity) < 1e-3
    assert not world.torques.any()


@pytest.mark.parametrize("seed", range(4))
def test_a_hand_holds_each_leg_until_its_first_pulse(robot: RobotModel, seed: int) -> None:
    """To within 12° of rest, and what a joint gives way under a load: servos of a seventh of the torque, too."""
    weak = with_servo_kind(robot, stall_torque=robot.joints[0].servo.kind.stall_torque / 7)
    world = World(weak, seed=seed)
    placed, at_rest = world.angles, np.array(stance_angles(weak, weak.resting))
    assert np.abs(placed - at_rest).max() <= FIRST_OFFSET + 1e-9
    powered: list[float | None] = [None] * 12
    for joint, pulse in enumerate(pulses(weak, at_rest)):
        run(world, 0.2, powered)
        assert abs(world.angles[joint] - placed[joint]) < FULL_TORQUE_ERROR
        powered[joint] = pulse


@pytest.mark.parametrize("slope", [0.0, 0.1])
def test_a_hand_at_the_legs_leaves_the_body_as_it_lies(slope: float) -> None:
    """An IMU would feel it turn; a jump that no gyro feels is an attitude lost."""
    robot = ROBOTS["inspector"]
    world = World(robot, Ground(slope=slope))
    run(world, 1.0, LIMP)
    (_, _, height), lies = world.pose
    world.put_at_rest(stance_angles(robot, robot.resting))
    assert np.allclose(world.pose[1], lies, atol=1e-6)
    assert world.pose[0][2] == pytest.approx(height, abs=0.003)


@pytest.mark.parametrize("slope", [0.0, 0.1])
def test_a_hand_puts_a_robot_down_flat_that_has_tipped_over(slope: float) -> None:
    robot = ROBOTS["inspector"]
    world = World(robot, Ground(slope=slope))
    flat = world.pose[1]
    world.data.qpos[3:7] = Pose.from_rpy(0.0, 0.0, 0.0, radians(90), 0.0, 0.0).quaternion
    world.put_at_rest(stance_angles(robot, robot.resting))
    assert np.allclose(world.pose[1], flat, atol=1e-6)


def test_it_rises_and_lies_down_again_by_its_servos() -> None:
    robot = inspector()
    world = World(robot, seed=4)
    start, standing = (stance_angles(robot, stance) for stance in (robot.resting, robot.standing))
    for angles in transitions.rising(robot, start, world.frame):
        world.step(pulses(robot, angles))
    run(world, 0.5, pulses(robot, standing))
    assert world.pose[0][2] == pytest.approx(robot.standing.height, abs=0.006)
    assert pressing(world).all()
    assert not world.belly_down
    for angles in transitions.lowering(robot, standing, world.frame):
        world.step(pulses(robot, angles))
    assert world.belly_down
    assert world.pose[0][2] == pytest.approx(robot.resting.height, abs=0.002)


# Servos


def test_a_servo_turns_at_its_no_load_speed(robot: RobotModel) -> None:
    world, angles = afloat(robot)
    joint = robot.joints[KNEE]
    run(world, 0.2, pulses(robot, angles))
    towards = joint.upper if joint.upper - angles[KNEE] > angles[KNEE] - joint.lower else joint.lower
    wanted = angles.copy()
    wanted[KNEE] = towards
    fastest = 0.0
    for _ in range(round(0.3 / world.frame)):
        world.step(pulses(robot, wanted))
        fastest = max(fastest, abs(world.rates[KNEE]))
    assert fastest == pytest.approx(robot.no_load_speed(joint), rel=0.03)


def test_half_of_the_speed_leaves_half_of_the_torque() -> None:
    """The straight torque-speed line of a brushed motor, at a speed that a load holds."""
    robot = inspector()
    world, angles = afloat(robot)
    joint = robot.joints[KNEE]
    wanted = angles.copy()
    wanted[KNEE] = joint.lower
    start = joint.upper
    world.data.qpos[7 + KNEE] = start
    world.data.qfrc_applied[6 + KNEE] = 0.5 * robot.stall_torque(joint)
    run(world, 0.2, pulses(robot, wanted))
    assert -world.rates[KNEE] == pytest.approx(0.5 * robot.no_load_speed(joint), rel=0.05)


@pytest.mark.parametrize(("share", "holds"), [(0.95, True), (1.0 + 3 * FRICTION, False)])
def test_a_servo_holds_its_stall_torque_and_no_more(robot: RobotModel, share: float, holds: bool) -> None:
    world, angles = afloat(robot)
    joint = robot.joints[KNEE]
    held = pulses(robot, angles)
    run(world, 0.2, held)
    world.data.qfrc_applied[6 + KNEE] = share * robot.stall_torque(joint) * np.sign(-angles[KNEE])
    run(world, 0.5, held)
    moved = abs(world.angles[KNEE] - angles[KNEE])
    assert moved < 1.5 * FULL_TORQUE_ERROR if holds else moved > radians(15)
    if holds:
        assert abs(world.torques[KNEE]) == pytest.approx(share * robot.stall_torque(joint), rel=0.06)


def test_torque_is_current_and_current_is_sag() -> None:
    robot = inspector()
    world, held = standing(robot)
    kind = robot.joints[0].servo.kind
    shares = abs(world.torques) / (robot.stall_torque(robot.joints[0]) * (1 + FRICTION))
    assert world.currents == pytest.approx(kind.idle_current + (kind.stall_current - kind.idle_current) * shares)
    drawn = float(world.currents.sum())
    world.step(held)
    assert world.voltage == pytest.approx(robot.supply.voltage - SUPPLY_RESISTANCE * drawn)
    weaker = world.voltage / robot.supply.voltage
    strongest = world.model.actuator_forcerange[:, 1]
    assert strongest == pytest.approx(weaker * (1 + FRICTION) * robot.stall_torque(robot.joints[0]))


def test_pulses_within_the_deadband_are_passed_over() -> None:
    robot = inspector()
    world, angles = afloat(robot)
    kind = robot.joints[KNEE].servo.kind
    held = pulses(robot, angles)
    run(world, 0.3, held)
    before = world.angles[KNEE]
    held[KNEE] += 0.9 * kind.deadband
    run(world, 0.3, held)
    assert world.angles[KNEE] == pytest.approx(before, abs=1e-5)
    held[KNEE] += 20 * kind.deadband
    run(world, 0.3, held)
    per_radian = robot.joints[KNEE].servo.pulse_per_radian
    moved = (world.angles[KNEE] - before) * per_radian
    # The friction of the gears lets it stop this much earlier, on either side.
    early = FRICTION / (1 + FRICTION) * FULL_TORQUE_ERROR * abs(per_radian)
    assert 19.9 * kind.deadband - 2 * early < moved < 19.9 * kind.deadband + 2 * early


def test_a_load_takes_up_the_backlash_on_its_side(robot: RobotModel) -> None:
    world, angles = afloat(robot)
    held = pulses(robot, angles)
    stall = robot.stall_torque(robot.joints[KNEE])
    places = []
    for load in (0.3, -0.3):
        world.data.qfrc_applied[6 + KNEE] = load * stall
        run(world, 0.5, held)
        places.append(world.angles[KNEE])
    yields = FULL_TORQUE_ERROR / (1 + FRICTION)  # under the whole stall torque
    assert places[0] - places[1] == pytest.approx(0.6 * yields + BACKLASH, abs=2 * FRICTION * yields)
    assert 3 * FRICTION * yields < BACKLASH  # so that it is seen


def test_without_pulses_a_leg_gives_way() -> None:
    robot = inspector()
    world, held = standing(robot)
    held[6:] = [None] * 6
    run(world, 1.0, held)
    assert not world.torques[6:].any()
    assert world.torques[:6].any()
    assert world.pose[0][2] < robot.standing.height - 0.03


# Ground


@pytest.mark.parametrize("friction", [0.3, 0.45])
def test_it_slides_where_the_slope_is_steeper_than_the_friction_angle(friction: float) -> None:
    """Coulomb: tan of the angle at which a body begins to slide is its coefficient of friction."""
    robot = inspector()
    for slope, slides in ((atan(0.97 * friction), False), (atan(1.05 * friction), True)):
        world, held = standing(robot, Ground(friction=friction, slope=slope))
        if not slides:
            run(world, 2.0, held)  # until the legs, put there, no longer press against each other
        before = np.array(world.pose[0])
        start = world.velocity
        run(world, 0.5, held)
        moved = np.array(world.pose[0]) - before
        if slides:
            speed = np.linalg.norm(world.velocity) - np.linalg.norm(start)
            assert speed / 0.5 == pytest.approx(GRAVITY * (sin(slope) - friction * cos(slope)), rel=0.15)
            assert moved[0] < 0
        else:
            assert np.linalg.norm(moved) < 0.001


def test_uphill_is_ahead() -> None:
    world, _ = standing(inspector(), Ground(slope=radians(8)))
    assert Pose(*world.pose).rpy[1] == pytest.approx(-radians(8), abs=radians(1.5))
    assert degrees(world.tilt) == pytest.approx(8, abs=1.5)


def test_rough_ground_is_as_high_as_it_says() -> None:
    ground = Ground(roughness=0.02)
    model = World(inspector(), ground, seed=3).model
    assert model.hfield_size[0] == pytest.approx([REACH, REACH, 0.02, 0.1])
    assert (model.hfield_data.min(), model.hfield_data.max()) == pytest.approx((0, 1), abs=1e-3)
    assert not np.array_equal(model.hfield_data, World(inspector(), ground, seed=4).model.hfield_data)
    world, _ = standing(inspector(), ground)
    assert np.count_nonzero(pressing(world)) >= 3
    assert 0.14 < world.pose[0][2] < 0.18
    assert world.foot_forces.sum(axis=0)[2] == pytest.approx(1.5 * GRAVITY, rel=0.05)


def test_steps_go_up_and_down() -> None:
    world = World(inspector(), Ground(step_height=0.03, step_length=0.25))
    heights = []
    group = np.zeros(1, dtype=np.int32)
    for x in (0.0, 0.3, 0.5, 0.75, 1.0, 1.3):
        distance = mujoco.mj_ray(
            world.model, world.data, np.array([x, 0.5, 1.0]), np.array([0.0, 0.0, -1.0]), None, 1, -1, group
        )
        heights.append(1.0 - distance)
    assert heights == pytest.approx([0, 0, 0.03, 0, 0.03, 0], abs=1e-9)


def test_slippery_patches() -> None:
    ground = Ground(friction=0.7, slippery_friction=0.1)
    patches = Patches(ground, seed=5)
    places = np.random.default_rng(0).uniform(-5, 5, (10000, 2))
    found = np.array([patches.friction(x, y) for x, y in places])
    assert set(found) == {0.7, 0.1}
    assert np.mean(found == 0.1) == pytest.approx(pi * PATCH_RADIUS**2 / PATCH_CELL**2, rel=0.05)
    others = Patches(ground, seed=6)
    assert not np.array_equal(found, [others.friction(x, y) for x, y in places])

    robot = inspector()
    world = World(robot, ground, seed=5)
    world.put_at_rest(stance_angles(robot, robot.standing))
    held = pulses(robot, stance_angles(robot, robot.standing))
    slippery = 0
    for _ in range(30):
        world.data.qpos[:2] += 0.03
        world.step(held)
        world.step(held)
        for leg in LEGS:
            geom = world.model.geom(f"{leg}_foot")
            x, y, _ = world.data.geom(f"{leg}_foot").xpos
            if abs(geom.friction[0] - 0.1) < 1e-9:
                slippery += 1
                assert patches.friction(x, y) == 0.1 or patches.friction(x - 0.01, y - 0.01) == 0.1
    assert slippery > 3


def test_pushes_come_by_seed() -> None:
    ground = Ground(push=0.3, push_interval=1.0)
    pushes, same, others = (Pushes(ground, seed) for seed in (1, 1, 2))
    times = np.arange(0, 200, 0.02)
    given = [pushes.due(time) for time in times]
    assert given == [same.due(time) for time in times]
    assert given != [others.due(time) for time in times]
    impulses = np.array([impulse for impulse in given if impulse])
    assert len(impulses) == pytest.approx(200, abs=20)
    assert np.linalg.norm(impulses, axis=1) == pytest.approx(0.3)
    assert abs(impulses.mean(axis=0)) == pytest.approx([0, 0, 0], abs=0.06)

    robot = inspector()
    world = World(robot, ground, seed=1)
    world.data.qpos[2] += 100
    first = next(time for time, impulse in zip(times, given) if impulse)
    run(world, first + 0.05, LIMP)
    assert np.linalg.norm(world.velocity[:2]) > 0.1


WRONG = [
    ({"friction": -0.1}, "friction of the ground is -0.1: 0 to 2 would be right"),
    ({"friction": float("nan")}, "friction of the ground is nan: 0 to 2 would be right"),
    ({"slope": 1.0}, "slope of the ground is 57.2958°: -45 to 45° would be right"),
    ({"roughness": -0.008}, "roughness of the ground is -0.008 m: 0 to 0.1 m would be right"),
    ({"roughness": 8.0}, "roughness of the ground is 8 m: 0 to 0.1 m would be right"),
    ({"step_height": 0.5}, "step_height of the ground is 0.5 m: 0 to 0.1 m would be right"),
    ({"step_length": 0.0}, "step_length of the ground is 0 m: 0.05 to 15 m would be right"),
    ({"slippery_friction": 3.0}, "slippery_friction of the ground is 3: 0 to 2 would be right"),
    ({"push": -1.0}, "push of the ground is -1 N·s: at least 0 N·s would be right"),
    ({"push_interval": 0.0}, "push_interval of the ground is 0 s: at least 0.1 s would be right"),
]


@pytest.mark.parametrize(("values", "message"), WRONG)
def test_a_wrong_ground_says_what_would_be_right(values: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match="would be right") as caught:
        Ground(**values)
    assert str(caught.value) == message


# All of it


def test_the_same_seed_gives_the_same_bits() -> None:
    robot = inspector()
    ground = Ground(roughness=0.008, slippery_friction=0.2, push=0.2, push_interval=0.5)

    def history(seed: int) -> bytes:
        world = World(robot, ground, seed)
        held = pulses(robot, stance_angles(robot, robot.standing))
        bits = b""
        for _ in range(60):
            world.step(held)
            bits += world.data.qpos.tobytes() + world.imu[-1].gyro.tobytes() + world.imu[-1].acceleration.tobytes()
        return bits

    assert history(1) == history(1)
    assert history(1) != history(2)


def test_the_frame_is_that_of_the_board() -> None:
    for frequency in (50.0, 60.0, 100.0, 333.0):
        robot = inspector()
        world = World(replace(robot, board=replace(robot.board, frequency=frequency)))
        world.step(LIMP)
        assert world.time == pytest.approx(1 / frequency)
        assert world.imu[-1].time == pytest.approx(world.time)
        assert len(world.imu) * world.imu_period == pytest.approx(1 / frequency)
        assert world.model.opt.timestep <= 0.0034


@pytest.mark.parametrize("seed", range(3))
def test_no_pulses_break_the_world(robot: RobotModel, seed: int) -> None:
    """MuJoCo begins anew, its clock too, when a number is no longer finite."""
    random = np.random.default_rng(seed)
    world = World(robot, Ground(friction=1.2, roughness=0.01, step_height=0.01), seed)
    for number in range(150):
        if number % 5 == 0:
            wild = [
                None if off else pulse for off, pulse in zip(random.random(12) < 0.3, random.uniform(4e-4, 26e-4, 12))
            ]
        world.step(wild)
    assert world.time == pytest.approx(150 * world.frame)
    assert np.isfinite(world.data.qpos).all()
    assert np.linalg.norm(world.pose[0]) < 1.0
