"""The plan tick by tick: no foot jumps or slips, margin, speed and clearance hold whatever is asked and when."""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, hypot, inf, nan, pi, sin

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis_settings import examples
from sample_walks import EVERY_GAIT, ROBOTS, limits_of

from quadleg.dynamics.centre_of_mass import centre_of_mass, centre_of_mass_batch
from quadleg.errors import TargetError
from quadleg.gait.planner import AT_HOME, HUGE, GaitPlan, Planner
from quadleg.gait.stability import static_margin
from quadleg.gait.steady_strides import angles_of
from quadleg.gait.stride_feasibility import SPEED_SHARE
from quadleg.gait.walking_limits import DIRECTIONS, RAMP_STRIDES, WalkingLimits
from quadleg.geometry.planar import ZERO_TWIST, Planar, compose_planar, from_frame_batch, motion, to_frame
from quadleg.kinematics.body_pose import stance_angles
from quadleg.kinematics.clearance import Clearance
from quadleg.robot.model import LEGS

DEMO = "greenhouse_inspector"

Script = Sequence[tuple[Sequence[float], float]]  # directions in shares of the limits forward, and for how many strides
ways = st.one_of(st.just((0, 0, 0)), st.sampled_from(DIRECTIONS), st.tuples(*[st.floats(-1, 1)] * 3))
scripts = st.lists(st.tuples(ways, st.one_of(st.floats(0.02, 0.5), st.floats(0.2, 2.5))), min_size=1, max_size=6)
periods = st.sampled_from([0.02, 0.01])


def twist_of(limits: WalkingLimits, way: Sequence[float], factor: float = 4.0) -> Planar:
    """A twist in a direction, by default far past the limits."""
    x, y, yaw = (factor * share * most for share, most in zip(way, limits.forward))
    return x, y, yaw


class PlannerRun:
    """A planner that takes down what it plans."""

    def __init__(self, name: str, gait: str, period: float = 0.02) -> None:
        self.robot, self.limits, self.period = ROBOTS[name], limits_of(name, gait), period
        self.planner = Planner(self.robot, self.limits, period)
        self.plans: list[GaitPlan] = []
        self.places: list[Planar] = []
        self.twists: list[Planar] = []
        self.margins: list[float] = []

    def go(self, strides: float) -> PlannerRun:
        for _ in range(max(1, round(strides * self.limits.gait.stride_period / self.period))):
            self.plans.append(self.planner.step())
            self.places.append(self.planner.place)
            self.twists.append(self.planner.twist)
            self.margins.append(self.planner.margin())
        return self

    def play(self, script: Script) -> PlannerRun:
        """The script, then a stop: a ramp, and the steps that bring the feet home."""
        for way, strides in script:
            self.planner.walk(twist_of(self.limits, way))
            self.go(strides)
        self.planner.walk(ZERO_TWIST)
        return self.go(RAMP_STRIDES + 2.5)

    @property
    def feet(self) -> np.ndarray:
        """(n, 4, 3) in base_footprint."""
        return np.array([plan.feet for plan in self.plans])

    @property
    def on_ground(self) -> np.ndarray:
        """(n, 4, 3) in the frame that stays on the ground."""
        over = from_frame_batch(np.array(self.places)[:, None], self.feet[..., :2])
        return np.concatenate((over, self.feet[..., 2:]), axis=2)

    @property
    def in_air(self) -> np.ndarray:
        return self.feet[..., 2] > self.robot.standing.feet[0][2]


def check_feet(run: PlannerRun) -> None:
    """No slip, no jump, and velocities that are what the feet do."""
    feet, ground, in_air = run.feet, run.on_ground, run.in_air
    clearance = max(gait.foot_clearance for gait in run.robot.gaits)
    radius = run.robot.standing.feet[0][2]
    assert feet[..., 2].min() >= radius
    assert feet[..., 2].max() <= radius + clearance + 1e-12
    moves = np.linalg.norm(np.diff(ground, axis=0), axis=2)
    stays = ~in_air[1:] & ~in_air[:-1]
    assert moves[stays].max(initial=0.0) < 1e-9, "a foot that stands does not move on the ground"

    # On the ground and in the air, velocities are rates: their mean over a tick is the way but for the acceleration.
    velocities = np.array([plan.velocities for plan in run.plans])
    mean = (velocities[1:] + velocities[:-1]) / 2
    missed = np.linalg.norm(np.diff(feet, axis=0) / run.period - mean, axis=2)
    assert missed.max() < 0.35
    assert np.percentile(missed, 95) < 0.05
    # A foot comes down, and leaves, with as little speed over the ground as a ramp gains in a tick.
    twists, places = np.array(run.twists)[:, None], feet[..., :2]
    frame = twists[..., :2] + twists[..., 2:] * np.stack((-places[..., 1], places[..., 0]), axis=2)
    over_ground = np.linalg.norm(velocities[..., :2] + frame, axis=2)
    ends = in_air & (~np.roll(in_air, 1, axis=0) | ~np.roll(in_air, -1, axis=0))
    assert over_ground[~in_air].max() < 1e-7
    if ends.any() and in_air.any():
        assert over_ground[ends].max() < 0.75 * over_ground[in_air].max() + 0.03


