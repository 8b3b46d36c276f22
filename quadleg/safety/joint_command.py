"""A joint command as it goes to the servos: twelve angles, and which of the joints are powered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

from quadleg.errors import TargetError
from quadleg.robot.model import JOINT_NAMES

ALL = (True,) * len(JOINT_NAMES)
NONE = (False,) * len(JOINT_NAMES)

_INDEX = {name: i for i, name in enumerate(JOINT_NAMES)}


@dataclass(frozen=True)
class Command:
    """What goes to the servos: twelve angles in rad, and which joints are powered."""

    angles: tuple[float, ...]
    powered: tuple[bool, ...]


def command_of(names: Sequence[str], points: Sequence[Sequence[float]], unnamed: Sequence[float]) -> Command:
    """The command that a trajectory of one point says: a joint named is powered, a joint not named is limp.

    `unnamed` gives the angles (rad) kept for joints not named. Raises TargetError for unknown or repeated
    names, another number of positions than names, or a position that is not finite.
    """
    positions = points[0] if len(points) == 1 else ()
    if len(points) > 1 or len(names) != len(positions):
        raise TargetError(
            f"a joint command has {len(names)} names, {len(points)} points and {len(positions)} positions; "
            f"it must have one point with one position a name"
        )
    angles, powered = list(unnamed), [False] * len(JOINT_NAMES)
    for name, position in zip(names, positions):
        i = _INDEX.get(name)
        if i is None:
            raise TargetError(f"unknown joint '{name}'; a joint is named <leg>_<joint>, as in {JOINT_NAMES[0]}")
        if powered[i]:
            raise TargetError(f"joint {name} is named twice; once is right")
        if not isfinite(position):
            raise TargetError(f"{name} is {position}; an angle must be a finite number of radians")
        angles[i], powered[i] = position, True
    return Command(tuple(angles), tuple(powered))
