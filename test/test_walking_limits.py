"""How fast the robots can walk: what was promised for the demo robot, and that all twists within are walked safely."""

from __future__ import annotations

from copy import copy
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from ground_geometry import GroundGeometry
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis_settings import examples
from mujoco_robot import InverseDynamics
from random_robots import with_torque
from ruamel.yaml import YAML
from sample_walks import EVERY_GAIT, ROBOTS, limits_of

from quadleg.dynamics.centre_of_mass import centre_of_mass, centre_of_mass_batch
from quadleg.dynamics.gravity import KG_CM, STANDARD_GRAVITY
from quadleg.dynamics.load_sharing import share_weight
from quadleg.dynamics.servo_motors import LOADED_SPEED_SHARE
from quadleg.gait.planner import Planner
from quadleg.gait.stability import static_margin
from quadleg.gait.steady_strides import angles_of, strides
from quadleg.gait.stride_feasibility import EFFORT, SPEED_SHARE, StrideFeasibility, StrideObstacle
from quadleg.gait.sway import basis
from quadleg.gait.walk_obstacles import Obstacle, StrideTrouble
from quadleg.gait.walker import Walker
from quadleg.gait.walking_limits import DIRECTIONS, RAMP_STRIDES, WalkingLimits
from quadleg.geometry.planar import ZERO_TWIST
from quadleg.health import CodedFact
from quadleg.kinematics.body_pose import stance_angles
from quadleg.kinematics.clearance import Clearance
from quadleg.kinematics.leg import points
from quadleg.robot.model import FixedFrame, RobotModel, Stance
from quadleg.safety.catalogue import Reason
from quadleg.teleop.velocity_scale import VelocityScale

FRAMES = 480

ways = st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda way: max(map(abs, way)) > 0.01)


def fastest(limits: WalkingLimits, way) -> tuple[float, float, float]:
    """The fastest twist in a direction that is given in shares of the limits forward."""
    x, y, yaw = (10 * share * most for share, most in zip(way, limits.forward))
    return limits.scaled((x, y, yaw))


def walk(robot, limits: WalkingLimits, twists):
    """Angles (n, FRAMES, 12) and margins (n, FRAMES) of strides with the twists; all must be in reach."""
    path = strides(robot, limits.gait, np.array(twists), FRAMES)
    shifts = basis(np.arange(FRAMES) / FRAMES) @ np.array([limits.sway(tuple(twist)) for twist in twists])
    shifts = shifts + limits.lean
    angles, reached = angles_of(robot, path.feet.reshape(-1, 4, 3), shifts.reshape(-1, 2))
    assert reached.all()
    centres = centre_of_mass_batch(robot, angles)[:, :2].reshape(shifts.shape) + shifts
    margins = [
        [
            static_margin([tuple(foot[:2]) for foot in feet[~air]], tuple(centre))
            for feet, air, centre in zip(stride[::4], path.in_air[::4], line[::4])
        ]
        for stride, line in zip(path.feet, centres)
    ]
    return angles.reshape(len(twists), FRAMES, 12), np.array(margins)


def test_the_demo_robot_is_as_fast_as_promised():
    """At least 0.065 m/s forward, 0.04 m/s sideways and 0.33 rad/s turning creeping, 0.15 m/s forward trotting."""
    creep = limits_of("greenhouse_inspector", "creep")
    assert creep.gait.duty_factor <= 0.8
    x, y, yaw = creep.forward
    assert x >= 0.065
    assert y >= 0.04
    assert yaw >= 0.33
    x, y, yaw = creep.backward
    assert x <= -0.065
    assert y <= -0.04
    assert yaw <= -0.33
    assert creep.margin == creep.gait.margin
    trot = limits_of("greenhouse_inspector", "trot")
    assert trot.forward[0] >= 0.15
    assert trot.margin is None


@EVERY_GAIT
def test_a_mirrored_robot_has_mirrored_limits(name, gait):
    limits = limits_of(name, gait)
    # To the precision of the search: a thirty-second of its coarse step.
    assert limits.forward[1] == pytest.approx(-limits.backward[1], abs=0.6 / 24 / 16)
    assert limits.forward[2] == pytest.approx(-limits.backward[2], abs=4.0 / 24 / 16)


