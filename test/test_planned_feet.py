"""The topic planned_feet: what is written reads back, and no force on a foot is taken that no robot plans."""

import pytest

pytest.importorskip("sensor_msgs")

from builtin_interfaces.msg import Time

from quadleg.errors import TargetError
from quadleg.gait.planner import GaitPlan
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import ZERO_VECTOR
from quadleg.middleware.planned_feet import MOST_LOAD, PlannedFeetMessage, feet_loads_and_shift, plan_of
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot

ROBOT = load_robot(find_robot(DEFAULT_ROBOT))


def _message(*loads: float):
    plan = GaitPlan(ROBOT.standing.feet, (ZERO_VECTOR,) * 4, loads, (0.0, 0.0))
    return PlannedFeetMessage(ROBOT, "").fill(Time(), plan, Pose(ZERO_VECTOR))


def test_shares_of_the_weight_read_back():
    message = _message(0.0, 1.0, 0.25, 0.9 * MOST_LOAD)
    feet, loads, _ = feet_loads_and_shift(message, ROBOT)
    assert feet == ROBOT.standing.feet
    assert loads == pytest.approx((0.0, 1.0, 0.25, 0.9 * MOST_LOAD))
    assert plan_of(message, ROBOT, "").loads == pytest.approx(loads)


@pytest.mark.parametrize("read", [feet_loads_and_shift, lambda message, robot: plan_of(message, robot, "")])
def test_a_force_that_no_foot_of_the_robot_carries_is_refused(read):
    with pytest.raises(TargetError, match=r"a foot is to carry .* N; the robot weighs .* N"):
        read(_message(0.0, 0.5, 1.01 * MOST_LOAD, 0.5), ROBOT)
