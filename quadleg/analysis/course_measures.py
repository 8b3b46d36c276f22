"""A measured course in physics: how accurate the walk was, and how accurate the estimate.

All places are seen from the course's beginning: x ahead, y to the left, heights over the ground. The truth and the
estimate each begin there, since an estimate cannot know where in the world it began.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import degrees

import numpy as np

from quadleg.analysis.series import true_runs
from quadleg.geometry.arrays import Array, Flags
from quadleg.geometry.rotation_arrays import matrices_from_quaternions, small_rotation_vectors
from quadleg.kinematics.leg import points_batch
from quadleg.robot.model import JOINT_NAMES, LEGS, RobotModel

_TOUCHES = 5e-4  # m: a foot no higher than this touches the flat ground
_STEADY = 0.8  # of the asked speed: it walks steadily while it is planned to go so fast
_YAW = 5  # its row in a pose's covariance


@dataclass(frozen=True)
class BodyTrajectory:
    """A body's motion at n ticks: `places` (n, 3) in m and unit `quaternions` (n, 4), w first, in some fixed frame."""

    places: Array
    quaternions: Array

    @cached_property
    def rotations(self) -> Array:
        """(n, 3, 3): the same attitudes as matrices."""
        return matrices_from_quaternions(self.quaternions)

    @cached_property
    def to_beginning(self) -> Array:
        """(3, 3): the rotation about the vertical from the fixed frame to one whose x axis is the first heading."""
        (ahead, aside, _), _, _ = self.rotations[0].T
        c, s = np.array([ahead, aside]) / np.hypot(ahead, aside)
        return np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])

    @cached_property
    def path(self) -> Array:
        """(n, 3) in m: the places seen from the beginning; heights stay over the ground."""
        origin = self.places[0] * [1.0, 1.0, 0.0]
        return (self.places - origin) @ self.to_beginning.T

    @cached_property
    def attitudes(self) -> Array:
        """(n, 3, 3): the rotations seen from the beginning."""
        return self.to_beginning @ self.rotations


@dataclass(frozen=True)
class MeasuredCourse:
    """One walk straight ahead over flat ground with an `asked` speed in m/s, at n ticks, from standing to standing:

    - `times` (n,) in s;
    - `planned` (n,) in m/s: the planned speed ahead;
    - `down` (n, 4): whether the plan has the foot on the ground;
    - `angles`, `torques` (n, 12) in rad and N·m: the joints' true ones;
    - `true`, `estimated`: the body's motion, and the estimate of it;
    - `covariance` (n, 6, 6) of the estimate in its fixed frame: place (m), then rotation vector (rad);
    - `currents` (n,) in A, drawn from the supply.
    """

    asked: float
    times: Array
    planned: Array
    down: Flags
    angles: Array
    torques: Array
    true: BodyTrajectory
    estimated: BodyTrajectory
    covariance: Array
    currents: Array

    @cached_property
    def steady(self) -> tuple[int, int]:
        """First and last tick of steady walking: the longest, where the walk was held in between."""
        first, end = max(true_runs(self.planned >= _STEADY * self.asked), key=lambda run: run[1] - run[0])
        return first, end - 1

    @cached_property
    def speed(self) -> float:
        """The true speed ahead in m/s while it walks steadily: the slope of the path, by least squares."""
        first, last = self.steady
        slope, _ = np.polyfit(self.times[first : last + 1], self.true.path[first : last + 1, 0], 1)
        return float(slope)

    @cached_property
    def distance(self) -> float:
        """The true distance from beginning to end in m."""
        return float(np.hypot(*self.true.path[-1, :2]))

    @cached_property
    def place_errors(self) -> Array:
        """(n, 3) in m: the estimated place less the true one."""
        return self.estimated.path - self.true.path

    @cached_property
    def attitude_errors(self) -> Array:
        """(n, 3) in rad: the small turn from the true attitude to the estimated one, about x, y and z."""
        return small_rotation_vectors(self.estimated.attitudes @ self.true.attitudes.transpose(0, 2, 1))

    @property
    def drift(self) -> float:
        """The distance along the ground in m between estimate and truth at the end."""
        return float(np.hypot(*self.place_errors[-1, :2]))

    @cached_property
    def deviations(self) -> Array:
        """(n, 6): standard deviations of `place_errors` (m) and `attitude_errors` (rad), by the estimate itself.

        The errors of place along the ground and of heading that it had at the beginning do not count, nor does what
        has come of that heading since: P(t) - J P(0) J', with J the motion's derivative by its beginning.
        """
        turn = np.zeros((6, 6))
        turn[:3, :3] = turn[3:, 3:] = self.estimated.to_beginning
        covariance = turn @ self.covariance @ turn.T
        jacobian = np.zeros_like(covariance)
        jacobian[:, [0, 1, _YAW], [0, 1, _YAW]] = 1.0
        jacobian[:, 0, _YAW], jacobian[:, 1, _YAW] = -self.estimated.path[:, 1], self.estimated.path[:, 0]
        since = covariance - jacobian @ covariance[0] @ jacobian.transpose(0, 2, 1)
        return np.sqrt(np.maximum(np.diagonal(since, axis1=1, axis2=2), 0.0))

    @cached_property
    def tilts(self) -> Array:
        """(n,) in rad: the true angle between the body's z axis and the vertical."""
        return np.arccos(np.clip(self.true.rotations[:, 2, 2], -1.0, 1.0))


