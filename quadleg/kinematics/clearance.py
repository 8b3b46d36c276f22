"""How far the legs are from each other and from the body, all taken as capsules."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import hypot, inf

import numpy as np

from quadleg.geometry.arrays import Array
from quadleg.geometry.capsules import capsules_in_box, segment_distances
from quadleg.kinematics.leg import points, points_batch
from quadleg.robot.model import JOINT_NAMES, LEGS, Angles, RobotModel

_BLOCK = 256  # rows: a workspace study must not fill the memory


@dataclass(frozen=True)
class Gap:
    """The free distance in m between two links (negative: they overlap), and the legs they belong to."""

    distance: float
    parts: tuple[str, str]
    legs: tuple[str, ...]


class Clearance:
    """Free distances between the links of different legs, and between each link and the body.

    A leg's links are capsules from hip joint to knee, with `link_radius`, and from knee to foot centre, with
    the greater of `link_radius` and `foot_radius`. The links of one leg are kept apart by the knee's limits.

    The body is a row of equal capsules along x, inside its box: as thick as the box's lesser side, side by
    side over the greater with their axes at most a radius r apart. They touch all six faces. They leave out
    the edges (0.41 r deep, 0.73 r at the corners) and grooves of at most 0.13 r on the broad faces.

    The upper link counts from its hip joint, so a hip joint must be farther outside the box than
    `link_radius` and the clearance.
    """

    def __init__(self, robot: RobotModel) -> None:
        self._robot = robot
        self._body, body_radius = capsules_in_box(robot.body.size, robot.body.centre)
        body_count = len(self._body)

        # Capsules: upper and lower of each leg, 0 to 7, then the body's. Pairs with the body come last.
        names = [f"{leg}_{link}" for leg in LEGS for link in ("upper", "lower")]
        radii = [radius for leg in robot.legs for radius in (leg.link_radius, max(leg.link_radius, leg.foot_radius))]
        between = [(i, j) for i, j in combinations(range(8), 2) if i // 2 != j // 2]
        with_body = [(i, 8 + j) for i in range(8) for j in range(body_count)]
        first, second = np.array(between + with_body).T
        self._first, self._second = first, second
        self._radii = np.array(radii + [body_radius] * body_count)[[first, second]].sum(axis=0)
        # Where the distances of each reported pair begin: the body counts as one part.
        self._begin = [*range(len(between)), *range(len(between), len(first), body_count)]
        self._parts = [(names[i], names[j]) for i, j in between] + [(name, "base_link") for name in names]
        self._legs = [(LEGS[i // 2], LEGS[j // 2]) for i, j in between] + [(LEGS[i // 2],) for i in range(8)]

        # Of each link: how far its leg's joints can move it in m/rad, and its pairs with links of other legs.
        self._levers = _levers(robot)
        self._of_link = np.array([[k for k, pair in enumerate(between) if link in pair] for link in range(8)])
        # The last angles looked at, and how far each link was from the body and from other links there: at first
        # nothing is known to be apart.
        self._seen: Angles = (0.0,) * len(JOINT_NAMES)
        self._to_body = self._to_links = [-inf] * 8

    def gaps_below(self, angles: Angles, distance: float) -> list[Gap]:
        """All gaps smaller than `distance` (m) at the twelve angles (rad), nearest first."""
        if self._surely_apart(angles, distance):
            return []
        gaps = self._single(angles)
        self._seen = tuple(angles)
        self._to_body, self._to_links = gaps[-8:].tolist(), gaps[self._of_link].min(axis=1).tolist()
        near = np.flatnonzero(gaps < distance)
        return [self._gap(gaps, pair) for pair in near[np.argsort(gaps[near], kind="stable")]]

    def least(self, angles: Angles) -> Gap:
        """The smallest gap at the twelve angles (rad)."""
        gaps = self._single(angles)
        return self._gap(gaps, np.argmin(gaps))

    def least_batch(self, angles: Array) -> Array:
        """(n,) smallest gaps in m at angles (n, 12) in rad."""
        least = np.empty(len(angles))
        for start in range(0, len(angles), _BLOCK):
            rows = angles[start : start + _BLOCK]
            legs = [points_batch(leg, rows[:, 3 * i : 3 * i + 3]) for i, leg in enumerate(self._robot.legs)]
            self._distances(np.stack(legs, axis=1)).min(axis=1, out=least[start : start + _BLOCK])
        return least

    def _surely_apart(self, angles: Angles, distance: float) -> bool:
        """Whether the legs cannot have moved so far from the last angles looked at that a gap is below `distance`.

        No point of a link moves farther than the sum over its joints of turn × lever. Most frames of a moving robot
        end here.
        """
        turns = [abs(now - seen) for now, seen in zip(angles, self._seen)]
        for link, (abduction, hip, knee) in enumerate(self._levers):
            first = 3 * (link // 2)
            moved = abduction * turns[first] + hip * turns[first + 1] + knee * turns[first + 2]
            # Another link may have moved as far.
            if self._to_body[link] - moved < distance or self._to_links[link] - 2 * moved < distance:
                return False
        return True

    def _gap(self, gaps: Array, pair: np.intp) -> Gap:
        return Gap(float(gaps[pair]), self._parts[pair], self._legs[pair])

    def _single(self, angles: Angles) -> Array:
        """(32,) gaps of the reported pairs."""
        legs = [points(leg, angles[3 * i : 3 * i + 3]) for i, leg in enumerate(self._robot.legs)]
        return np.minimum.reduceat(self._distances(np.array([legs]))[0], self._begin)

    def _distances(self, legs: Array) -> Array:
        """(n, pairs) gaps from the points (n, 4, 4, 3) of the legs."""
        axes = np.empty((len(legs), 8 + len(self._body), 2, 3))
        axes[:, 0:8:2], axes[:, 1:8:2], axes[:, 8:] = legs[:, :, 1:3], legs[:, :, 2:4], self._body
        first, second = axes.take(self._first, axis=1), axes.take(self._second, axis=1)
        return segment_distances(first, second) - self._radii


def _levers(robot: RobotModel) -> list[tuple[float, float, float]]:
    """(8, 3) how far a point on the axis of each link can be from the axes of its leg's joints, in m."""
    levers = []
    for leg in robot.legs:
        for lower in (0.0, leg.lower_length):
            reach = leg.upper_length + lower
            levers.append((hypot(leg.hip_offset, reach), reach, lower))
    return levers
