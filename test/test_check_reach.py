"""How far body and feet go: each end is in reach, a little more is not, and the words say why."""

from __future__ import annotations

from dataclasses import replace
from math import radians

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_robots import BOTH, ROBOTS

from quadleg.commissioning.feasibility.reach import AXES, Reach, Stop
from quadleg.commissioning.feasibility.verdict import GOOD, TIGHT
from quadleg.errors import Unreachable
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import feet_in_base, legs_inverse, stance_angles
from quadleg.kinematics.clearance import Clearance
from quadleg.kinematics.ground_clearance import GroundClearance
from quadleg.kinematics.leg import inverse
from quadleg.robot.model import LEGS, RobotModel

REACHES = {robot.name: Reach.of(robot) for robot in ROBOTS}
A_LITTLE = {"x": 1e-4, "y": 1e-4, "z": 1e-4, "roll": 1e-3, "pitch": 1e-3, "yaw": 1e-3}


def possible(robot: RobotModel, pose: Pose) -> bool:
    try:
        angles = legs_inverse(robot, pose, robot.standing.feet)
    except Unreachable:
        return False
    apart = Clearance(robot).least(angles).distance >= robot.clearance
    return apart and GroundClearance(robot).sunk(pose, angles) is None


def moved(robot: RobotModel, axis: str, by: float) -> Pose:
    axes = [0.0, 0.0, robot.standing.height, 0.0, 0.0, 0.0]
    axes[AXES.index(axis)] += by
    return Pose.from_rpy(*axes)


@BOTH
@pytest.mark.parametrize("axis", AXES)
@pytest.mark.parametrize("end", [0, 1])
def test_a_move_ends_where_no_more_is_possible(robot: RobotModel, axis: str, end: int) -> None:
    stop = REACHES[robot.name].moves[axis][end]
    beyond = A_LITTLE[axis] * (1 if end else -1)
    assert possible(robot, moved(robot, axis, stop.value))
    assert not possible(robot, moved(robot, axis, stop.value + beyond))
    assert stop.value * beyond > 0
    assert stop.by != "nothing"


@BOTH
@given(st.floats(0, 1))
def test_all_heights_between_lowest_and_highest_are_possible(robot: RobotModel, share: float) -> None:
    reach = REACHES[robot.name]
    height = reach.lowest.value + share * (reach.highest.value - reach.lowest.value)
    assert possible(robot, Pose((0.0, 0.0, height)))


def test_the_belly_is_what_stops_the_demo_robot_below_and_a_knee_above() -> None:
    robot, reach = ROBOTS[0], REACHES[ROBOTS[0].name]
    belly = robot.body.size[2] / 2 - robot.body.centre[2]
    assert reach.lowest.value == pytest.approx(belly, abs=1e-4)
    assert "the body, which touches the ground" in reach.lowest.by
    assert "knee at its upper limit of -5 deg" in reach.highest.by


def test_a_joint_that_is_named_is_the_one_to_widen() -> None:
    robot = ROBOTS[0]
    legs = [
        replace(leg, joints=(replace(leg.joints[0], lower=radians(-10), upper=radians(10)), *leg.joints[1:]))
        for leg in robot.legs
    ]
    narrow = Reach.of(replace(robot, legs=tuple(legs)))
    assert "abduction" in narrow.moves["y"][1].by
    assert narrow.moves["y"][1].value < REACHES[robot.name].moves["y"][1].value / 2


@BOTH
@pytest.mark.parametrize(("axis", "name"), [(0, "ahead"), (1, "sideways")])
def test_the_longest_step_is_possible_for_all_legs_and_a_longer_one_is_not(
    robot: RobotModel, axis: int, name: str
) -> None:
    stop: Stop = getattr(REACHES[robot.name], name)
    assert stop.value > 0

    def steps(length: float) -> bool:
        standing = stance_angles(robot, robot.standing)
        feet = feet_in_base(Pose((0.0, 0.0, robot.standing.height)), robot.standing.feet)
        for number in range(len(LEGS)):
            for side in (-1, 1):
                place, angles = list(feet[number]), list(standing)
                place[axis] += side * length / 2
                try:
                    angles[3 * number : 3 * number + 3] = inverse(robot.legs[number], (place[0], place[1], place[2]))
                except Unreachable:
                    return False
                if Clearance(robot).least(angles).distance < robot.clearance:
                    return False
        return True

    assert all(steps(length) for length in np.linspace(0, stop.value, 9))
    assert not steps(stop.value + 0.0011)


def test_a_stance_at_its_limits_is_tight() -> None:
    robot, reach = ROBOTS[0], REACHES[ROBOTS[0].name]
    assert [row.word for row in reach.verdicts()] == [GOOD, GOOD, GOOD]
    assert reach.verdicts()[2].why.count("each foot alone") == 1
    high = replace(robot.standing, height=reach.highest.value - 0.003)
    stretched = Reach.of(replace(robot, standing=high)).verdicts()
    assert stretched[0].word == TIGHT
    assert "standing_height_mm" in stretched[0].cure
