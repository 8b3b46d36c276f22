"""Rising, lowering and settling: vertical lines, feet that do not slip, an end exactly at rest."""

from __future__ import annotations

from contextlib import suppress
from itertools import combinations

import numpy as np
import pytest
import sample_robots
from ground_geometry import GroundGeometry
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis_settings import examples
from sample_robots import BOTH, ROBOTS

from quadleg.dynamics.servo_motors import joint_steps
from quadleg.errors import Unreachable
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import all_forward, legs_inverse, stance_angles
from quadleg.kinematics.clearance import Clearance
from quadleg.safety import transitions
from quadleg.safety.joint_limits import JointLimits

poses = st.builds(
    Pose.from_rpy,
    st.floats(-0.02, 0.02),
    st.floats(-0.02, 0.02),
    st.floats(0.75, 1.05),  # of the standing height
    st.floats(-0.15, 0.15),
    st.floats(-0.15, 0.15),
    st.floats(-0.25, 0.25),
)


def period(robot) -> float:
    return 1 / robot.control_rate


def standing(robot, pose: Pose | None = None, feet=None) -> tuple[float, ...]:
    """The angles of a pose over the standing feet, level at the standing height by default."""
    pose = pose or Pose((0.0, 0.0, robot.standing.height))
    return legs_inverse(robot, pose, feet or robot.standing.feet)


def lifted(robot, *legs: int, by: float = 0.02) -> list[list[float]]:
    """The standing feet, some of them in the air."""
    return [[x, y, z + by * (leg in legs)] for leg, (x, y, z) in enumerate(robot.standing.feet)]


def reachable(robot, pose: Pose) -> tuple[float, ...]:
    """The angles of a pose whose height is a share of the standing height; other poses are not tried."""
    x, y, share = pose.position
    try:
        return standing(robot, Pose((x, y, share * robot.standing.height), pose.quaternion))
    except Unreachable:
        assume(False)
        raise


def feet_along(robot, path) -> np.ndarray:
    """(n, 4, 3) foot centres in base_link."""
    return np.array([all_forward(robot, angles) for angles in path])


def walked(robot, kind, start) -> list[tuple[float, ...]]:
    return [tuple(start), *kind(robot, start, period(robot))]


def distances(feet: np.ndarray) -> np.ndarray:
    """(n, 6) distances between the feet, which do not depend on where the body is."""
    return np.stack([np.linalg.norm(feet[:, i] - feet[:, j], axis=1) for i, j in combinations(range(4), 2)], axis=1)


def until_belly(robot, path) -> int:
    """How many points of the path have the belly off the ground."""
    heights = [transitions.standing_over(robot, all_forward(robot, angles))[0].position[2] for angles in path]
    return next((k for k, height in enumerate(heights) if height <= robot.resting.height + 1e-9), len(path))


# How the body stands on its feet


@BOTH
@given(pose=poses)
def test_the_bodys_pose_is_seen_from_its_feet_alone(robot, pose):
    angles = reachable(robot, pose)
    seen, feet = transitions.standing_over(robot, all_forward(robot, angles))
    x, y, share = pose.position
    np.testing.assert_allclose(seen.position, (x, y, share * robot.standing.height), atol=1e-9)
    np.testing.assert_allclose(seen.rpy, pose.rpy, atol=1e-9)
    np.testing.assert_allclose(feet, robot.standing.feet, atol=1e-9)


@BOTH
@pytest.mark.parametrize("swinging", range(4))
def test_a_lifted_foot_does_not_carry(robot, swinging):
    feet = lifted(robot, swinging)
    pose, seen = transitions.standing_over(robot, all_forward(robot, standing(robot, feet=feet)))
    np.testing.assert_allclose(pose.position, (0, 0, robot.standing.height), atol=1e-9)
    np.testing.assert_allclose(pose.rpy, 0, atol=1e-9)
    np.testing.assert_allclose(seen, feet, atol=1e-9)


@BOTH
@pytest.mark.parametrize("swinging", range(4))
def test_a_lifted_foot_does_not_carry_a_body_that_is_tilted_towards_it(robot, swinging):
    feet = lifted(robot, swinging)
    (front, *_), *_, (rear, *_) = feet
    pitch = 0.8 * np.arctan2(0.02, front - rear) * (-1 if swinging < 2 else 1)  # most of the way to a plane through it
    leaning = standing(robot, Pose.from_rpy(0.0, 0.0, robot.standing.height, 0.0, pitch, 0.0), feet)
    pose, seen = transitions.standing_over(robot, all_forward(robot, leaning))
    np.testing.assert_allclose(pose.rpy, (0, pitch, 0), atol=1e-9)
    np.testing.assert_allclose(seen, feet, atol=1e-9)


