"""Readings of the servos' supply: mean and peak, and whether the pose explains them (dynamics/supply_current.py)."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf, isfinite, radians

from quadleg.robot.model import JOINT_NAMES, Angles, Robot

# A servo so far from where it was sent that does not move is stalled; under load it is some 2.5° off at most.
STALLED_ERROR, STALLED_RATE = radians(5), 0.1  # rad, rad/s

# A current is not explained that is all the time larger than 1.5 times the model's and half a stalled servo's (our own
# choice): walks in physics draw at most 1.25 times the model's in the mean.
UNEXPLAINED_SHARE, UNEXPLAINED_STALLS = 1.5, 0.5
UNEXPLAINED_TIME = 1.0  # s
NAMED = 3  # joints of the most load


class Meter:
    """Mean and peak of the current since the servos last got power; NaN before."""

    def __init__(self) -> None:
        self._powered = False
        self._charge = self._time = 0.0
        self._last: tuple[float, float] | None = None
        self.peak = self.mean = float("nan")

    def take(self, current: float, powered: bool, now: float) -> None:
        """A reading (A) at `now` s; one that is not finite leaves a gap."""
        if powered and not self._powered:
            self._charge = self._time = 0.0
            self._last, self.peak, self.mean = None, float("nan"), float("nan")
        self._powered = powered
        if not powered or not isfinite(current):
            self._last = None
            return
        self.peak = current if not isfinite(self.peak) else max(self.peak, current)
        if self._last:
            before, at = self._last
            self._charge += (now - at) * (before + current) / 2
            self._time += now - at
        self._last = current, now
        self.mean = self._charge / self._time if self._time else current


class Explanation:
    """Judges whether the pose explains a measured current; `words` says what is wrong, empty where nothing is."""

    def __init__(self, robot: Robot) -> None:
        self._more = UNEXPLAINED_STALLS * max(joint.servo.kind.stall_current for joint in robot.joints)
        self._since = inf
        self.words = ""

    def take(self, measured: float, modelled: Sequence[float], stalled: Sequence[str] | None, now: float) -> None:
        """A measured current (A) and what the model says of each joint.

        `stalled` are the joints that do not come where they were sent, None where joint angles are not measured: then
        no servo can be named, only those that the pose loads most.
        """
        explained = sum(modelled)
        if not measured > UNEXPLAINED_SHARE * explained + self._more:
            self._since, self.words = inf, ""
            return
        self._since = min(self._since, now)
        if now - self._since < UNEXPLAINED_TIME:
            return
        said = f"supply gives {measured:.1f} A, more current than the pose explains ({explained:.1f} A)"
        if stalled:
            self.words = f"{said}; stalled: {', '.join(stalled)}"
        else:
            most = sorted(zip(modelled, JOINT_NAMES), reverse=True)[:NAMED]
            self.words = f"{said}; most loaded: {', '.join(name for _, name in most)}"


def stalled_joints(commanded: Angles, measured: Angles, rates: Sequence[float], powered: Sequence[bool]) -> list[str]:
    """The names of the joints that hold still (rad/s) far from where they were sent (rad)."""
    return [
        name
        for name, wanted, at, rate, on in zip(JOINT_NAMES, commanded, measured, rates, powered)
        if on and abs(wanted - at) > STALLED_ERROR and abs(rate) < STALLED_RATE
    ]
