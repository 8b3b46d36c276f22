"""Distances between legs and body, against dense sampling and MuJoCo's own geometry."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import mujoco
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis_settings import examples
from sample_robots import BOTH, ROBOTS, random_angles

from quadleg.geometry.capsules import capsules_in_box, segment_distances
from quadleg.kinematics import clearance as clearance_module
from quadleg.kinematics import leg as kinematics
from quadleg.kinematics.body_pose import stance_angles
from quadleg.kinematics.clearance import Clearance
from quadleg.robot.model import JOINT_NAMES, LEGS


@BOTH
def test_the_stances_are_clear(robot):
    clearance = Clearance(robot)
    for stance in (robot.standing, robot.resting):
        angles = stance_angles(robot, stance)
        assert clearance.least(angles).distance > robot.clearance
        assert clearance.gaps_below(angles, robot.clearance) == []


def test_a_gap_names_its_links_and_legs():
    robot = ROBOTS[0]
    clearance = Clearance(robot)
    angles = list(stance_angles(robot, robot.standing))
    angles[0:3] = np.radians((0, 100, -30))  # straight rearward, its foot 26 mm before the rear upper link
    angles[6:9] = np.radians((0, 0, -100))
    gap = clearance.least(angles)
    assert gap.parts == ("front_left_lower", "rear_left_upper")
    assert 0.005 < gap.distance < 0.010
    assert gap.legs == ("front_left", "rear_left")
    angles = list(stance_angles(robot, robot.standing))
    angles[3:6] = np.radians((28, 120, -95))  # right leg folded in under the body
    gap = clearance.least(angles)
    assert gap.parts == ("front_right_lower", "base_link")
    assert gap.legs == ("front_right",)


@BOTH
def test_gaps_below_are_sorted_and_agree_with_least(robot):
    clearance = Clearance(robot)
    for angles in random_angles(robot, 50):
        gaps = clearance.gaps_below(angles, 0.03)
        least = clearance.least(angles)
        assert [gap.distance for gap in gaps] == sorted(gap.distance for gap in gaps)
        assert all(gap.distance < 0.03 for gap in gaps)
        assert len({gap.parts for gap in gaps}) == len(gaps)
        if least.distance < 0.03:
            assert gaps[0] == least
        else:
            assert gaps == []
    everything = clearance.gaps_below(angles, 10)
    assert len(everything) == 24 + 8  # links of different legs, and each link with the body


@BOTH
@given(
    st.integers(0, 2**32 - 1),
    st.lists(st.sampled_from((1e-4, 0.003, 0.03, 0.3)), min_size=2, max_size=20),
    st.sampled_from((0.003, 0.02, 0.06)),
)
def test_what_was_seen_before_changes_no_answer(robot, seed, strides, distance):
    random = np.random.default_rng(seed)
    looking = Clearance(robot)
    angles = random_angles(robot, 1, seed)[0] if seed % 2 else np.array(stance_angles(robot, robot.standing))
    for stride in strides:
        angles = angles + random.uniform(-stride, stride, 12)
        assert looking.gaps_below(angles, distance) == Clearance(robot).gaps_below(angles, distance)


@BOTH
def test_no_gap_shrinks_faster_than_legs_are_known_to_move(robot):
    # One leg swung by one joint alone: the shortcut must be as strict as the motion itself.
    standing = np.array(stance_angles(robot, robot.standing))
    for joint in range(12):
        for turn in np.linspace(0, 1.5, 40):
            for sign in (-1, 1):
                angles = standing.copy()
                angles[joint] += sign * turn
                least = Clearance(robot).least(angles).distance
                looking = Clearance(robot)
                looking.gaps_below(standing, 0.0)
                assert looking.gaps_below(angles, least + 1e-9)


def test_frames_near_the_last_one_seen_are_not_looked_at_again(monkeypatch):
    robot = ROBOTS[0]
    clearance = Clearance(robot)
    standing = np.array(stance_angles(robot, robot.standing))
    assert clearance.gaps_below(standing, robot.clearance) == []
    monkeypatch.setattr(clearance_module, "points", None)  # from here on a look would raise
    assert clearance.gaps_below(standing + 0.01, robot.clearance) == []
    with pytest.raises(TypeError):
        clearance.gaps_below(standing + 0.5, robot.clearance)


def test_a_leg_that_comes_near_no_part_is_not_looked_at_for_others_that_are_near_already(monkeypatch):
    robot = ROBOTS[0]
    clearance = Clearance(robot)
    angles = np.array(stance_angles(robot, robot.standing))
    clearance.gaps_below(angles, robot.clearance)
    turn = 0.4
    angles[JOINT_NAMES.index("rear_left_knee")] += turn
    assert turn * robot.leg("rear_left").lower_length > Clearance(robot).least(angles).distance
    monkeypatch.setattr(clearance_module, "points", None)  # from here on a look would raise
    assert clearance.gaps_below(angles, robot.clearance) == []


@BOTH
def test_batch_equals_single(robot):
    clearance = Clearance(robot)
    angles = random_angles(robot, 600)
    distances = clearance.least_batch(angles)
    assert distances.shape == (600,)
    assert np.allclose(distances, [clearance.least(row).distance for row in angles], rtol=0, atol=1e-12)
    assert clearance.least_batch(angles[:0]).shape == (0,)


number = st.floats(-1, 1)
point = st.tuples(number, number, number)
segment = st.tuples(point, point)


def check_by_dense_sampling(first, second) -> None:
    ways = np.linspace(0, 1, 101)[:, None]
    one, two = (np.array(s[0]) * (1 - ways) + np.array(s[1]) * ways for s in (first, second))
    sampled = np.linalg.norm(one[:, None] - two[None], axis=-1).min()
    distance = segment_distances(np.array(first), np.array(second))
    half_steps = sum(np.linalg.norm(np.subtract(*s)) for s in (first, second)) / 200
    # Of nearly parallel segments the nearest points are known to no more than this.
    assert sampled - half_steps - 1e-6 <= distance <= sampled + 1e-6


@given(segment, segment)
def test_segment_distance_against_dense_sampling(first, second):
    check_by_dense_sampling(first, second)


@given(segment, st.floats(-2, 2), point, st.floats(0.1, 3))
def test_segment_distance_of_parallels(first, slide, aside, stretch):
    start, end = np.array(first)
    along = end - start
    second = start + slide * along + aside, start + (slide + stretch) * along + aside
    check_by_dense_sampling(first, second)


def world_of(robot) -> tuple[mujoco.MjModel, list[str]]:
    """The same capsules as geoms of free bodies in MuJoCo, to be put in place by hand."""
    spec = mujoco.MjSpec()
    names = []

    def capsule(name: str, start, end, radius: float) -> None:
        body = spec.worldbody.add_body(name=name, mocap=True)
        body.add_geom(name=name, type=mujoco.mjtGeom.mjGEOM_CAPSULE, fromto=[*start, *end], size=[radius, 0, 0])
        names.append(name)

    for leg in robot.legs:
        for link, length, radius in (
            ("upper", leg.upper_length, leg.link_radius),
            ("lower", leg.lower_length, max(leg.link_radius, leg.foot_radius)),
        ):
            capsule(f"{leg.name}_{link}", (0, 0, -length / 2), (0, 0, length / 2), radius)
    axes, radius = capsules_in_box(robot.body.size, robot.body.centre)
    for number, (start, end) in enumerate(axes):
        capsule(f"body_{number}", start, end, radius)
    return spec.compile(), names


@BOTH
def test_against_the_geometry_of_mujoco(robot):
    """mj_geomDistance of the same capsules."""
    clearance = Clearance(robot)
    model, names = world_of(robot)
    data = mujoco.MjData(model)
    overlaps = 0
    for angles in random_angles(robot, 40, seed=5):  # of which some overlap
        for number, leg in enumerate(robot.legs):
            _, hip, knee, foot = np.array(kinematics.points(leg, angles[3 * number : 3 * number + 3]))
            for link, start, end in ((0, hip, knee), (1, knee, foot)):
                body = data.mocap_pos[2 * number + link]
                body[:] = (start + end) / 2
                mujoco.mju_quatZ2Vec(data.mocap_quat[2 * number + link], end - start)
        mujoco.mj_kinematics(model, data)
        expected: dict[tuple[str, str], float] = {}
        for i, j in combinations(range(len(names)), 2):
            parts = tuple("base_link" if name.startswith("body") else name for name in (names[i], names[j]))
            legs = {leg for leg in LEGS for part in parts if part.startswith(leg)}
            if len(legs) + ("base_link" in parts) == 2:
                distance = mujoco.mj_geomDistance(model, data, i, j, 10.0, None)
                expected[parts] = min(distance, expected.get(parts, np.inf))
        found = {gap.parts: gap.distance for gap in clearance.gaps_below(angles, 10.0)}
        assert found == pytest.approx(expected, abs=1e-9)
        overlaps += min(found.values()) < 0
    assert 0 < overlaps < 40


@given(
    st.tuples(st.floats(0.1, 0.4), st.floats(0.03, 0.09), st.floats(0.03, 0.09)),
    st.tuples(*[st.floats(-0.02, 0.02)] * 3),
)
@settings(max_examples=examples(30))
def test_the_body_fills_its_box_and_no_more(size, centre):
    axes, radius = capsules_in_box(size, centre)
    low, high = axes.min(axis=(0, 1)) - radius, axes.max(axis=(0, 1)) + radius
    half = np.array(size) / 2
    assert np.allclose(low, centre - half, rtol=0, atol=1e-12)
    assert np.allclose(high, centre + half, rtol=0, atol=1e-12)
    # Points of the broad faces, the grooves between the capsules' crests included.
    narrow = 1 + int(np.argmin(size[1:]))
    wide = 3 - narrow
    for way in np.linspace(-1, 1, 41):
        face = np.array(centre)
        face[narrow] += half[narrow]
        face[wide] += way * (half[wide] - radius)
        assert min(segment_distances(np.array((face, face)), axis) for axis in axes) - radius <= 0.135 * radius


def test_the_foot_counts_where_it_is_thicker_than_the_link():
    robot = ROBOTS[0]
    thick = replace(robot, legs=tuple(replace(leg, foot_radius=0.020) for leg in robot.legs))
    angles = stance_angles(robot, robot.standing)
    thin_gaps, thick_gaps = (
        {gap.parts: gap.distance for gap in Clearance(each).gaps_below(angles, 1)} for each in (robot, thick)
    )
    for parts, distance in thin_gaps.items():
        lowers = sum(part.endswith("lower") for part in parts)
        assert thick_gaps[parts] == pytest.approx(distance - 0.011 * lowers, abs=1e-12)