def check_robot(run: PlannerRun) -> None:
    """Reach, servo speed, clearance, margin, loads, and the limits of the velocity."""
    robot, limits = run.robot, run.limits
    shifts = np.array([plan.shift for plan in run.plans])
    angles, reached = angles_of(robot, run.feet, shifts)
    assert reached.all()
    speeds = np.abs(np.diff(angles, axis=0)).max(axis=0) / run.period
    most = SPEED_SHARE * np.array([robot.no_load_speed(joint) for joint in robot.joints])
    # In hundreds of walks of sudden reversals one frame was 0.6 % faster; the watchdog stretches it by so much.
    assert (speeds <= 1.01 * most).all(), "no planned frame is faster than the servos under load"
    assert Clearance(robot).least_batch(angles[::4]).min() >= robot.clearance
    assert max(map(limits.use, run.twists)) < 1 + 1e-9
    loads = np.array([plan.loads for plan in run.plans])
    assert np.allclose(loads.sum(axis=1), 1, rtol=0, atol=1e-9)
    assert (loads >= 0).all()
    assert (loads[run.in_air] == 0).all()
    if limits.margin is None:
        return
    assert min(run.margins) >= limits.margin
    # The same by the masses of all links at their angles.
    centres = centre_of_mass_batch(robot, angles)[:, :2] + shifts
    standing = ~run.in_air
    for tick in range(0, len(centres), 3):
        here = [tuple(foot[:2]) for foot in run.feet[tick][standing[tick]]]
        assert static_margin(here, tuple(centres[tick])) >= limits.margin


def check_stopped(run: PlannerRun) -> None:
    """All feet down in a square stance, the body in the middle, and nothing moves."""
    planner, plan = run.planner, run.plans[-1]
    assert not planner.walking
    assert planner.twist == ZERO_TWIST
    for foot, home in zip(plan.feet, run.robot.standing.feet):
        assert hypot(foot[0] - home[0], foot[1] - home[1]) <= AT_HOME
        assert foot[2] == home[2]
    assert plan.shift == pytest.approx((0, 0), abs=1e-12)
    assert np.abs(plan.velocities).max() == 0
    assert min(plan.loads) > 0


@EVERY_GAIT
@settings(max_examples=examples(4))
@given(script=scripts, period=periods)
def test_whatever_is_asked_and_when_the_plan_holds(name, gait, script, period):
    run = PlannerRun(name, gait, period).play(script)
    check_feet(run)
    check_robot(run)
    check_stopped(run)


@EVERY_GAIT
@pytest.mark.parametrize(
    "way",
    [
        (1, 0, 0),
        (1, -1, 1),
        *(pytest.param(way, marks=pytest.mark.long) for way in ((-1, 0, 0), (0, 1, 0), (0, 0, -1))),
    ],
)
def test_reversing_at_full_speed(name, gait, way):
    back = tuple(-share for share in way)
    for script in (
        [(way, 2.6), (back, 1.2), (way, 0.9), (back, 2.3)],
        [(way, 2.3), (ZERO_TWIST, 0.7), (way, 1.2), (ZERO_TWIST, 0.3)],
    ):
        run = PlannerRun(name, gait).play(script)
        check_feet(run)
        check_robot(run)
        check_stopped(run)


@EVERY_GAIT
def test_a_command_that_changes_its_sign_at_every_tick(name, gait):
    run = PlannerRun(name, gait)
    for k in range(150):
        run.planner.walk(twist_of(run.limits, [(1, 0.5, -1), (-1, -0.5, 1)][k % 2]))
        run.go(0)
    run.play([])
    assert np.abs(np.array(run.places)[:, :2]).max() < 0.015
    check_feet(run)
    check_robot(run)
    check_stopped(run)


@EVERY_GAIT
@given(script=scripts)
@settings(max_examples=examples(5))
def test_it_goes_where_its_velocity_says(name, gait, script):
    run = PlannerRun(name, gait).play(script)
    place = ZERO_TWIST
    for before, now in zip([ZERO_TWIST, *run.twists], run.twists):
        x, y, yaw = ((a + b) / 2 for a, b in zip(before, now))
        place = compose_planar(place, motion((x, y, yaw), run.period))
    assert run.planner.place == pytest.approx(place, abs=1e-9)


