"""The estimate of a recording held against its truth, both seen from where the robot first stood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quadleg.analysis.state_history import StateHistory
from quadleg.geometry.arrays import AnyArray
from quadleg.geometry.rotation_arrays import quaternion_products, rpy_from_quaternions, small_rotations_between
from quadleg.recording.signals import Signal


@dataclass(frozen=True)
class EstimateTrack:
    """The estimate at n ticks and, where there is one, the truth, both seen from where the robot first stood.

    - `times` (n,) in s;
    - `estimated`, `true` (n, 3): the place along the ground in m and the heading in rad, in that beginning's frame;
    - `errors` (n, 6): estimated less true: ahead, aside, height in m; roll, pitch, heading in rad;
    - `deviations` (n, 6): the standard deviations of these errors, by the estimate itself.
    """

    times: NDArray[np.float64]
    estimated: AnyArray
    true: AnyArray | None
    errors: AnyArray | None
    deviations: AnyArray

    @classmethod
    def of(cls, found: Signal, true: Signal | None, states: StateHistory) -> EstimateTrack | None:
        """From odom and truth/odom; None without power throughout."""
        powered = states.powered(found.times)
        if not powered.any():
            return None
        stood = states.active(found.times)
        first = int(np.argmax(stood if stood.any() else powered))
        times, limp = found.times[first:], ~powered[first:]
        places, turns = _from_beginning(found["position"][first:], found["quaternion"][first:])
        deviations = _deviations(
            found["variance"][first:], found["xy"][first:], places, _yaw(found["quaternion"][first:])
        )
        track = _along_ground(places, turns)
        # A limp robot may be carried about, which the estimate does not follow.
        deviations[limp] = track[limp] = np.nan
        if true is None:
            return cls(times, track, None, None, deviations)
        nearest = np.clip(np.searchsorted(true.times, times), 0, len(true) - 1)
        true_places, true_turns = _from_beginning(true["position"][nearest], true["quaternion"][nearest])
        errors = np.hstack((places - true_places, small_rotations_between(turns, true_turns)))
        true_track = _along_ground(true_places, true_turns)
        errors[limp] = true_track[limp] = np.nan
        return cls(times, track, true_track, errors, deviations)


def _along_ground(places: AnyArray, quaternions: AnyArray) -> AnyArray:
    """(n, 3): x, y and the heading, which goes on beyond a whole turn."""
    return np.column_stack((places[:, :2], np.unwrap(rpy_from_quaternions(quaternions)[:, 2])))


def _yaw(quaternions: AnyArray) -> float:
    """The first heading in rad."""
    return float(rpy_from_quaternions(quaternions[:1])[0, 2])


def _from_beginning(places: AnyArray, quaternions: AnyArray) -> tuple[AnyArray, AnyArray]:
    """The same seen from the first place along the ground and the first heading; heights stay."""
    yaw = _yaw(quaternions)
    c, s = np.cos(yaw), np.sin(yaw)
    turn = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    back = np.array([[np.cos(yaw / 2), 0.0, 0.0, -np.sin(yaw / 2)]])
    return (places - places[0] * [1.0, 1.0, 0.0]) @ turn.T, quaternion_products(back, quaternions.astype(float))


def _deviations(variance: AnyArray, xy: AnyArray, places: AnyArray, yaw: float) -> AnyArray:
    """(n, 6): the standard deviations of what has come since the beginning, along and about its axes, from variances
    (n, 6) and covariances `xy` (n,) in the fixed frame, the places (n, 3), and the first heading.

    The errors of place and heading that it had at the beginning do not count, nor does what has come of that heading
    since, as in course_measures.py; of how place and heading go together at the beginning nothing is known, which
    matters little for a robot that stands.
    """
    c, s = np.cos(yaw), np.sin(yaw)
    variance, xy = variance.astype(float), xy.astype(float)
    since = variance.copy()
    since[:, 0] = c * c * variance[:, 0] + s * s * variance[:, 1] + 2 * s * c * xy
    since[:, 1] = s * s * variance[:, 0] + c * c * variance[:, 1] - 2 * s * c * xy
    begun = since[0].copy()
    since[:, 0] -= begun[0] + places[:, 1] ** 2 * begun[5]
    since[:, 1] -= begun[1] + places[:, 0] ** 2 * begun[5]
    since[:, 5] -= begun[5]
    return np.sqrt(np.maximum(since, 0.0))