@EVERY_GAIT
def test_every_twist_within_the_limits_is_walked_safely(name, gait):
    robot, limits = ROBOTS[name], limits_of(name, gait)
    rng = np.random.default_rng(3)
    ways = [*DIRECTIONS, *rng.uniform(-1, 1, (24, 3))]
    twists = [fastest(limits, way) for way in ways]
    twists += [tuple(share * value for value in twist) for share, twist in zip(rng.uniform(0, 1, 50), twists)]
    angles, margins = walk(robot, limits, twists)
    most = SPEED_SHARE * np.array([robot.no_load_speed(joint) for joint in robot.joints])
    speeds = np.abs(np.roll(angles, -1, axis=1) - angles) * FRAMES / limits.gait.stride_period
    assert (speeds <= most).all()
    assert Clearance(robot).least_batch(angles[:, ::8].reshape(-1, 12)).min() >= robot.clearance
    if limits.margin is not None:
        assert margins.min() >= limits.margin


def test_the_planned_speed_is_what_the_watchdog_lets_pass():
    assert SPEED_SHARE == LOADED_SPEED_SHARE


@EVERY_GAIT
def test_no_limit_is_far_below_what_is_possible(name, gait):
    """Ten per cent faster along any axis, something would be in the way."""
    robot, limits = ROBOTS[name], limits_of(name, gait)
    for way in (d for d in DIRECTIONS if np.abs(d).sum() == 1):
        twist = np.array(fastest(limits, way))
        assert not StrideFeasibility(robot, limits.gait).walks(np.array([1.1 * twist]), limits.margin)[0], way


@EVERY_GAIT
@settings(max_examples=examples(50))
@given(ways, st.floats(0.01, 3))
def test_scaling_keeps_the_direction(name, gait, way, size):
    limits = limits_of(name, gait)
    x, y, yaw = (size * share * most for share, most in zip(way, limits.forward))
    twist = x, y, yaw
    use, scaled = limits.use(twist), limits.scaled(twist)
    assert limits.use(tuple(2 * value for value in twist)) == pytest.approx(2 * use)
    assert limits.use(scaled) == pytest.approx(min(use, 1.0))
    if use <= 1:
        assert scaled == twist
    else:
        assert scaled == pytest.approx([value / use for value in twist])
    assert np.sign(scaled).tolist() == np.sign(twist).tolist()


@EVERY_GAIT
@settings(max_examples=examples(30))
@given(way=ways)
def test_use_and_sway_have_no_jumps(name, gait, way):
    limits = limits_of(name, gait)
    twist = np.array(fastest(limits, way)) * 0.9
    for nudge in np.eye(3) * 1e-7:
        assert limits.use(tuple(twist + nudge)) == pytest.approx(limits.use(tuple(twist)), abs=1e-4)
        assert np.abs(limits.sway(tuple(twist + nudge)) - limits.sway(tuple(twist))).max() < 1e-5
    assert limits.use(ZERO_TWIST) == 0
    assert limits.scaled(ZERO_TWIST) == ZERO_TWIST


@EVERY_GAIT
def test_the_footprint_holds_body_and_legs(name, gait):
    robot, limits = ROBOTS[name], limits_of(name, gait)
    twists = [fastest(limits, way) for way in DIRECTIONS]
    angles, _ = walk(robot, limits, twists)
    half = np.zeros(2)
    for row, twist in zip(angles[:, ::40], twists):
        shifts = basis(np.arange(0, FRAMES, 40) / FRAMES) @ limits.sway(twist)
        for frame, shift in zip(row, shifts):
            for i, leg in enumerate(robot.legs):
                places = np.array(points(leg, tuple(frame[3 * i : 3 * i + 3])))[:, :2] + shift
                half = np.maximum(half, np.abs(places).max(axis=0) + max(leg.link_radius, leg.foot_radius))
    assert (half <= np.array(limits.footprint) + 0.001).all()
    assert (half >= np.array(limits.footprint) - 0.03).all()


