"""What a walk tells: the way that its feet say, and the figures of it."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from math import degrees, radians

import numpy as np
import pytest
import sample_robots
import sample_walks
from hypothesis import given
from hypothesis import strategies as st

from quadleg.analysis.series import true_runs
from quadleg.analysis.walk_measures import Footfalls, MeasuredWalk, Walk, track_from_feet, walk_figures
from quadleg.dynamics.centre_of_mass import centre_of_mass
from quadleg.gait.stability import static_margin
from quadleg.geometry.planar import ZERO_TWIST, compose_planar, from_frame_batch, to_frame
from quadleg.geometry.registration import fit_pose
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import all_forward, legs_inverse
from quadleg.kinematics.leg import forward
from quadleg.robot.model import JOINT_NAMES, JOINTS, LEGS

ROBOTS = {"inspector": sample_robots.inspector(), "digger": sample_robots.digger()}
ROBOT = ROBOTS["inspector"]
CREEP, TROT = ROBOT.gaits
WAYS = {
    "creep": [*sample_walks.square(0.06, 3), *sample_walks.turn(0.3, 4)],
    "trot": [*sample_walks.square(0.15, 2), *sample_walks.turn(1.0, 2)],
}
EVERY_WALK = [(name, gait) for name in ROBOTS for gait in WAYS]


@cache
def planned(robot: str = "inspector", gait: str = "creep") -> tuple[Walk, np.ndarray]:
    """A walk with the planned angles, and its places."""
    own = next(each for each in ROBOTS[robot].gaits if each.name == gait)
    return sample_walks.walked(ROBOTS[robot], own, WAYS[gait])


@cache
def seen(robot: str = "inspector", gait: str = "creep") -> Walk:
    """The same walk as the servos go it."""
    return sample_walks.followed(ROBOTS[robot], planned(robot, gait)[0])


def planned_ground(walk: Walk) -> np.ndarray:
    """(n, 4, 2) in m: the planned feet over the ground."""
    return from_frame_batch(walk.place[:, None], walk.feet[..., :2])


@pytest.mark.parametrize(("robot", "gait"), EVERY_WALK)
def test_place_is_that_of_the_planner(robot, gait):
    walk, places = planned(robot, gait)
    assert np.abs(places[:, :2]).max() > 0.1
    assert np.abs(places[:, 2]).max() > 0.5
    assert np.allclose(walk.place, places, rtol=0, atol=1e-6)


moves = st.lists(st.tuples(*[st.floats(-0.02, 0.02)] * 2, st.floats(-0.5, 0.5)), min_size=1, max_size=10)


@given(moves, st.permutations(range(4)), st.data())
def test_any_two_feet_that_stay_tell_the_way(each, legs, data):
    ground = np.array(ROBOT.standing.feet)[:, :2]
    places = [ZERO_TWIST]
    for move in each:
        places.append(compose_planar(places[-1], move))
    feet = np.array([[to_frame(place, *foot) for foot in ground] for place in places])
    down = np.ones((len(places), 4), dtype=bool)
    for leg in legs[2:]:
        down[:, leg] = data.draw(st.lists(st.booleans(), min_size=len(down), max_size=len(down)))
    feet[~down] += 0.03
    assert np.allclose(track_from_feet(feet, down, ZERO_TWIST), places, rtol=0, atol=1e-9)


def test_without_two_feet_that_stay_it_goes_on_as_before():
    ground = np.array(ROBOT.standing.feet)[:, :2]
    feet = np.array([[to_frame((0.01 * k, 0.0, 0.1 * k), *foot) for foot in ground] for k in range(4)])
    down = np.ones((4, 4), dtype=bool)
    down[3, 1:] = False
    places = track_from_feet(feet, down, ZERO_TWIST)
    first, second, third, fourth = (tuple(place) for place in places.tolist())
    assert first == ZERO_TWIST
    before = (*to_frame(second, *third[:2]), third[2] - second[2])
    assert fourth == pytest.approx(compose_planar(third, before))


@pytest.mark.parametrize(("robot", "gait"), EVERY_WALK)
def test_exact_servos_take_the_body_where_it_is_planned(robot, gait):
    walk, places = planned(robot, gait)
    measured = MeasuredWalk.of(ROBOTS[robot], walk)
    assert measured.delay == 0
    assert np.allclose(measured.place[:, :2], from_frame_batch(places, walk.shift), rtol=0, atol=1e-6)
    assert np.allclose(measured.place[:, 2], places[:, 2], rtol=0, atol=1e-6)
    assert np.allclose(measured.footprint(walk), places, rtol=0, atol=1e-6)
    assert np.allclose(measured.ground, planned_ground(walk), rtol=0, atol=1e-6)
    assert np.allclose(measured.heights, walk.feet[..., 2] - ROBOTS[robot].legs[0].foot_radius, rtol=0, atol=1e-6)
    assert measured.slips.max() < 1e-6
    for tick in range(0, len(walk.times), 9):
        x, y, _ = centre_of_mass(ROBOTS[robot], walk.angles[tick])
        below = x + walk.shift[tick, 0], y + walk.shift[tick, 1]
        support = [(x, y) for (x, y, _), air in zip(walk.feet[tick].tolist(), walk.in_air[tick]) if not air]
        assert measured.margin[tick] == pytest.approx(static_margin(support, below), abs=1e-9)


@pytest.mark.parametrize("gait", WAYS)
def test_servos_are_as_far_behind_as_they_are(gait):
    walk = seen(gait=gait)
    measured = MeasuredWalk.of(ROBOT, walk)
    assert measured.delay == sample_walks.TICKS_BEHIND
    assert np.array_equal(measured.down[measured.delay :], ~walk.in_air[: -measured.delay])


@pytest.mark.parametrize("gait", WAYS)
def test_measured_way_is_that_of_the_pose_over_the_planned_feet(gait):
    """By another way: the pose (Kabsch) over the planned places on the ground of the feet that are down."""
    walk = seen(gait=gait)
    measured = MeasuredWalk.of(ROBOT, walk)
    off, tilts, turns = [], [], []
    ground_feet = planned_ground(walk)
    for tick in range(measured.delay, len(walk.times), 7):
        down = np.flatnonzero(measured.down[tick])
        if len(down) < 3:
            continue
        ground = [(*ground_feet[tick - measured.delay, i], 0.0) for i in down]
        feet = all_forward(ROBOT, walk.angles[tick])
        pose = fit_pose([feet[i] for i in down], ground)
        off.append(np.hypot(*(np.array(pose.position[:2]) - measured.place[tick, :2])))
        tilts += pose.rpy[:2]
        turn = pose.rpy[2] - measured.place[tick, 2]
        turns.append((turn + np.pi) % (2 * np.pi) - np.pi)
    assert len(off) > 20
    assert max(off) < 0.008
    assert np.abs(turns).max() < radians(2)
    # So the body can be taken as level.
    assert np.abs(tilts).max() < radians(1)


def test_a_foot_that_slides_is_seen_to_slip():
    walk, _ = planned()
    standing = replace(walk, **{name: getattr(walk, name)[:40].copy() for name in ("times", "feet", "in_air", "shift")})
    feet = standing.feet.copy()
    feet[20:, LEGS.index("rear_right"), 0] += 0.004
    pose = Pose((0.0, 0.0, ROBOT.standing.height))
    angles = np.array([legs_inverse(ROBOT, pose, own) for own in feet])
    measured = MeasuredWalk.of(ROBOT, replace(standing, angles=angles, shift=np.zeros((40, 2))))
    # What one foot slides, least squares takes in part for a movement of the body: a quarter, and some turn.
    tick, leg = np.unravel_index(np.argmax(measured.slips), measured.slips.shape)
    assert (LEGS[leg], tick) == ("rear_right", 20)
    assert 0.001 < measured.slips[tick, leg] < 0.004
    assert measured.slips[:20].max() < 1e-9


def test_a_joint_s_speed_is_a_share_of_its_servo_s():
    walk, _ = planned()
    angles = np.tile(walk.angles[0], (40, 1))
    rear_hip = JOINT_NAMES.index("rear_left_hip")
    angles[30:, rear_hip] += 0.5 * ROBOT.no_load_speed(ROBOT.joints[rear_hip]) * sample_walks.PERIOD
    first = {name: getattr(walk, name)[:40] for name in ("times", "feet", "in_air", "shift")}
    speeds = MeasuredWalk.of(ROBOT, replace(walk, angles=angles, **first)).speeds
    assert speeds.shape == (39, 12)
    assert np.argwhere(speeds).tolist() == [[29, rear_hip]]
    assert speeds[29, rear_hip] == pytest.approx(0.5)


def test_spells_are_the_times_on_the_ground():
    down = np.array([1, 1, 0, 0, 1, 0, 1, 1], dtype=bool)
    assert true_runs(down) == [(0, 2), (4, 5), (6, 8)]
    assert true_runs(~down) == [(2, 4), (5, 6)]


@pytest.mark.parametrize(("robot", "gait"), EVERY_WALK)
def test_footfalls_are_those_of_the_gait(robot, gait):
    walk, _ = planned(robot, gait)
    falls = Footfalls.of(walk)
    own = walk.gait
    tick = sample_walks.PERIOD / own.stride_period
    assert falls.period == pytest.approx(own.stride_period, abs=sample_walks.PERIOD)
    assert falls.last - falls.first == pytest.approx(3 * own.stride_period / sample_walks.PERIOD, abs=1)
    assert falls.duty_factors == pytest.approx([own.duty_factor] * 4, abs=tick)
    for leg, phase in zip(LEGS, falls.phases):
        after = own.phases[LEGS.index(leg)] - own.phases[LEGS.index("rear_left")]
        assert abs((phase - after + 0.5) % 1.0 - 0.5) <= tick + 1e-9


def test_creeping_feet_land_in_lateral_sequence():
    """Each fore foot after the hind foot of its side: Hildebrand, Science 150 (1965) 701."""
    phases = Footfalls.of(planned()[0]).phases
    order = sorted(LEGS, key=lambda leg: round(phases[LEGS.index(leg)], 6) % 1.0)
    assert order == ["rear_left", "front_left", "rear_right", "front_right"]


def test_footfalls_are_taken_where_it_walks_fastest():
    walk, _ = sample_walks.walked(ROBOT, TROT, [(1, ZERO_TWIST), (3, (0.05, 0, 0)), (4, (0.15, 0, 0)), (3, ZERO_TWIST)])
    falls = Footfalls.of(walk)
    moved = np.hypot(*(walk.place[falls.last] - walk.place[falls.first])[:2])
    speed = moved / (walk.times[falls.last] - walk.times[falls.first])
    assert speed == pytest.approx(0.15, rel=0.02)


def numbers(words: str) -> list[float]:
    cleaned = "".join(c if c.isdigit() or c in ".−" else " " for c in words).replace("−", "-")
    return [float(part) for part in cleaned.split() if part not in (".", "-")]


def test_figures_of_a_square():
    walk, places = sample_walks.walked(ROBOT, CREEP, sample_walks.square(0.06, 4))
    walk = sample_walks.followed(ROBOT, walk)
    figures = walk_figures(ROBOT, walk)
    # Its way, tick by tick, without what strides cut off at the corners.
    way = np.hypot(*np.diff(places[:, :2], axis=0).T).sum()
    planned, by_feet = numbers(figures["distance"])
    assert planned == pytest.approx(way, rel=0.05)
    assert by_feet == pytest.approx(planned, abs=0.01)
    speed, seconds = numbers(figures["mean speed"])
    assert speed == pytest.approx(planned / seconds, abs=0.001)
    assert "turned" not in figures
    off, turned = numbers(figures["end, from the planned place"])
    assert off < 10
    assert turned < 1
    least, _ = numbers(figures["least stability margin"])
    assert 1000 * CREEP.margin - 2 < least < 1000 * CREEP.margin + 4
    assert numbers(figures["fastest joint"])[0] <= 0.85
    assert any(f"{leg.replace('_', ' ')} {joint}" in figures["fastest joint"] for leg in LEGS for joint in JOINTS)
    assert 0 < numbers(figures["largest slip of a foot on the ground"])[0] < 2
    assert figures["servos behind the plan"] == "40 ms"
    assert figures["duty factor"] == "0.80, asked 0.80"
    assert figures["stride"] == "1.60 s, asked 1.60 s"


def test_figures_of_turning_on_the_spot():
    walk, places = sample_walks.walked(ROBOT, TROT, [(1, ZERO_TWIST), (3, (0, 0, 1.0)), (3, ZERO_TWIST)])
    walk = sample_walks.followed(ROBOT, walk)
    figures = walk_figures(ROBOT, walk)
    assert "distance" not in figures
    planned, by_feet = numbers(figures["turned"])
    assert planned == pytest.approx(degrees(places[-1, 2]), abs=0.1)
    assert by_feet == pytest.approx(planned, abs=3)
    # On two feet the centre of mass is inside no polygon.
    assert "−" in figures["least stability margin"]


def test_one_leg_of_the_measured_feet_is_that_of_its_kinematics():
    walk = seen("digger", "trot")
    measured = MeasuredWalk.of(ROBOTS["digger"], walk)
    leg = ROBOTS["digger"].legs[3]
    assert measured.feet[77, 3] == pytest.approx(forward(leg, walk.angles[77, 9:12]), abs=1e-12)
    assert isinstance(walk, Walk)
