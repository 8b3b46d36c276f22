"""A measured course as it would be seen: the planner's creeping walk, exactly followed, and a right estimate of it."""

from __future__ import annotations

from functools import cache

import numpy as np
import sample_robots
import sample_walks
from scipy.spatial.transform import Rotation

from quadleg.analysis.course_measures import BodyTrajectory, MeasuredCourse
from quadleg.geometry.planar import ZERO_TWIST

ROBOT = sample_robots.inspector()
SPEED, SECONDS = 0.06, 10.0


def motion(places: np.ndarray, turns: Rotation) -> BodyTrajectory:
    return BodyTrajectory(np.array(places), np.roll(turns.as_quat(), 1, axis=1))


@cache
def walked() -> MeasuredCourse:
    """A creeping walk exactly as planned, with an estimate in a frame of its own that is exactly right."""
    asked = [(1.0, ZERO_TWIST), (SECONDS, (SPEED, 0.0, 0.0)), (5.0, ZERO_TWIST)]
    walk, places = sample_walks.walked(ROBOT, ROBOT.gait("creep"), asked)
    count = len(places)
    going = np.gradient(places[:, 0], sample_walks.PERIOD)
    body = np.column_stack((places[:, :2] + walk.shift, np.full(count, ROBOT.standing.height)))
    level = Rotation.from_rotvec(np.zeros((count, 3)))
    elsewhere = Rotation.from_euler("z", 2.0)
    return MeasuredCourse(
        SPEED,
        walk.times - walk.times[0],
        going,
        ~walk.in_air,
        walk.angles,
        np.full((count, 12), 0.1),
        motion(body, level),
        motion(elsewhere.apply(body) + [5.0, -3.0, 0.0], elsewhere * level),
        np.zeros((count, 6, 6)),
        np.full(count, 3.0),
    )
