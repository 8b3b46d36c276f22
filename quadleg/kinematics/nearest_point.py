"""The point nearest to a target that a leg cannot reach, and what stops it there.

The reachable set is the image of the box of joint limits, cut to feet below the abduction axis. The
nearest point lies on its edge, where an angle is at a limit or the foot is at the height of the axis in
the plane of the leg. On each such face, edge and corner the stationary points of the distance are found
(all in closed form but one, the hip at a limit and the abduction free); the nearest of them is the answer.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import acos, atan2, cos, degrees, hypot, pi, remainder, sin, sqrt, tau

import numpy as np
from numpy.typing import NDArray

from quadleg.geometry.vectors import Vector
from quadleg.robot.model import Leg

_TOLERANCE = 1e-9
_FAR = 1e6  # m; beyond it a target's direction alone decides, and squares would lose their digits
_SAMPLES = 64


def nearest(leg: Leg, target: Vector) -> tuple[Vector, str, str]:
    """Angles that reach the point nearest to `target` (m, from the abduction axis' origin, finite), the
    joint that stops the leg, and how in words.

    Raises ValueError if no angles within the limits put the foot below its abduction axis.
    """
    x, y, z = _drawn_in(target)
    d = leg.hip_offset
    radius, direction = hypot(y, z), atan2(z, y)
    (a0, a1), (h0, h1), (k0, k1) = leg.limits
    best: tuple[float, Vector] | None = None
    for free_hip, free_knee in _candidates(leg, x, y, z):
        hip, knee = min(max(free_hip, h0), h1), min(max(free_knee, k0), k1)
        foot_x, foot_z = _foot(leg, hip, knee)
        if max(abs(hip - free_hip), abs(knee - free_knee), foot_z) > _TOLERANCE:
            continue
        # The plane of the leg turned so that the foot is nearest, or as far that way as abduction goes.
        abduction = ideal = remainder(direction - atan2(foot_z, d), tau)
        if not a0 <= ideal <= a1:
            abduction = min((a0, a1), key=lambda limit: abs(sin((limit - ideal) / 2)))
        foot_radius = hypot(d, foot_z)
        turn = sin((abduction - ideal) / 2)
        square = (x - foot_x) ** 2 + (radius - foot_radius) ** 2 + 4 * radius * foot_radius * turn * turn
        if best is None or square < best[0]:
            best = square, (abduction, hip, knee)
    if best is None:
        raise ValueError(
            f"{leg.name}: no angles within the joint limits put the foot below its abduction axis: "
            "check the limits of hip and knee and the side to which the knee points"
        )
    return best[1], *_stop(leg, best[1])


def _drawn_in(target: Vector) -> Vector:
    """The target, or the one in the same direction at the greatest distance that doubles can compare."""
    far = max(abs(c) for c in target)
    if far <= _FAR:
        return target
    x, y, z = (c / far * _FAR for c in target)
    return x, y, z


def _foot(leg: Leg, hip: float, knee: float) -> tuple[float, float]:
    """The foot (x, z) in the plane of the leg."""
    l1, l2 = leg.upper_length, leg.lower_length
    return -l1 * sin(hip) - l2 * sin(hip + knee), -l1 * cos(hip) - l2 * cos(hip + knee)


def _candidates(leg: Leg, x: float, y: float, z: float) -> Iterator[tuple[float, float]]:
    """(hip, knee) of every stationary point of the distance, limits not yet checked."""
    d, l1, l2 = leg.hip_offset, leg.upper_length, leg.lower_length
    (a0, a1), (h0, h1), (k0, k1) = leg.limits
    radius = hypot(y, z)
    # Height of the target in the plane of the leg with the abduction at each limit.
    heights = [z * cos(a) - y * sin(a) for a in (a0, a1)]

    # Foot at the height of the abduction axis, or abduction at a limit and the foot abreast of the target.
    for height in (0.0, *heights):
        yield from _two_link(leg, x, height)

    # Knee at a limit: the foot is on a circle about the hip joint; with the abduction free, on a sphere.
    for knee in (k0, k1):
        along, across = l1 + l2 * cos(knee), l2 * sin(knee)
        bend = atan2(across, along)  # from the upper leg to the line from hip joint to foot
        yield from ((h0, knee), (h1, knee))
        for swing in (-pi / 2, pi / 2, *(atan2(-x, -height) for height in heights)):
            yield remainder(swing - bend, tau), knee
        distance = hypot(x, radius) or 1.0
        scale = sqrt(along * along + across * across + d * d) / distance
        depth = sqrt(max((scale * radius) ** 2 - d * d, 0.0))
        yield remainder(atan2(-scale * x, depth) - bend, tau), knee

    # Hip at a limit: the foot is on a circle about the knee; with the abduction free, on a torus.
    for hip in (h0, h1):
        knee_x, knee_z = -l1 * sin(hip), -l1 * cos(hip)
        if abs(knee_z) <= l2:
            for side in (-1, 1):
                yield hip, remainder(side * acos(knee_z / l2) - hip, tau)
        for height in heights:
            yield hip, remainder(atan2(knee_x - x, knee_z - height) - hip, tau)
        for knee in _knees_on_torus(leg, hip, x, radius):
            yield hip, knee


def _two_link(leg: Leg, x: float, z: float) -> Iterator[tuple[float, float]]:
    """(hip, knee) that put the foot at (x, z) in the plane of the leg, if the links are long enough."""
    l1, l2 = leg.upper_length, leg.lower_length
    cosine = (x * x + z * z - l1 * l1 - l2 * l2) / (2 * l1 * l2)
    if abs(cosine) <= 1:
        knee = leg.knee_sign * acos(cosine)
        yield remainder(atan2(-x, -z) - atan2(l2 * sin(knee), l1 + l2 * cos(knee)), tau), knee


def _knees_on_torus(leg: Leg, hip: float, x: float, radius: float) -> Iterator[float]:
    """Knee angles of least distance to a target at `x` and `radius` from the abduction axis, hip fixed."""
    d, l1, l2 = leg.hip_offset, leg.upper_length, leg.lower_length
    knee_x, knee_z = -l1 * sin(hip), -l1 * cos(hip)

    def slope(knee: NDArray[np.float64]) -> NDArray[np.float64]:
        s, c = np.sin(hip + knee), np.cos(hip + knee)
        foot_x, foot_z = knee_x - l2 * s, knee_z - l2 * c
        foot_radius = np.sqrt(d * d + foot_z * foot_z)
        return (foot_radius - radius) * foot_z * s - foot_radius * (foot_x - x) * c

    samples = np.linspace(*leg.limits[2], _SAMPLES)
    slopes = slope(samples)
    for index in np.flatnonzero((slopes[:-1] < 0) & (slopes[1:] >= 0)):
        low, high = samples[index], samples[index + 1]
        for _ in range(5):
            finer = np.linspace(low, high, _SAMPLES)
            first = max(int(np.argmax(slope(finer) >= 0)), 1)
            low, high = finer[first - 1], finer[first]
        yield float(high)


def _stop(leg: Leg, angles: Vector) -> tuple[str, str]:
    """The joint that stops the leg at these angles, and in words what holds there."""
    margins = []
    for joint, angle, limits in zip(("abduction", "hip", "knee"), angles, leg.limits):
        for end, limit in zip(("lower", "upper"), limits):
            words = f"{joint} at its {end} limit of {degrees(limit):.4g} deg"
            if joint == "knee" and limit == 0:
                words = "knee straight"
            elif joint == "knee" and abs(limit) == pi:
                words = "knee fully folded"
            margins.append((abs(angle - limit), joint, words))
    margins.append((abs(_foot(leg, angles[1], angles[2])[1]), "abduction", "inside the hip offset"))
    least = min(margin for margin, _, _ in margins)
    holding = [(joint, words) for margin, joint, words in margins if margin <= least + _TOLERANCE]
    return holding[0][0], " and ".join(words for _, words in holding)