@pytest.mark.parametrize(("below", "level"), [(0.9e-6, True), (1.1e-6, False)])
def test_three_feet_carry_over_a_fourth_that_is_below_by_the_millionth_of_a_metre_that_rounding_takes(below, level):
    robot = ROBOTS[0]
    feet = [(0.1, 0.05, -0.15), (0.1, -0.05, -0.15), (-0.1, 0.05, -0.15), (-0.1, -0.05, -0.15 - below)]
    pose, _ = transitions.standing_over(robot, feet)
    assert (max(map(abs, pose.rpy)) < 1e-9) is level


@pytest.mark.parametrize(
    "places",
    [[(0.1, 0.1), (0.1, 0.0), (-0.1, 0.1), (0.1, -0.1)], [(0.1, 0.0), (0.05, 0.0), (-0.1, 0.0), (-0.05, 0.0)]],
    ids=["three feet in a line", "all four"],
)
def test_the_ground_under_feet_in_a_line_is_level(places):
    """They are on many planes: a foot beside the line says on which, and else it is the level one."""
    robot = ROBOTS[0]
    down = [(x, y, -0.15) for x, y in places]
    with np.errstate(all="raise"):
        body, feet = transitions.standing_over(robot, down)
    np.testing.assert_allclose(body.position[2], 0.15 + robot.legs[0].foot_radius)
    np.testing.assert_allclose([z for _, _, z in feet], robot.legs[0].foot_radius)


# Settling


@BOTH
def test_settling_does_nothing_where_all_feet_stand(robot):
    assert list(transitions.settling(robot, standing(robot), period(robot))) == []


@BOTH
@pytest.mark.parametrize("swinging", range(4))
def test_settling_sets_the_swing_foot_down_and_moves_nothing_else(robot, swinging):
    path = walked(robot, transitions.settling, standing(robot, feet=lifted(robot, swinging)))
    along = feet_along(robot, path)
    others = [i for i in range(4) if i != swinging]
    assert np.ptp(along[:, others], axis=0).max() < 1e-9
    assert np.ptp(along[:, swinging, :2], axis=0).max() < 1e-9
    assert np.all(np.diff(along[:, swinging, 2]) < 0)
    assert np.abs(np.diff(along[:, swinging, 2])).max() <= transitions.LIFT_SPEED * period(robot) * (1 + 1e-6)
    np.testing.assert_allclose(path[-1], standing(robot), atol=1e-9)


@BOTH
def test_settling_a_tilted_body_goes_down_onto_the_tilted_plane(robot):
    pose = Pose.from_rpy(0.005, 0.0, 0.95 * robot.standing.height, 0.06, -0.04, 0.1)
    path = walked(robot, transitions.settling, standing(robot, pose, lifted(robot, 1, by=0.025)))
    np.testing.assert_allclose(path[-1], standing(robot, pose), atol=1e-9)


@BOTH
@pytest.mark.parametrize("pair", [(0, 3), (1, 2)])
def test_after_settling_two_lifted_feet_all_four_are_on_one_plane(robot, pair):
    path = walked(robot, transitions.settling, standing(robot, feet=lifted(robot, *pair, by=0.015)))
    a, b, c, d = feet_along(robot, path[-1:])[0]
    assert abs(np.cross(b - a, c - a) @ (d - a)) < 1e-9
    assert list(transitions.settling(robot, path[-1], period(robot))) == []


# Lowering


@BOTH
def test_from_a_level_stance_the_feet_go_along_vertical_lines(robot):
    path = walked(robot, transitions.lowering, standing(robot))
    down = until_belly(robot, path)
    along = feet_along(robot, path[: down + 1])
    assert np.ptp(along[:, :, :2], axis=0).max() < 1e-6
    assert np.ptp(along[:, :, 2], axis=1).max() < 1e-9  # all four alike: the body stays level
    assert np.all(np.diff(along[:, 0, 2]) > -1e-12)
    assert along[-1, 0, 2] == pytest.approx(robot.legs[0].foot_radius - robot.resting.height)


@BOTH
@settings(max_examples=examples(12))
@given(pose=poses)
def test_lowering_from_any_pose_ends_exactly_at_rest_and_no_foot_slips_before_the_belly_lies(robot, pose):
    start = reachable(robot, pose)
    path = walked(robot, transitions.lowering, start)
    assert path[-1] == stance_angles(robot, robot.resting)
    down = until_belly(robot, path)
    apart = distances(feet_along(robot, path[: down + 1]))
    assert np.ptp(apart, axis=0).max() < 1e-6
    assert Clearance(robot).least_batch(np.array(path)).min() > robot.clearance


