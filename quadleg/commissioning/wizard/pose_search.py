"""Poses that a robot of given measures can stand and rest in, found by trying heights and places of the feet."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil, radians

import numpy as np
from numpy.typing import NDArray

from quadleg.commissioning.wizard.robot_measures import CLEARANCE_MM, Measures, usual_limits_deg
from quadleg.errors import Unreachable
from quadleg.geometry.vectors import Vector
from quadleg.kinematics.body_pose import stance_angles
from quadleg.kinematics.clearance import Clearance
from quadleg.kinematics.ground_clearance import ROUNDING, GroundClearance
from quadleg.kinematics.leg import inverse_batch
from quadleg.robot.model import JOINT_NAMES, BodyBox, Leg, RobotModel, Stance
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot

STANDING_SHARE = 0.71  # of the straight leg, from hip axis to foot: knees well bent, as the demo robot stands
RISE_SHARE = 0.1  # of the straight leg, the least from rest to standing, and from there to the end of the reach


@dataclass(frozen=True)
class Poses:
    """Heights of the hip axes at rest and standing, and how far out the feet are, all in mm."""

    resting: int
    standing: int
    out_along: int
    out_across: int


def find_poses(measures: Measures) -> Poses | str:
    """Poses that the legs reach with the clearance, at rest and standing and at each height between; or why none.

    At rest the belly is as near to the ground as the folded legs let it; standing, the knees are well bent.
    """
    robot = _of_measures(measures)
    wanted = measures.foot_radius + STANDING_SHARE * measures.straight
    rise = RISE_SHARE * measures.straight
    wanted = max(wanted, measures.belly + rise)
    step = ceil(measures.straight / 150)
    # The belly as whoever reads the file finds it, to the last bit.
    belly = measures.height / 2 - measures.centre
    heights = np.arange(ceil(belly), ceil(measures.straight + measures.foot_radius), step)
    aside = ceil(measures.straight / 20)
    clearance = Clearance(robot)
    # Feet below the hips are the best place sideways: no torque on the abduction.
    for across in range(0, 10 * aside, 3 * aside):
        found = []
        for along in range(-8 * aside, 9 * aside, aside):
            good = heights[_good(robot, clearance, heights, along, across)]
            if pair := _of_heights(good, step, wanted, rise):
                resting, standing = pair
                odd = resting - measures.belly + abs(standing - wanted) + abs(along) / 3
                found.append((odd, Poses(resting, standing, along, across)))
        if found:
            return min(found, key=lambda one: one[0])[1]
    return _why_none(robot, Stance(wanted / 1000, _feet(robot.legs[0], 0.0, 0.0)))


def _of_heights(good: NDArray[np.int_], step: int, wanted: float, rise: float) -> tuple[int, int] | None:
    """Of heights in mm that would do: the lowest and the one nearest to `wanted` of a run without gaps around that."""
    if not len(good):
        return None
    breaks = np.flatnonzero(np.diff(good) > step) + 1
    run = min(np.split(good, breaks), key=lambda run: np.abs(run - wanted).min())
    standing = run[(run >= run[0] + rise) & (run <= run[-1] - rise)]
    if not len(standing):
        return None
    return int(run[0]), int(standing[np.abs(standing - wanted).argmin()])


def _good(
    robot: RobotModel, clearance: Clearance, heights: NDArray[np.int_], along: float, across: float
) -> NDArray[np.bool_]:
    """(n,) whether the legs reach the ground with the clearance at heights (n,) and places of the feet, all in mm.

    Nothing else may be in the ground.
    """
    good = np.ones(len(heights), dtype=bool)
    angles = np.empty((len(heights), len(JOINT_NAMES)))
    for number, (leg, foot) in enumerate(zip(robot.legs, _feet(robot.legs[0], along, across))):
        points = np.tile(foot, (len(heights), 1))
        points[:, 2] -= heights / 1000
        angles[:, 3 * number : 3 * number + 3], reachable = inverse_batch(leg, points)
        good &= reachable
    good[good] = clearance.least_batch(angles[good]) >= robot.clearance
    good[good] = GroundClearance(robot).least_batch(angles[good], heights[good] / 1000) >= -ROUNDING
    return good


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


def _of_measures(measures: Measures) -> RobotModel:
    """A robot of these measures; all else is the demo robot's."""
    demo = load_robot(find_robot(DEFAULT_ROBOT))
    legs = []
    for leg in demo.legs:
        front = leg.name.startswith("front")
        x, y = 1 if front else -1, 1 if leg.name.endswith("left") else -1
        knee = measures.front_knee if front else measures.rear_knee
        limits = usual_limits_deg(knee)
        joints = [
            replace(joint, lower=radians(low), upper=radians(high)) for joint, (low, high) in zip(leg.joints, limits)
        ]
        if y < 0:
            low, high = limits[0]
            joints[0] = replace(joints[0], lower=radians(-high), upper=radians(-low))
        legs.append(
            replace(
                leg,
                hip=(x * measures.along / 2000, y * measures.across / 2000, 0.0),
                hip_offset=y * measures.offset / 1000,
                upper_length=measures.upper / 1000,
                lower_length=measures.lower / 1000,
                foot_radius=measures.foot_radius / 1000,
                link_radius=measures.link_radius / 1000,
                knee_sign=-1 if knee == "rearward" else 1,
                joints=(joints[0], joints[1], joints[2]),
            )
        )
    size = (measures.length / 1000, measures.width / 1000, measures.height / 1000)
    body = BodyBox(size, (0.0, 0.0, measures.centre / 1000))
    return replace(demo, body=body, legs=(legs[0], legs[1], legs[2], legs[3]), clearance=CLEARANCE_MM / 1000)
