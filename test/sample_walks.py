"""Walks as they would be seen: the planner's, followed by servos."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import sample_robots

from quadleg.analysis.walk_measures import Walk
from quadleg.gait.planner import Planner
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.geometry.planar import ZERO_TWIST, Planar
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import legs_inverse
from quadleg.robot.model import GaitParameters, RobotModel
from quadleg.servos.pulse_conversion import pulse_from_angle
from quadleg.servos.servo_model import ServoModel

PERIOD = 0.02
ROBOTS = {robot.name: robot for robot in sample_robots.ROBOTS}
EVERY_GAIT = pytest.mark.parametrize(
    ("name", "gait"), [(name, gait.name) for name, robot in ROBOTS.items() for gait in robot.gaits]
)
TICKS_BEHIND = 2  # the servos are, by the time that an angle needs to get to them and they need to go there


def square(speed: float, seconds: float) -> list[tuple[float, Planar]]:
    """Twists with the seconds that each is asked for: forward, left, backward, right, and standing at both ends."""
    sides = [(speed, 0.0, 0.0), (0.0, 0.6 * speed, 0.0), (-speed, 0.0, 0.0), (0.0, -0.6 * speed, 0.0)]
    return [(1.0, ZERO_TWIST), *((seconds, side) for side in sides), (5.0, ZERO_TWIST)]


def turn(rate: float, seconds: float) -> list[tuple[float, Planar]]:
    """The same: turning left on the spot, then right and a little forward."""
    return [(1.0, ZERO_TWIST), (seconds, (0.0, 0.0, rate)), (seconds, (0.02, 0.0, -rate)), (5.0, ZERO_TWIST)]


def walked(
    robot: RobotModel, gait: GaitParameters, asked: Sequence[tuple[float, Planar]], name: str = "walk"
) -> tuple[Walk, np.ndarray]:
    """A walk as asked for, or as fast as can be, with the planned angles, and the planner's places (n, 3)."""
    planner = Planner(robot, _limits(robot, gait), PERIOD)
    plans, places = [], []
    for seconds, twist in asked:
        planner.walk(twist)
        for _ in range(round(seconds / PERIOD)):
            plans.append(planner.step())
            places.append(planner.place)
    height = robot.standing.height
    walk = Walk(
        name,
        gait,
        100 + PERIOD * np.arange(len(plans)),
        np.array([legs_inverse(robot, Pose((*plan.shift, height)), plan.feet) for plan in plans]),
        np.array([plan.feet for plan in plans]),
        np.array([[load == 0 for load in plan.loads] for plan in plans]),
        np.array([plan.shift for plan in plans]),
    )
    return walk, np.array(places)


def followed(robot: RobotModel, walk: Walk) -> Walk:
    """The walk with the angles of servos that follow the planned ones."""
    models = [ServoModel(joint.servo, robot.no_load_speed(joint)) for joint in robot.joints]
    angles = [walk.angles[0].tolist()]
    for tick in range(1, len(walk.angles)):
        sent = walk.angles[max(tick - TICKS_BEHIND, 0)].tolist()
        pulses = [pulse_from_angle(joint.servo, angle) for joint, angle in zip(robot.joints, sent)]
        angles.append([model.advance(a, pulse, PERIOD) for model, a, pulse in zip(models, angles[-1], pulses)])
    return replace(walk, angles=np.array(angles))


def limits_of(name: str, gait: str) -> WalkingLimits:
    """The limits of one of the two robots in code, worked out once."""
    return _limits(ROBOTS[name], ROBOTS[name].gait(gait))


@cache
def _limits(robot: RobotModel, gait: GaitParameters) -> WalkingLimits:
    return WalkingLimits(robot, gait)
