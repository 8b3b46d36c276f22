"""Assembly of frames: four legs' joint targets with one stamp make one frame of twelve angles."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import permutations
from math import isfinite

from quadleg.errors import TargetError
from quadleg.robot.model import JOINT_NAMES, JOINTS, LEGS

REMEMBERED = 0.5  # s for which the stamp of a frame is remembered after it was sent or dropped

# The leg that three names are the joints of, and where each of its angles is among theirs.
_LEG_OF = {
    tuple(f"{leg}_{JOINTS[joint]}" for joint in order): (leg, [order.index(joint) for joint in range(len(JOINTS))])
    for leg in LEGS
    for order in permutations(range(len(JOINTS)))
}


def leg_of_targets(names: Sequence[str], points: Sequence[Sequence[float]]) -> tuple[str, tuple[float, ...]]:
    """The leg that a joint target is for, and its three angles in the order of `JOINTS` (rad).

    `names` are the joints in any order, `points` the positions of each trajectory point. Raises
    TargetError unless there is one point with one finite angle for each joint of exactly one leg.
    """
    if len(points) != 1:
        raise TargetError(f"a joint target has {len(points)} points; it must have one")
    positions = points[0]
    if len(names) != 3 or len(positions) != 3:
        raise TargetError(
            f"a joint target has {len(names)} names and {len(positions)} positions; three of each are right"
        )
    if (found := _LEG_OF.get(tuple(names))) is None:
        unknown = next((name for name in names if name not in JOINT_NAMES), None)
        if unknown is not None:
            raise TargetError(f"unknown joint '{unknown}'; a joint is named <leg>_<joint>, as in {JOINT_NAMES[0]}")
        raise TargetError(f"joints {', '.join(names)} are not the {', '.join(JOINTS)} of one leg")
    leg, (abduction, hip, knee) = found
    for name, position in zip(names, positions):
        if not isfinite(position):
            raise TargetError(f"{name} is {position}; an angle must be a finite number of radians")
    return leg, (positions[abduction], positions[hip], positions[knee])


class FrameAssembly:
    """Collects the legs' targets by their stamp.

    A frame whose four legs are not there one `period` (s) after the first is dropped and counted. What
    comes for a frame that is over, sent or dropped, is counted as late and begins nothing. Stamps only
    name frames: one that goes back is a new sequence and no fault. Times are those of a steady clock.
    """

    def __init__(self, period: float) -> None:
        self._period = period
        self._open: dict[int, tuple[float, dict[str, tuple[float, ...]]]] = {}
        self._over: dict[int, float] = {}
        self.dropped = 0
        self.late = 0

    def add(self, stamp: int, leg: str, angles: tuple[float, ...], now: float) -> tuple[float, ...] | None:
        """Take one leg's angles; return the twelve angles if the frame of that stamp is complete, else None."""
        begun, legs = self._open.get(stamp, (now, {}))
        if stamp in self._over or now - begun > self._period:
            self.late += 1
            return None
        legs[leg] = angles
        if len(legs) < len(LEGS):
            self._open[stamp] = begun, legs
            return None
        del self._open[stamp]
        self._over[stamp] = now
        return tuple(angle for name in LEGS for angle in legs[name])

    def expire(self, now: float) -> list[str]:
        """Drop frames that waited longer than a period; return the legs that were missing, each once."""
        missing: dict[str, None] = {}
        for stamp, (begun, legs) in list(self._open.items()):
            if now - begun <= self._period:
                break
            del self._open[stamp]
            self.dropped += 1
            self._over[stamp] = now
            missing.update(dict.fromkeys(name for name in LEGS if name not in legs))
        for stamp, since in list(self._over.items()):
            if now - since <= REMEMBERED:
                break
            del self._over[stamp]
        return list(missing)