def slips(robot: RobotModel, course: MeasuredCourse) -> list[list[float]]:
    """For each leg, how far its foot slid in m each time that it stood, from landing to lift-off.

    What slides is the sphere's lowest point: the centre moves by what it rolls, too.
    """
    rotations, slid = course.true.rotations, []
    feet = _centres(robot, course, rotations, course.true.places)
    for i, (leg, centres) in enumerate(zip(robot.legs, feet)):
        shanks = rotations @ _shank(course.angles[:, 3 * i : 3 * i + 3])
        turns = small_rotation_vectors(shanks[1:] @ shanks[:-1].transpose(0, 2, 1))
        rolled = leg.foot_radius * np.column_stack((turns[:, 1], -turns[:, 0]))
        moves = np.diff(centres[:, :2], axis=0) - rolled
        stands = course.down[:, i] & (centres[:, 2] < leg.foot_radius + _TOUCHES)
        slid.append([float(np.hypot(*moves[first : end - 1].sum(axis=0))) for first, end in true_runs(stands)])
    return slid


def footholds(robot: RobotModel, course: MeasuredCourse) -> list[Array]:
    """For each leg, (k, 2) in m: the mean of its foot's true place each time that it stood by the plan."""
    centres = _centres(robot, course, course.true.attitudes, course.true.path)
    return [
        np.array([own[first:end, :2].mean(axis=0) for first, end in true_runs(course.down[:, i])])
        for i, own in enumerate(centres)
    ]


def _centres(robot: RobotModel, course: MeasuredCourse, rotations: Array, places: Array) -> Array:
    """(4, n, 3) in m: the true centres of the feet, in the frame that the body's rotations and places are given in."""
    legs = [points_batch(leg, course.angles[:, 3 * i : 3 * i + 3])[:, -1] for i, leg in enumerate(robot.legs)]
    return np.einsum("nij,lnj->lni", rotations, legs) + places


def _shank(angles: Array) -> Array:
    """(n, 3, 3): the lower leg's rotation in base_link, from abduction, hip and knee (n, 3): about x, y and y."""
    a, b = angles[:, 0], angles[:, 1] + angles[:, 2]
    zero = np.zeros_like(a)
    rows = [
        [np.cos(b), zero, np.sin(b)],
        [np.sin(a) * np.sin(b), np.cos(a), -np.sin(a) * np.cos(b)],
        [-np.cos(a) * np.sin(b), np.sin(a), np.cos(a) * np.cos(b)],
    ]
    return np.moveaxis(np.array(rows), -1, 0)


def course_figures(robot: RobotModel, course: MeasuredCourse) -> dict[str, str]:
    """The course in figures, in words with units."""
    _, aside, _ = course.true.path[-1]
    ahead_x, ahead_y, _ = course.true.attitudes[-1, :, 0]
    stood = slips(robot, course)
    slid = np.concatenate(stood)
    worst_leg = int(np.argmax([max(own) for own in stood]))
    tick, joint = np.unravel_index(np.argmax(np.abs(course.torques)), course.torques.shape)
    torque = abs(float(course.torques[tick, joint]))
    share = torque / robot.stall_torque(robot.joints[joint])
    off = 100 * (course.speed / course.asked - 1)
    drift, way = 1000 * course.drift, 1000 * course.distance
    roll_pitch = np.sqrt(np.square(course.attitude_errors[:, :2]).mean())
    return {
        "speed": f"{course.speed:.4f} m/s true, {course.asked:.4f} m/s asked ({off:+.1f} %)".replace("-", "−"),
        "way": f"{way / 1000:.3f} m true, {1000 * abs(aside):.0f} mm to the {_side(aside)}, "
        f"turned {degrees(abs(np.arctan2(ahead_y, ahead_x))):.1f}° to the {_side(ahead_y)}",
        "drift of the estimate": f"{drift:.1f} mm ({100 * drift / way:.1f} % of the way) "
        f"and {degrees(abs(course.attitude_errors[-1, 2])):.1f}° of heading",
        "error of roll and pitch": f"{degrees(roll_pitch):.2f}° rms",
        "largest tilt": f"{degrees(course.tilts.max()):.1f}° true",
        "slip of a standing foot": f"{1000 * slid.mean():.1f} mm a stride, at most {1000 * slid.max():.1f} mm "
        f"({LEGS[worst_leg].replace('_', ' ')})",
        "largest torque": f"{torque:.2f} N·m, {100 * share:.0f} % of stall ({JOINT_NAMES[joint].replace('_', ' ')})",
        "current": f"{course.currents.mean():.1f} A in the mean, {course.currents.max():.1f} A at most, of "
        f"{robot.supply.rated_current:g} A that the supply can",
    }


def _side(value: float) -> str:
    return "left" if value > 0 else "right"