def test_limits_in_words_are_yaml():
    limits = limits_of("greenhouse_inspector", "creep")
    told = YAML(typ="safe").load(limits.in_words(("creep", "trot")))
    assert told["gait"] == "creep"
    assert told["gaits"] == ["creep", "trot"]
    assert told["max_velocity"] == pytest.approx(limits.forward, abs=0.0006)
    assert told["min_velocity"] == pytest.approx(limits.backward, abs=0.0006)
    seconds = RAMP_STRIDES * limits.gait.stride_period
    assert told["max_accel"] == pytest.approx([value / seconds for value in limits.forward], abs=0.0006)
    assert told["max_decel"] == [-value for value in told["max_accel"]]
    corners = YAML(typ="safe").load(told["footprint"])
    assert np.abs(corners).max(axis=0) == pytest.approx(limits.footprint, abs=0.0006)


def test_a_margin_out_of_reach_is_lowered_and_said():
    robot = ROBOTS["digger"]
    gait = replace(robot.gait("creep"), margin=0.03)
    limits = WalkingLimits(robot, gait)
    assert limits.margin is not None
    assert limits.margin < 0.03
    _, margins = walk(robot, limits, [ZERO_TWIST, fastest(limits, (1, 0, 0))])
    assert margins.min() >= limits.margin


def test_a_gait_that_no_leg_can_follow_goes_nowhere_and_says_the_remedy():
    robot = ROBOTS["greenhouse_inspector"]
    gait = replace(robot.gait("trot"), name="hop", foot_clearance=0.09, stride_period=0.2)
    limits = WalkingLimits(robot, gait)
    why = CodedFact.of(StrideTrouble.NO_LIFT, foot_clearance_mm=90, swing_s=0.076)
    assert limits.trouble == why
    assert limits.cannot_walk == CodedFact.of(Obstacle.CANNOT_WALK, why, gait="hop")
    assert str(Reason.of_fact(limits.cannot_walk)) == (
        "gaits.hop: the legs cannot lift a foot by 90 mm and back in 0.076 s and go anywhere: lower foot_clearance_mm, "
        "or raise stride_period_s"
    )
    assert limits.forward == ZERO_TWIST
    assert limits.use(ZERO_TWIST) == 0.0
    assert limits.scaled((0.1, 0.0, -0.1)) == ZERO_TWIST
    planner = Planner(robot, limits, 1 / robot.control_rate)
    planner.walk((0.1, 0.0, -0.1))
    assert all(planner.step().loads)
    assert not planner.walking


def laden(robot: RobotModel, share: float) -> RobotModel:
    """With a payload of a share of the robot's mass on the body's middle."""
    return replace(robot, masses=replace(robot.masses, body=robot.masses.body + share * robot.masses.total))


@pytest.mark.parametrize("gait", ["creep", "trot"])
def test_a_payload_lowers_the_limits(gait):
    robot = ROBOTS["greenhouse_inspector"]
    free, heavy = limits_of(robot.name, gait), WalkingLimits(laden(robot, 0.4), robot.gait(gait))
    assert not heavy.trouble
    assert heavy.forward[0] < 0.85 * free.forward[0]
    assert heavy.backward[0] > 0.8 * free.backward[0]


def test_a_lower_supply_lowers_the_limits():
    robot = ROBOTS["greenhouse_inspector"]
    at_five = replace(robot, supply=replace(robot.supply, voltage=5.0))
    for gait in robot.gaits:
        assert WalkingLimits(at_five, gait).forward[0] < 0.9 * limits_of(robot.name, gait.name).forward[0]