@BOTH
@settings(max_examples=examples(10))
@given(pose=poses)
def test_lowering_stays_at_rest_with_power_for_a_while_after_it_has_arrived(robot, pose):
    # What follows the path is behind it on a loaded computer, and the power goes off at its end.
    path = walked(robot, transitions.lowering, reachable(robot, pose))
    arrived = path.index(stance_angles(robot, robot.resting))
    assert set(path[arrived:]) == {stance_angles(robot, robot.resting)}
    assert 0.3 <= (len(path) - 1 - arrived) * period(robot) + 1e-9 < 0.3 + period(robot)


@BOTH
@settings(max_examples=examples(12))
@given(pose=poses)
def test_the_body_is_level_over_its_feet_before_it_goes_down(robot, pose):
    path = walked(robot, transitions.lowering, reachable(robot, pose))
    bodies = [
        transitions.standing_over(robot, all_forward(robot, angles))[0] for angles in path[: until_belly(robot, path)]
    ]
    start = bodies[0].position[2]
    lower = [body for body in bodies if body.position[2] < start - 1e-6]
    assert lower
    for body in lower:
        np.testing.assert_allclose((*body.position[:2], *body.rpy), 0.0, atol=1e-6)


@BOTH
@pytest.mark.parametrize("swinging", range(4))
def test_lowering_sets_a_swing_foot_down_first(robot, swinging):
    start = standing(robot, feet=lifted(robot, swinging))
    settled = walked(robot, transitions.settling, start)
    path = walked(robot, transitions.lowering, start)
    assert path[: len(settled)] == settled
    assert path[-1] == stance_angles(robot, robot.resting)


def out_of_place(robot, count: int, judge: GroundGeometry) -> list[tuple[float, ...]]:
    """Random stances with each foot somewhere else, as a walk leaves them, and nothing in the ground: by MuJoCo."""
    draw, found = np.random.default_rng(0), []
    high = robot.standing.height
    while len(found) < count:
        feet = np.array(robot.standing.feet)
        feet[:, :2] += draw.uniform(-0.25, 0.25, (4, 2)) * high
        pose = Pose((0.0, 0.0, draw.uniform(0.8, 1.05) * high))
        with suppress(Unreachable):
            angles = legs_inverse(robot, pose, feet.tolist())
            judge.place(pose.position, pose.quaternion, angles)
            if judge.lowest_but_feet()[1] > 0.0:
                found.append(angles)
    return found


@pytest.mark.parametrize(
    "robot", [sample_robots.inspector(), *sample_robots.varied()[5:8]], ids=lambda robot: robot.name
)
def test_lowering_over_feet_out_of_their_places_presses_no_knee_into_the_ground(robot):
    """For as long as the feet carry; then the legs fold, and the body comes down with them."""
    judge, lowest = GroundGeometry(robot), []
    for start in out_of_place(robot, 6, judge):
        path = walked(robot, transitions.lowering, start)
        assert path[-1] == stance_angles(robot, robot.resting)
        along = feet_along(robot, path)
        apart = distances(along)
        stay = np.argmax(np.abs(apart - apart[0]).max(axis=1) > 1e-6)
        assert stay > 0
        for angles, feet in zip(path[:stay:5], along[:stay:5]):
            pose, _ = transitions.standing_over(robot, feet)
            judge.place(pose.position, pose.quaternion, angles)
            lowest.append(judge.lowest_but_feet()[1])
    assert min(lowest) > -1e-5


@BOTH
def test_lowering_at_rest_stays_at_rest(robot):
    at_rest = stance_angles(robot, robot.resting)
    assert set(transitions.lowering(robot, at_rest, period(robot))) == {at_rest}


@BOTH
@settings(max_examples=examples(8))
@given(data=st.data())
def test_lowering_ends_at_rest_from_whatever_the_legs_can_do(robot, data):
    limits = [limit for leg in robot.legs for limit in leg.limits]
    start = tuple(data.draw(st.floats(low, high)) for low, high in limits)
    path = walked(robot, transitions.lowering, start)
    assert path[-1] == stance_angles(robot, robot.resting)
    for angles in path:
        assert all(low - 1e-6 <= angle <= high + 1e-6 for angle, (low, high) in zip(angles, limits))


# Rising