@EVERY_GAIT
def test_the_velocity_changes_no_faster_than_said(name, gait):
    run = PlannerRun(name, gait).play([((1, 0, 0), 3), ((0, 1, 0), 2), ((0, -1, -1), 3)])
    most = np.array(run.limits.acceleration) * run.period
    # Backward limits may be greater than forward ones, and so may the rate; corners are rounded within the limits.
    most *= np.maximum(1, np.abs(np.array(run.limits.backward)) / run.limits.forward) * 1.05
    assert (np.abs(np.diff(run.twists, axis=0)) <= most + 1e-12).all()
    reached = max(run.limits.use(twist) for twist in run.twists)
    assert reached == pytest.approx(1.0)


@EVERY_GAIT
def test_a_steady_walk_has_its_duty_factor_and_order(name, gait):
    run = PlannerRun(name, gait, 0.01)
    run.planner.walk(twist_of(run.limits, (0.5, 0.2, 0.3), 1.0))
    run.go(RAMP_STRIDES + 3)
    begin = len(run.plans)
    run.go(4)
    own = run.limits.gait
    in_air = run.in_air[begin:]
    assert in_air.mean(axis=0) == pytest.approx([1 - own.duty_factor] * 4, abs=0.02)
    landings = [np.flatnonzero(in_air[:-1, leg] & ~in_air[1:, leg])[0] * run.period for leg in range(4)]
    lags = [(landing - landings[0]) / own.stride_period % 1 for landing in landings]
    wanted = [(phase - own.phases[0]) % 1 for phase in own.phases]
    assert np.abs(np.exp(2j * pi * np.array(lags)) - np.exp(2j * pi * np.array(wanted))).max() < 0.3
    assert run.feet[begin:, :, 2].max() == pytest.approx(own.foot_clearance + run.robot.standing.feet[0][2], abs=2e-4)
    if own.margin is not None:
        stride = round(own.stride_period / run.period)
        shifts = np.array([plan.shift for plan in run.plans[-stride:]])
        assert np.abs(shifts.mean(axis=0)).max() < 1e-4, "the shift averages to zero over a stride"
    assert in_air.sum(axis=1).max() == (1 if own.margin is not None else 2)


def test_in_a_steady_walk_a_foot_is_at_home_halfway_through_its_stance():
    run = PlannerRun(DEMO, "creep", 0.01)
    run.planner.walk((0.05, 0.01, 0.1))
    run.go(RAMP_STRIDES + 4)
    in_air = run.in_air[:, 0]
    lift_offs = np.flatnonzero(~in_air[:-1] & in_air[1:])
    landings = np.flatnonzero(in_air[:-1] & ~in_air[1:])
    halfway = (landings[-2] + lift_offs[-1]) // 2
    assert run.feet[halfway, 0] == pytest.approx(run.robot.standing.feet[0], abs=0.001)


@EVERY_GAIT
def test_at_zero_velocity_it_stands_still(name, gait):
    run = PlannerRun(name, gait)
    run.planner.walk(ZERO_TWIST)
    run.go(2)
    assert not run.planner.walking
    assert run.planner.place == ZERO_TWIST
    assert (run.feet == np.array(run.robot.standing.feet)).all()
    check_stopped(run)


def test_turning_in_place_stays_in_place():
    run = PlannerRun(DEMO, "creep").play([((0, 0, 1), 6)])
    x, y, yaw = run.planner.place
    assert (x, y) == pytest.approx((0, 0), abs=1e-12)
    assert yaw > 2
    check_robot(run)


# A change of gait


@pytest.mark.parametrize("name", ROBOTS)
@pytest.mark.parametrize("strides", [0.3, 1.37, 2.81, 4.5])
def test_a_gait_changes_in_a_square_stance_with_all_feet_down(name, strides):
    run = PlannerRun(name, "creep")
    run.planner.walk(twist_of(run.limits, (1, 0, 0.5)))
    run.go(strides)
    trot = limits_of(name, "trot")
    run.planner.change(trot)
    assert run.planner.gait_changes
    before = len(run.plans)
    while run.planner.limits is not trot:
        run.go(0)
        assert len(run.plans) < before + 500
    # The tick of the change is the first that plans in the new gait.
    for foot, home in zip(run.plans[-2].feet, run.robot.standing.feet):
        assert foot == pytest.approx(home, abs=AT_HOME)
    assert run.twists[-2] == ZERO_TWIST
    assert not run.planner.gait_changes
    assert min(run.margins[:-1]) >= run.limits.margin
    run.limits = trot
    run.planner.walk(twist_of(trot, (1, 0, 0.5)))
    run.go(4)
    assert hypot(*run.twists[-1][:2]) > 0.05, "it walks on in the new gait"
    run.planner.walk(ZERO_TWIST)
    run.go(RAMP_STRIDES + 2.5)
    check_feet(run)
    check_stopped(run)