def test_no_joint_leaves_its_torque_speed_line():
    """By MuJoCo's inverse dynamics: the weight on the feet that stand, and on the links, through a stride."""
    robot, limits = ROBOTS["greenhouse_inspector"], limits_of("greenhouse_inspector", "trot")
    inverse = InverseDynamics(robot)
    twist = fastest(limits, (1, 0, 0))
    path = strides(robot, limits.gait, np.array([twist]), FRAMES)
    angles, _ = angles_of(robot, path.feet[0], np.zeros((FRAMES, 2)))
    rates = (np.roll(angles, -1, axis=0) - np.roll(angles, 1, axis=0)) / (2 * limits.gait.stride_period / FRAMES)
    stall = np.array([robot.stall_torque(joint) for joint in robot.joints])
    fast = np.array([robot.no_load_speed(joint) for joint in robot.joints])
    used = []
    for row, rate, feet, air in zip(angles, rates, path.feet[0], path.in_air):
        standing, loads = np.flatnonzero(~air), np.zeros(4)
        centre = centre_of_mass_batch(robot, row[None])[0, :2]
        loads[standing] = share_weight([(x, y) for x, y in feet[standing, :2].tolist()], tuple(centre.tolist()))
        torques = inverse.torques(row, robot.masses.total * STANDARD_GRAVITY * loads)
        used.append(np.abs(torques) / stall + np.abs(rate) / fast)
    # The supply sinks by a twentieth besides.
    assert 0.8 * EFFORT < np.max(used) < EFFORT


def test_servos_that_cannot_carry_the_robot_are_named_with_what_would_do():
    robot = laden(ROBOTS["greenhouse_inspector"], 1.0)
    limits = WalkingLimits(robot, robot.gait("trot"))
    assert limits.obstacle is StrideObstacle.TORQUE
    assert limits.trouble
    effort = StrideFeasibility(robot, robot.gait("trot")).hardest(np.array(ZERO_TWIST), None)
    needed, has = effort.stall_torque_needed, robot.stall_torque(robot.joints[0])
    sheet = robot.joints[0].servo.kind.stall_torque / KG_CM * needed / has
    said = Reason.of_fact(limits.trouble)
    assert f"{effort.joint} needs {sheet:.3g} kg·cm ({needed:.3g} N·m) of stall torque only to step" in str(said)
    assert "`quadleg check`" in said.cure
    assert WalkingLimits(with_torque(robot, 0.97 * needed / has), robot.gait("trot")).trouble
    assert not WalkingLimits(with_torque(robot, 1.03 * needed / has), robot.gait("trot")).trouble


def one_way(limits: WalkingLimits, axis: int, way: int) -> WalkingLimits:
    """The same limits with none in one direction."""
    one = copy(limits)
    one.axes = [list(ends) for ends in limits.axes]
    one.axes[axis][way] = 0.0
    return one


def test_a_robot_that_walks_ahead_and_not_sideways():
    """Legs that do not abduct."""
    robot = narrow()
    limits = WalkingLimits(robot, robot.gait("trot"))
    assert not limits.trouble
    assert limits.forward[0] > 0.1
    assert limits.forward[1] == limits.backward[1] == 0.0
    assert limits.scaled((0.5, 0.1, 0.0))[1] == 0.0
    assert limits.scaled((0.0, 0.1, 0.0)) == ZERO_TWIST
    assert limits.use((0.0, 0.01, 0.0)) == np.inf
    walker = Walker(robot, limits, 0.02)
    fast = 2 * limits.forward[0]
    assert walker.step((fast, 0.1, 0.0), 0.0) == walker.step((fast, 0.0, 0.0), 0.02)  # what is left is scaled alone
    assert walker.step((fast, 0.0, 0.0), 0.04) == pytest.approx(2.0)
    told = YAML(typ="safe").load(limits.in_words(("creep", "trot")))
    assert told["max_velocity"][1] == told["min_velocity"][1] == 0.0
    assert VelocityScale.of(limits.in_words(("creep", "trot"))).velocity((0.0, 1.0, 0.0)) == (0.0, 0.0, 0.0)


def narrow() -> RobotModel:
    def stiff(joint):
        return replace(joint, lower=-1e-5, upper=1e-5) if joint.name.endswith("abduction") else joint

    return ROBOTS["greenhouse_inspector"].with_joints(stiff)


@pytest.mark.parametrize(("axis", "way"), product(range(3), (0, 1)))
def test_a_limit_of_nothing_is_walked_with(axis, way):
    robot = ROBOTS["greenhouse_inspector"]
    limits = one_way(limits_of(robot.name, "trot"), axis, way)
    planner = Planner(robot, limits, 1 / robot.control_rate)
    asked = [0.0, 0.0, 0.0]
    asked[axis] = 0.1 if way == 0 else -0.1
    planner.walk(tuple(asked))
    for _ in range(200):
        planner.step()
    assert planner.twist == pytest.approx(asked), "the other way is walked"
    planner.walk(tuple(-value for value in asked))
    for _ in range(400):
        planner.step()
    assert planner.twist == ZERO_TWIST, "it brakes, and goes no farther"
    assert planner.settled


