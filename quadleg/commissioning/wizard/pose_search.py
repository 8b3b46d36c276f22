"""Poses that a robot of given measures can stand and rest in, found by trying heights and places of the feet."""

from __future__ import annotations

from math import ceil

import numpy as np
from numpy.typing import NDArray

from quadleg.commissioning.wizard.new_robot_file import robot_file
from quadleg.commissioning.wizard.robot_measures import Electrics, Measures, Poses
from quadleg.commissioning.wizard.servo_classes import READY_KINDS
from quadleg.errors import Unreachable
from quadleg.geometry.vectors import Vector
from quadleg.kinematics.body_pose import stance_angles
from quadleg.kinematics.clearance import Clearance
from quadleg.robot.model import SIMULATED, Leg, RobotModel, Stance
from quadleg.robot_file.load import unchecked_robot
from quadleg.robot_file.reachable_poses import reachable

STANDING_SHARE = 0.71  # of the straight leg, from hip axis to foot: knees well bent, as the demo robot stands
RISE_SHARE = 0.1  # of the straight leg, the least from rest to standing, and from there to the end of the reach


def find_poses(measures: Measures) -> Poses | str:
    """Poses that the legs reach with the clearance, at rest and standing and at each height between; or why none.

    At rest the belly is as near to the ground as the folded legs let it; standing, the knees are well bent.
    """
    # Of the poses to find and of the servos nothing matters here.
    electrics = Electrics(READY_KINDS[0], READY_KINDS[0].at_voltage_v, 1, SIMULATED)
    robot = unchecked_robot(robot_file("robot", measures, Poses(1, 2, 0, 0), 1000, electrics), "robot.yaml")
    wanted = measures.foot_radius + STANDING_SHARE * measures.straight
    rise = RISE_SHARE * measures.straight
    wanted = max(wanted, measures.belly + rise)
    step = ceil(measures.straight / 150)
    # The belly exactly as the loader computes it from the file.
    belly = measures.height / 2 - measures.centre
    heights = np.arange(ceil(belly), ceil(measures.straight + measures.foot_radius), step)
    aside = ceil(measures.straight / 20)
    # Feet below the hips are the best place sideways: no torque on the abduction.
    for across in range(0, 10 * aside, 3 * aside):
        found = []
        for along in range(-8 * aside, 9 * aside, aside):
            good = heights[_good(robot, heights, along, across)]
            if pair := _of_heights(good, step, wanted, rise):
                resting, standing = pair
                odd = resting - measures.belly + abs(standing - wanted) + abs(along) / 3
                found.append((odd, Poses(resting, standing, along, across)))
        if found:
            return min(found, key=lambda one: one[0])[1]
    return _why_none(robot, Stance(wanted / 1000, _feet(robot.legs[0], 0.0, 0.0)))


def _of_heights(good: NDArray[np.int_], step: int, wanted: float, rise: float) -> tuple[int, int] | None:
    """The lowest and the one nearest to `wanted` of the run of good heights (mm) without gaps around `wanted`."""
    if not len(good):
        return None
    breaks = np.flatnonzero(np.diff(good) > step) + 1
    run = min(np.split(good, breaks), key=lambda run: np.abs(run - wanted).min())
    standing = run[(run >= run[0] + rise) & (run <= run[-1] - rise)]
    if not len(standing):
        return None
    return int(run[0]), int(standing[np.abs(standing - wanted).argmin()])


def _good(robot: RobotModel, heights: NDArray[np.int_], along: float, across: float) -> NDArray[np.bool_]:
    """(n,) whether the feet alone reach the ground at heights (n,), in places that are shifted; all in mm."""
    feet = np.tile(_feet(robot.legs[0], along, across), (len(heights), 1, 1))
    feet[:, :, 2] -= heights[:, None] / 1000
    return reachable(robot, feet, with_body=True)


def _feet(leg: Leg, along: float, across: float) -> tuple[Vector, Vector, Vector, Vector]:
    """The centres of the feet on the ground in base_footprint, from the front left leg."""
    x, y, z = leg.hip[0] + along / 1000, leg.hip[1] + leg.hip_offset + across / 1000, leg.foot_radius
    return (x, y, z), (x, -y, z), (-x, y, z), (-x, -y, z)


def _why_none(robot: RobotModel, usual: Stance) -> str:
    room = "between folded and straight legs (D and E) there is too little room to stand up from the belly (K)"
    try:
        gap = Clearance(robot).least(stance_angles(robot, usual))
    except Unreachable:
        return room
    if gap.distance >= robot.clearance:
        return room
    parts = " and ".join(part.replace("_", " ") for part in gap.parts)
    return (
        f"{parts} would touch, standing {1000 * usual.height:.0f} mm high; A keeps front and rear legs apart, D and E "
        "are their lengths"
    )
