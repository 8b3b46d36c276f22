"""The body over its feet: it follows, stops where legs or body end, and begins where somebody else led it."""

from __future__ import annotations

import numpy as np
import pytest
from sample_robots import BOTH, inspector
from scipy.spatial.transform import Rotation

from quadleg.errors import Unreachable
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_codes import PoseLimit
from quadleg.kinematics.body_pose import feet_in_base, legs_inverse
from quadleg.kinematics.posture import AXES, Posture
from quadleg.robot.model import JOINT_NAMES

PERIOD = 0.02
UNMOVED = Pose((0.0, 0.0, 0.0))


def led(robot, height: float) -> Posture:
    """A posture led to a height over the standing feet."""
    posture = Posture(robot)
    posture.lead(legs_inverse(robot, Pose((0.0, 0.0, height)), robot.standing.feet), robot.standing.feet)
    return posture


def follow(posture: Posture, robot, target: Pose, shift: Pose = UNMOVED, seconds: float = 4.0) -> np.ndarray:
    for _ in range(round(seconds / PERIOD)):
        feet = posture.step(target, robot.standing.feet, shift, PERIOD)
    return np.array(feet)


@BOTH
def test_it_begins_where_it_was_led_and_comes_to_its_target(robot):
    posture = led(robot, robot.standing.height)
    assert posture.pose.position == pytest.approx((0.0, 0.0, robot.standing.height), abs=1e-9)
    first = np.array(posture.step(posture.pose, robot.standing.feet, UNMOVED, PERIOD))
    assert np.abs(first - posture.led_feet).max() < 1e-9
    target = Pose.from_rpy(0.01, -0.01, robot.standing.height - 0.01, 0.05, -0.05, 0.1)
    feet = follow(posture, robot, target)
    assert posture.pose == target
    assert posture.stop is None
    assert feet == pytest.approx(np.array(feet_in_base(target, robot.standing.feet)), abs=1e-12)


@BOTH
def test_a_body_that_cannot_go_on_says_what_stops_it_and_goes_on_where_it_can(robot):
    posture = led(robot, robot.standing.height)
    follow(posture, robot, Pose((0.0, 0.0, 1.0)))
    assert posture.stop
    assert "knee" in posture.stop.parts[0]
    follow(posture, robot, Pose((0.0, 0.0, -1.0)))
    assert posture.stop
    back = Pose((0.0, 0.0, robot.standing.height))
    follow(posture, robot, back)
    assert (posture.pose, posture.stop) == (back, None)


@BOTH
def test_a_body_that_the_plan_brings_out_of_reach_comes_back(robot):
    """At the edge of its reach, and the ground is found to slope a little: the pose where it stands is beyond it."""
    posture = led(robot, robot.standing.height)
    follow(posture, robot, Pose((0.0, 0.0, 1.0)))
    assert posture.stop
    shift = Pose.from_rpy(0.0, 0.0, 0.0, 0.01, 0.0, 0.0)
    follow(posture, robot, Pose((0.0, 0.0, 1.0)), shift, seconds=0.2)
    assert posture.stop
    target = Pose((0.0, 0.0, robot.standing.height))
    follow(posture, robot, target, shift)
    assert (posture.pose, posture.stop) == (target, None)


def test_the_plans_shift_moves_the_body_besides_however_it_is_turned():
    robot = inspector()
    posture = led(robot, robot.standing.height)
    target = Pose.from_rpy(0.0, 0.0, robot.standing.height, 0.0, 0.0, 0.3)
    shift = Pose.from_rpy(0.01, 0.005, 0.0, 0.0, 0.1, 0.0)
    feet = follow(posture, robot, target, shift)
    # By scipy: the shift's rotation after the target's, in base_footprint.
    rotation = Rotation.from_euler("y", 0.1) * Rotation.from_euler("z", 0.3)
    place = np.array((0.01, 0.005, robot.standing.height))
    assert feet == pytest.approx(rotation.inv().apply(np.array(robot.standing.feet) - place), abs=1e-9)


def test_at_its_target_it_is_not_stopped_by_feet_that_go_too_far():
    """What cannot be reached then is said by the legs; the body has nowhere to go."""
    robot = inspector()
    posture = led(robot, robot.standing.height)
    far = [(x + 0.2, y, z) for x, y, z in robot.standing.feet]
    posture.step(posture.pose, far, UNMOVED, PERIOD)
    assert posture.stop is None


@BOTH
def test_rest_is_the_resting_pose(robot):
    posture = led(robot, robot.standing.height)
    posture.rest()
    assert posture.pose.position == (0.0, 0.0, robot.resting.height)
    assert posture.led_feet == feet_in_base(posture.pose, robot.resting.feet)


@BOTH
@pytest.mark.parametrize("axes", [(0.0, 0.0, 0.15, 0.12, 0.0, 0.0), (0.01, 0.0, 0.15, 0.06, 0.05, 0.1)])
def test_a_height_out_of_reach_with_a_tilt_ends_where_no_axis_alone_goes_on(robot, axes):
    """The tilt is kept or reached as far as each axis can, and what is given up is named."""
    posture = led(robot, robot.standing.height)
    tilted = Pose.from_rpy(axes[0], axes[1], robot.standing.height, *axes[3:])
    if axes[0] == 0.0:  # held: the tilt is there before the height is asked for
        follow(posture, robot, tilted)
        assert posture.pose == tilted
    target = Pose.from_rpy(axes[0], axes[1], robot.standing.height + axes[2], *axes[3:])
    follow(posture, robot, target, seconds=12.0)
    assert posture.stop is not None
    assert posture.stop.limit is PoseLimit.JOINT
    assert posture.stop.parts[0] in JOINT_NAMES
    assert "height" in posture.short_of
    wanted, there = (np.array((*pose.position, *pose.rpy)) for pose in (target, posture.pose))
    short = [name for name, left in zip(AXES, np.abs(wanted - there)) if left > 0.006]
    assert set(short) <= set(posture.short_of)
    if axes[0] == 0.0:
        assert posture.short_of == ("height",)
        assert there[3:] == pytest.approx(wanted[3:], abs=1e-9)
    legs_inverse(robot, posture.pose, robot.standing.feet)
    for axis in range(6):
        further = there.copy()
        further[axis] += np.sign(wanted[axis] - there[axis]) * min(abs(wanted[axis] - there[axis]), 0.004)
        if abs(wanted[axis] - there[axis]) > 0.006:
            with pytest.raises(Unreachable):
                legs_inverse(robot, Pose.from_rpy(*further.tolist()), robot.standing.feet)