@BOTH
def test_rising_from_rest_goes_straight_up_to_the_standing_pose(robot):
    path = walked(robot, transitions.rising, stance_angles(robot, robot.resting))
    np.testing.assert_allclose(path[-1], standing(robot), atol=1e-9)
    along = feet_along(robot, path)
    places = np.array(robot.standing.feet)[:, :2]
    astray = np.abs(along[:, :, :2] - places).max(axis=(1, 2))
    placed = along[np.argmax(astray < 1e-9) :]  # the feet slide into place while the belly carries
    assert placed[0, 0, 2] == pytest.approx(robot.legs[0].foot_radius - robot.resting.height)
    assert np.ptp(placed[:, :, :2], axis=0).max() < 1e-9
    assert np.ptp(placed[:, :, 2], axis=1).max() < 1e-9
    assert np.all(np.diff(placed[:, 0, 2]) < 1e-12)


@BOTH
@settings(max_examples=examples(30))
@given(pose=poses)
def test_rising_part_of_the_way_up_goes_on_over_the_feet_as_they_stand(robot, pose):
    start = reachable(robot, pose)
    path = walked(robot, transitions.rising, start)
    along = feet_along(robot, path)
    assert np.ptp(distances(along), axis=0).max() < 1e-6
    body, _ = transitions.standing_over(robot, along[-1])
    np.testing.assert_allclose(body.position, (0, 0, robot.standing.height), atol=1e-6)
    np.testing.assert_allclose(body.rpy, 0, atol=1e-6)


@BOTH
@pytest.mark.parametrize("swinging", range(4))
def test_rising_sets_a_swing_foot_down_first(robot, swinging):
    low = Pose((0.0, 0.0, 0.85 * robot.standing.height))
    path = walked(robot, transitions.rising, standing(robot, low, lifted(robot, swinging)))
    np.testing.assert_allclose(path[-1], standing(robot), atol=1e-6)


# Speed


def rates(robot, values) -> np.ndarray:
    """How fast values along a path change in size, a second."""
    return np.abs(np.diff(values, axis=0)) / period(robot)


def bodies(robot, path) -> list[Pose]:
    return [transitions.standing_over(robot, all_forward(robot, angles))[0] for angles in path]


@BOTH
def test_the_body_goes_down_at_five_centimetres_a_second_after_three_tenths_of_one(robot):
    path = walked(robot, transitions.lowering, standing(robot))
    speeds = rates(robot, [body.position[2] for body in bodies(robot, path)])
    assert speeds.max() == pytest.approx(0.05)
    assert np.argmax(speeds > 0.0499) * period(robot) == pytest.approx(0.3, abs=2 * period(robot))


@BOTH
def test_the_body_goes_up_at_five_centimetres_a_second(robot):
    path = walked(robot, transitions.rising, stance_angles(robot, robot.resting))
    assert rates(robot, [body.position[2] for body in bodies(robot, path)]).max() == pytest.approx(0.05)


@BOTH
def test_a_tilted_body_is_levelled_at_half_a_radian_a_second(robot):
    pose = Pose.from_rpy(0.0, 0.0, 0.9 * robot.standing.height, 0.16, 0.0, 0.0)
    path = walked(robot, transitions.lowering, standing(robot, pose))
    assert rates(robot, [body.rpy[0] for body in bodies(robot, path)]).max() == pytest.approx(0.5)


@BOTH
def test_legs_fold_in_whole_periods_at_a_radian_a_second_at_most(robot):
    start = np.add(stance_angles(robot, robot.resting), [0.0, 0.0, 0.3, *[0.0] * 9])
    speeds = rates(robot, walked(robot, transitions.lowering, start)).max(axis=1)
    folding = speeds[np.nonzero(speeds)[0][-1]]
    periods = np.isclose(speeds, folding).sum()
    assert folding <= 1.0 + 1e-9 < folding * periods / (periods - 1), "in one period less it would be faster"


@BOTH
@settings(max_examples=examples(20))
@given(pose=poses)
def test_the_paths_need_no_slowing(robot, pose):
    start = reachable(robot, pose)
    steps = np.array(joint_steps(robot, period(robot)))
    for kind in (transitions.rising, transitions.lowering):
        assert np.all(np.abs(np.diff(walked(robot, kind, start), axis=0)) <= steps)


def test_a_slowed_path_reaches_each_of_its_points_before_the_next():
    robot = ROBOTS[0]
    limits = JointLimits(robot, period(robot))
    start = np.array(standing(robot))
    points = [tuple(start + 0.5), tuple(start + 0.45), tuple(start + 0.45), tuple(start)]
    path = transitions.SlowedPath(limits, iter(points))
    steps = np.array(joint_steps(robot, period(robot)))
    seen, angles = [], tuple(start)
    while (following := path.step(angles)) is not None:
        assert np.all(np.abs(np.subtract(following, angles)) <= steps * (1 + 1e-9))
        seen.append(following)
        angles = following
    assert [point for point in seen if point in points] == points
    assert path.step(angles) is None
