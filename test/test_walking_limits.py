"""How fast the robots can walk: what was promised for the demo robot, and that all twists within are walked safely."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import robots
from draws import examples
from ground_geometry import GroundGeometry
from hypothesis import given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from quadleg.dynamics.centre_of_mass import centre_of_mass_batch
from quadleg.gait.limits import DIRECTIONS, RAMP_STRIDES, SPEED_SHARE, WalkingLimits
from quadleg.gait.planner import Planner
from quadleg.gait.stability import static_margin
from quadleg.gait.steady import angles_of, strides
from quadleg.gait.sway import basis
from quadleg.kinematics.clearance import Clearance
from quadleg.kinematics.leg import points
from quadleg.kinematics.planar import STILL
from quadleg.robot.model import Stance
from quadleg.safety.limits import LOADED_SPEED_SHARE

ROBOTS = {robot.name: robot for robot in (robots.inspector(), robots.digger())}
EVERY = [(name, gait.name) for name, robot in ROBOTS.items() for gait in robot.gaits]
every = pytest.mark.parametrize(("name", "gait"), EVERY)
FRAMES = 480

ways = st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda way: max(map(abs, way)) > 0.01)


@cache
def limits_of(name: str, gait: str) -> WalkingLimits:
    return WalkingLimits(ROBOTS[name], ROBOTS[name].gait(gait))


def fastest(limits: WalkingLimits, way) -> tuple[float, float, float]:
    """The fastest twist in a direction that is given in shares of the limits forward."""
    x, y, yaw = (10 * share * most for share, most in zip(way, limits.forward))
    return limits.scaled((x, y, yaw))


def walk(robot, limits: WalkingLimits, twists):
    """Angles (n, FRAMES, 12) and margins (n, FRAMES) of strides with the twists; all must be in reach."""
    path = strides(robot, limits.gait, np.array(twists), FRAMES)
    shifts = basis(np.arange(FRAMES) / FRAMES) @ np.array([limits.sway(tuple(twist)) for twist in twists])
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
    """At least 0.065 m/s forward, 0.04 m/s sideways and 0.4 rad/s turning in the creeping walk, 0.2 m/s in the trot."""
    creep = limits_of("greenhouse_inspector", "creep")
    assert creep.gait.duty_factor <= 0.8
    x, y, yaw = creep.forward
    assert x >= 0.065
    assert y >= 0.04
    assert yaw >= 0.4
    x, y, yaw = creep.backward
    assert x <= -0.065
    assert y <= -0.04
    assert yaw <= -0.4
    assert creep.margin == creep.gait.margin
    trot = limits_of("greenhouse_inspector", "trot")
    assert trot.forward[0] >= 0.2
    assert trot.margin is None


@every
def test_a_mirrored_robot_has_mirrored_limits(name, gait):
    limits = limits_of(name, gait)
    # To the precision of the search: a thirty-second of its coarse step.
    assert limits.forward[1] == pytest.approx(-limits.backward[1], abs=0.6 / 24 / 16)
    assert limits.forward[2] == pytest.approx(-limits.backward[2], abs=4.0 / 24 / 16)


@every
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


@every
def test_no_limit_is_far_below_what_is_possible(name, gait):
    """Ten per cent faster along any axis, reach, clearance or the servos' speed would not do."""
    limits = limits_of(name, gait)
    for way in (d for d in DIRECTIONS if np.abs(d).sum() == 1):
        twist = np.array(fastest(limits, way))
        assert not limits._walk(np.array([1.1 * twist]))[0], way


@every
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


@every
@settings(max_examples=examples(30))
@given(way=ways)
def test_use_and_sway_have_no_jumps(name, gait, way):
    limits = limits_of(name, gait)
    twist = np.array(fastest(limits, way)) * 0.9
    for nudge in np.eye(3) * 1e-7:
        assert limits.use(tuple(twist + nudge)) == pytest.approx(limits.use(tuple(twist)), abs=1e-4)
        assert np.abs(limits.sway(tuple(twist + nudge)) - limits.sway(tuple(twist))).max() < 1e-5
    assert limits.use(STILL) == 0
    assert limits.scaled(STILL) == STILL


@every
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
    _, margins = walk(robot, limits, [STILL, fastest(limits, (1, 0, 0))])
    assert margins.min() >= limits.margin


def test_a_gait_that_no_leg_can_follow_goes_nowhere_and_says_the_remedy():
    robot = ROBOTS["greenhouse_inspector"]
    gait = replace(robot.gait("trot"), name="hop", foot_clearance=0.09, stride_period=0.2)
    limits = WalkingLimits(robot, gait)
    assert limits.trouble
    assert "gaits.hop: the legs cannot lift a foot by 90 mm and back in 0.09 s" in limits.trouble
    assert limits.forward == STILL
    assert limits.use(STILL) == 0.0
    assert limits.scaled((0.1, 0.0, -0.1)) == STILL
    planner = Planner(robot, limits, 1 / robot.control_rate)
    planner.walk((0.1, 0.0, -0.1))
    assert all(planner.step().loads)
    assert not planner.walking


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