def test_a_change_taken_back_is_none():
    run = PlannerRun(DEMO, "creep")
    run.planner.walk((0.05, 0, 0))
    run.go(3)
    run.planner.change(limits_of(DEMO, "trot"))
    run.go(0.3)
    run.planner.change(run.limits)
    run.go(RAMP_STRIDES + 1)
    assert run.planner.limits is run.limits
    assert run.planner.twist == (0.05, 0, 0)
    check_feet(run)
    check_robot(run)


# Bad input


@pytest.mark.parametrize("bad", [(nan, 0, 0), (0, inf, 0), (0, 0, -inf), (inf, -inf, nan)])
def test_a_velocity_that_is_not_finite_is_refused_and_changes_nothing(bad):
    run, other = PlannerRun(DEMO, "creep"), PlannerRun(DEMO, "creep")
    for each in (run, other):
        each.planner.walk((0.05, 0.0, 0.1))
        each.go(1.5)
    with pytest.raises(TargetError, match="it must be three finite numbers in m/s, m/s and rad/s"):
        run.planner.walk(bad)
    run.go(2)
    other.go(2)
    assert run.plans == other.plans


@pytest.mark.parametrize("size", [1e3, 1e9, 1e200, 1.7e308])
def test_a_huge_velocity_is_scaled_in_its_direction(size):
    run = PlannerRun(DEMO, "creep")
    assert run.planner.walk((size, -size, size)) > min(size, HUGE)
    run.go(RAMP_STRIDES + 1)
    x, y, yaw = run.twists[-1]
    assert x == pytest.approx(-y)
    assert x == pytest.approx(yaw)
    assert run.limits.use((x, y, yaw)) == pytest.approx(1.0)
    run.play([])
    check_robot(run)


def test_a_tiny_velocity_is_no_trouble():
    run = PlannerRun(DEMO, "trot").play([((1e-300, -1e-12, 5e-324), 3)])
    check_feet(run)
    check_robot(run)
    check_stopped(run)


# Standing on feet that are anywhere


def test_standing_on_its_feet_as_they_are_and_stepping_home():
    run = PlannerRun(DEMO, "creep")
    run.planner.walk((0.05, 0.0, 0.0))
    run.go(2)
    offsets = [(0.012, -0.006), (-0.01, 0.008), (0.006, 0.01), (-0.008, -0.004)]
    feet = [(x + dx, y + dy, z) for (x, y, z), (dx, dy) in zip(run.robot.standing.feet, offsets)]
    run.planner.stand_on(feet)
    assert run.planner.twist == ZERO_TWIST
    del run.plans[:], run.places[:], run.twists[:], run.margins[:]
    run.go(0)
    assert np.allclose(run.feet[0], feet, rtol=0, atol=1e-12), "nothing moves at once"
    run.go(4)
    check_feet(run)
    check_robot(run)
    check_stopped(run)
    assert run.in_air.any(axis=0).all(), "each foot has stepped"


@pytest.mark.parametrize("gait", ["creep", "trot"])
def test_feet_nearly_at_home_are_taken_for_home(gait):
    run = PlannerRun(DEMO, gait)
    run.planner.stand_on([(x + 0.0003, y - 0.0003, z) for x, y, z in run.robot.standing.feet])
    run.go(1)
    assert (run.feet == np.array(run.robot.standing.feet)).all()


def test_the_margin_counts_how_the_body_leans():
    run = PlannerRun(DEMO, "creep").go(0.1)
    upright = run.planner.margin()
    feet = np.array(run.robot.standing.feet)[:, :2]
    centre = centre_of_mass(run.robot, stance_angles(run.robot, run.robot.standing))[:2]
    assert upright == pytest.approx(static_margin([tuple(foot) for foot in feet], centre))
    leaning = run.planner.margin((0.0, 0.02))
    assert upright - 0.02 < leaning < upright - 0.012, "the legs stay behind, and so does a part of the weight"


def test_feet_in_base_footprint_turn_against_the_body():
    """A stance foot seen from a frame that turns: Lynch & Park, Modern Robotics (2017), 3.3.2, v = −ω × p − v."""
    run = PlannerRun(DEMO, "creep")
    run.planner.walk((0.03, 0.01, 0.2))
    run.go(RAMP_STRIDES + 1)
    (vx, vy, rate), plan = run.twists[-1], run.plans[-1]
    for leg, (foot, velocity) in enumerate(zip(plan.feet, plan.velocities)):
        if not run.in_air[-1, leg]:
            x, y, _ = foot
            assert velocity == pytest.approx((-vx + rate * y, -vy - rate * x, 0), abs=1e-12), LEGS[leg]
    x, y, yaw = run.places[-1]
    assert to_frame((x, y, yaw), x + cos(yaw), y + sin(yaw)) == pytest.approx((1, 0))