@pytest.mark.parametrize("axis", range(3))
def test_a_walk_brakes_by_the_limit_of_the_way_that_it_goes(axis):
    """A robot may walk backward far slower than forward: that is no reason to brake longer from its speed forward."""
    robot = ROBOTS["greenhouse_inspector"]
    limits = copy(limits_of(robot.name, "creep"))
    limits.axes = [
        [behind / 5 if number == axis else behind, ahead] for number, (behind, ahead) in enumerate(limits.axes)
    ]
    planner = Planner(robot, limits, 1 / robot.control_rate)
    asked = [0.0, 0.0, 0.0]
    asked[axis] = 0.9 * limits.forward[axis]
    ramp = round(RAMP_STRIDES * limits.gait.stride_period * robot.control_rate)
    planner.walk(tuple(asked))
    for _ in range(2 * ramp):
        planner.step()
    assert planner.twist == pytest.approx(asked)
    planner.walk(ZERO_TWIST)
    for _ in range(ramp):
        planner.step()
    assert planner.twist == ZERO_TWIST


def test_a_walk_keeps_the_knees_off_the_ground():
    """Low on its legs, with its feet far in, the demo robot's rear knees are the first to touch: by MuJoCo's shapes."""
    robot = ROBOTS["greenhouse_inspector"]
    feet = tuple((x * 0.069 / 0.089, y, z) for x, y, z in robot.standing.feet)
    low = replace(robot, standing=Stance(0.08, feet))
    judge = GroundGeometry(low)
    limits = WalkingLimits(low, low.gait("trot"))
    twists = [fastest(limits, way) for way in DIRECTIONS]
    assert limits.forward[0] > 0.0
    angles, _ = walk(low, limits, twists)
    knees = []
    for row in angles[:, ::4].reshape(-1, 12):
        judge.place((0.0, 0.0, low.standing.height), (1.0, 0.0, 0.0, 0.0), row)
        knees.append(min(height for link, height in judge.heights().items() if link.endswith("_upper")))
    # The clearance, to what is between two looks of the search, and no more than a step of it.
    assert low.clearance - 5e-4 < min(knees) < low.clearance + 5e-3


def off_centre(robot: RobotModel, x: float, y: float) -> RobotModel:
    """With a quarter of its mass, as a payload, so far off that the centre of all masses is (x, y) off, in m."""
    mass = 0.25 * robot.masses.total
    return replace(robot, frames=(FixedFrame("payload", (4 * x, 4 * y, 0.0), (0.0, 0.0, 0.0), mass),))


@pytest.mark.parametrize("gait", ["creep", "trot"])
def test_a_robot_whose_mass_is_off_the_middle_leans(gait):
    robot = off_centre(ROBOTS["greenhouse_inspector"], 0.012, -0.015)
    limits = WalkingLimits(robot, robot.gait(gait))
    assert not limits.trouble
    x, y, _ = centre_of_mass(robot, stance_angles(robot, robot.standing))
    assert np.hypot(x, y) > 0.01
    assert limits.lean == pytest.approx((-x, -y), abs=0.003)
    _, margins = walk(robot, limits, [ZERO_TWIST, fastest(limits, (1, 0, 0))])
    if limits.margin is not None:
        assert margins.min() >= limits.margin
    planner = Planner(robot, limits, 1 / robot.control_rate)
    planner.walk((0.03, 0.0, 0.0))
    shifts = [planner.step().shift for _ in range(round(4 * limits.gait.stride_period * robot.control_rate))]
    stride = round(limits.gait.stride_period * robot.control_rate)
    assert np.mean(shifts[-stride:], axis=0) == pytest.approx(limits.lean, abs=0.002)
    assert np.abs(np.diff(shifts, axis=0)).max() < 0.005, "no jump"
    planner.walk(ZERO_TWIST)
    while not planner.settled:
        last = planner.step()
    assert last.shift == pytest.approx((0.0, 0.0), abs=1e-9)
