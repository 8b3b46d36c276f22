"""Whether the legs reach the poses of a robot file, apart and out of the ground; if not, which figures would do."""

from __future__ import annotations

from math import ceil, inf

import numpy as np
from numpy.typing import NDArray

from quadleg.errors import Unreachable
from quadleg.geometry.arrays import Array
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import all_inverse_batch, stance_angles
from quadleg.kinematics.clearance import Clearance
from quadleg.kinematics.ground_clearance import ROUNDING, GroundClearance
from quadleg.robot.model import RobotModel, Stance


def pose_fault(robot: RobotModel, stance: Stance, height_key: str, below: Stance | None = None) -> str | None:
    """What is wrong with a pose, and which figures in whole mm would do; None for a good pose.

    The height is called `height_key` and stays below that of `below`. A body or a clearance of None is left out.
    """
    wrong = _wrong(robot, stance)
    if wrong is None:
        return None
    ranges = _ranges(robot, stance, height_key, below)
    return f"{wrong}: {_remedy(ranges)}"


def rise_fault(robot: RobotModel) -> str | None:
    """What of the robot would be in the ground on its way up from rest, its feet where it stands; None for nothing.

    The lowest height, in whole mm, from which it would not be is told.
    """
    low, high = (ceil(1000 * stance.height - 1e-6) for stance in (robot.resting, robot.standing))
    heights = np.unique([1000 * robot.resting.height, *np.arange(low, high + 1)]) / 1000
    feet = np.tile(np.array(robot.standing.feet), (len(heights), 1, 1))
    feet[:, :, 2] -= heights[:, None]
    angles, reached = all_inverse_batch(robot, feet)
    ground = _ground(robot)
    over = ground.least_batch(angles, heights)
    over[~reached] = inf
    if over.min() >= -ROUNDING:
        return None
    deepest = int(np.argmin(over))
    sunk = ground.least(Pose((0.0, 0.0, float(heights[deepest]))), angles[deepest].tolist())
    free = np.flatnonzero(over < -ROUNDING)[-1] + 1
    words = f"on its way up, with the feet where it stands, {sunk} would be {-1000 * sunk.height:.1f} mm in the ground"
    if free == len(heights):
        return f"{words}: move the feet of stance"
    return f"{words}: write {ceil(1000 * heights[free] - 1e-6)} or more, or move the feet of stance"


def _wrong(robot: RobotModel, stance: Stance) -> str | None:
    try:
        angles = stance_angles(robot, stance)
    except Unreachable as error:
        return f"in this pose the foot of {error.leg} is out of reach, {error.limit}"
    except ValueError as error:  # Limits so odd that no foot gets below its hip.
        return str(error)
    sunk = _ground(robot).sunk(Pose((0.0, 0.0, stance.height)), angles)
    if sunk is not None:
        return f"in this pose {sunk} would be {-1000 * sunk.height:.1f} mm in the ground"
    if robot.body is None or robot.clearance is None:
        return None
    gap = Clearance(robot).least(angles)
    if gap.distance >= robot.clearance:
        return None
    apart = f"in this pose {' and '.join(gap.parts)} are {1000 * gap.distance:.1f} mm apart"
    return f"{apart}, clearance_mm is {1000 * robot.clearance:g}"


def _ground(robot: RobotModel) -> GroundClearance:
    """Without the body: how high the belly needs the pose is a check of its own."""
    return GroundClearance(robot, with_body=False)


def _remedy(ranges: dict[str, tuple[int, int]]) -> str:
    if not ranges:
        return "no change of the height or of one place of the feet would do, so change the limits"
    return f"write {' or '.join(f'{key} from {first} to {last}' for key, (first, last) in ranges.items())}"


def _ranges(robot: RobotModel, stance: Stance, height_key: str, below: Stance | None) -> dict[str, tuple[int, int]]:
    """For each figure of the pose that would make it good if it alone changed: the nearest range, in mm."""
    hips = np.array([leg.hip for leg in robot.legs])
    hips[:, 1] += [leg.hip_offset for leg in robot.legs]
    outward = np.sign(hips)
    along, across, _ = (1000 * outward * (stance.feet - hips))[0]
    leg = robot.legs[0]
    reach = ceil(1000 * (leg.upper_length + leg.lower_length + abs(leg.hip_offset) + leg.foot_radius))
    belly = 0.0 if robot.body is None else robot.body.size[2] / 2 - robot.body.centre[2]
    lowest = max(1, ceil(1000 * belly - 1e-6))
    highest = reach if below is None else min(reach, ceil(1000 * below.height - 1e-6) - 1)
    figures = {height_key: 1000 * stance.height, "feet_out_along_mm": along, "feet_out_across_mm": across}

    ranges = {}
    for key, figure in figures.items():
        others = np.arange(lowest, highest + 1) if key == height_key else np.arange(-reach, reach + 1)
        height, out_along, out_across = np.broadcast_arrays(*{**figures, key: others}.values())
        out = np.stack((out_along, out_across, np.zeros_like(out_along)), axis=-1)
        feet = hips + outward * out[:, None] / 1000
        feet[:, :, 2] = leg.foot_radius - height[:, None] / 1000
        good = others[reachable(robot, feet)]
        if len(good):
            ranges[key] = _run(set(good.tolist()), figure)
    return ranges


def reachable(robot: RobotModel, feet: Array, with_body: bool = False) -> NDArray[np.bool_]:
    """(n,) whether the legs reach feet (n, 4, 3) in base_link with the clearance and out of the ground under them.

    The body is looked for in the ground only `with_body`. A body or a clearance of None is left out.
    """
    angles, good = all_inverse_batch(robot, feet)
    heights = robot.legs[0].foot_radius - feet[:, 0, 2]
    good[good] = GroundClearance(robot, with_body).least_batch(angles[good], heights[good]) >= -ROUNDING
    if robot.body is not None and robot.clearance is not None:
        good[good] = Clearance(robot).least_batch(angles[good]) >= robot.clearance
    return good


def _run(numbers: set[int], wanted: float) -> tuple[int, int]:
    """First and last of the consecutive numbers that are nearest to `wanted`."""
    first = last = min(numbers, key=lambda number: abs(number - wanted))
    while first - 1 in numbers:
        first -= 1
    while last + 1 in numbers:
        last += 1
    return first, last
