"""What is seen of the robot: its feet, body, ghost, path and footfalls."""

from __future__ import annotations

from math import cos, sin

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import RobotModel
from quadleg.robot_file.load import find_robot, load_robot
from quadleg.viewer.view_state import PATH_STEP, ObservedState, Trail, view_of


@pytest.fixture(scope="module")
def model() -> RobotModel:
    return load_robot(find_robot("greenhouse_inspector"))


@given(x=st.floats(-5, 5), y=st.floats(-5, 5), yaw=st.floats(-3, 3))
def test_seen_from_above_the_robot_is_the_same_wherever_it_is(
    model: RobotModel, x: float, y: float, yaw: float
) -> None:
    angles = stance_angles(model, model.standing)
    quarter = model.masses.total * STANDARD_GRAVITY / 4
    odom = Pose.from_rpy(x, y, 0.3, 0.0, 0.0, yaw)
    sight = view_of(model, ObservedState(angles, angles, odom=odom, loads=[quarter] * 4))
    for (u, v, w), (a, b, c) in zip(sight.feet, model.standing.feet):
        assert (u, v, w) == pytest.approx((a, b, c), abs=1e-9)
    assert sight.body.position == pytest.approx((x, y, model.standing.height))  # not at the estimate's own height
    assert sight.ghost
    assert sight.ghost.position == pytest.approx(sight.body.position)
    length, width, _ = model.standing.feet[0]  # of a rectangle about the body
    left = (length - abs(sight.centre[0]), width - abs(sight.centre[1]))
    assert sight.margin == pytest.approx(min(left), abs=1e-6)
    assert sight.outline[0] == pytest.approx((model.body.size[0] / 2, model.body.size[1] / 2), abs=1e-9)


def test_without_power_it_lies_on_its_belly_or_feet_and_nothing_carries(model: RobotModel) -> None:
    stretched = (0.0, 1.5, -0.2) * 4  # feet over the belly
    sight = view_of(model, ObservedState(stretched))
    (_, _, thick), (_, _, middle) = model.body.size, model.body.centre
    assert sight.body.position[2] == pytest.approx(thick / 2 - middle)
    assert sight.ghost is None
    assert sight.polygon == ()
    assert sight.margin is None
    assert not any(sight.down)


def test_the_ghost_stands_on_the_same_feet(model: RobotModel) -> None:
    """What servos sag under the weight is how far the ghost is above the robot."""
    lower = Pose((0.0, 0.0, model.standing.height - 0.004))
    from quadleg.kinematics.body_pose import legs_inverse

    sight = view_of(
        model, ObservedState(legs_inverse(model, lower, model.standing.feet), stance_angles(model, model.standing))
    )
    assert sight.body.position[2] == pytest.approx(model.standing.height - 0.004)
    assert sight.ghost
    assert sight.ghost.position[2] == pytest.approx(model.standing.height)


def test_a_foot_in_the_air_carries_nothing_and_falls_where_it_lands(model: RobotModel) -> None:
    angles, trail, heading = stance_angles(model, model.standing), Trail(), 2.0
    odom = Pose.from_rpy(1.0, 2.0, 0.15, 0.0, 0.0, heading)
    stands, steps = [4.0] * 4, [4.0, 0.0, 4.0, 4.0]
    for loads in (stands, steps, stands):
        sight = view_of(model, ObservedState(angles, angles, odom=odom, loads=loads))
        trail.follow(sight)
        assert len(sight.polygon) == sum(sight.down)
    ((x, y, leg),) = trail.footfalls
    u, v, _ = model.standing.feet[1]
    assert leg == 1
    assert (x, y) == pytest.approx(
        (1.0 + cos(heading) * u - sin(heading) * v, 2.0 + sin(heading) * u + cos(heading) * v)
    )


def test_the_path_grows_as_it_goes_and_not_where_it_stands(model: RobotModel) -> None:
    angles, trail = stance_angles(model, model.standing), Trail()
    grown = [
        trail.follow(view_of(model, ObservedState(angles, angles, odom=Pose((k * PATH_STEP / 3.5, 0.0, 0.15)))))
        for k in range(15)
    ]
    assert 3 <= sum(grown) <= 5
    assert not trail.follow(view_of(model, ObservedState(angles, angles, odom=Pose((14 * PATH_STEP / 3.5, 0.0, 0.15)))))
