"""What gait says of its limits on `walking_limits`, and the velocity that a share of them is."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Any

from ruamel.yaml.error import YAMLError

from quadleg.errors import MessageError
from quadleg.gait.velocity_selection import WalkDirection, ways_left_out
from quadleg.geometry.planar import Planar
from quadleg.robot_file.plain_yaml import MOST_BYTES, plain_yaml


@dataclass(frozen=True)
class VelocityScale:
    """The gait, all gaits to choose from, and the fastest velocities: m/s forward, m/s to the left, rad/s left."""

    gait: str
    gaits: tuple[str, ...]
    ahead: Planar
    behind: Planar  # the other ways, all negative

    @staticmethod
    def of(text: str) -> VelocityScale:
        """Reads the YAML of `walking_limits`; raises MessageError."""
        said = _limits(text)
        try:
            gaits = tuple(map(str, said["gaits"]))
            ahead, behind = _three(said["max_velocity"]), _three(said["min_velocity"])
            gait = str(said["gait"])
        except (KeyError, TypeError, ValueError) as error:
            raise _unreadable(error) from None
        if gait not in gaits or min(ahead) < 0 or max(behind) > 0:
            raise MessageError(
                f"walking_limits says gait {gait} of {gaits}, {behind} to {ahead}; the gait must be one of them, and "
                f"every velocity be able to be 0"
            )
        return VelocityScale(gait, gaits, ahead, behind)

    def velocity(self, shares: Planar) -> Planar:
        """The velocity (m/s, m/s, rad/s) of shares of the limits from -1 to 1."""
        x, y, yaw = (
            share * ahead if share > 0 else -share * behind
            for share, ahead, behind in zip(shares, self.ahead, self.behind)
        )
        return x, y, yaw

    def left_out(self, shares: Planar) -> tuple[WalkDirection, ...]:
        """The ways wanted by shares of the limits in which the limit is zero."""
        return ways_left_out(shares, self.velocity(shares))

    def beside(self, gait: str, step: int) -> str:
        """The gait so many places on from another, around the end."""
        at = self.gaits.index(gait) if gait in self.gaits else 0
        return self.gaits[(at + step) % len(self.gaits)]


def gait_in_use(text: str) -> str:
    """The gait that the YAML of `walking_limits` names; raises MessageError."""
    try:
        return str(_limits(text)["gait"])
    except (KeyError, TypeError) as error:
        raise _unreadable(error) from None


def _limits(text: str) -> dict[str, Any]:
    if len(text) > MOST_BYTES:
        raise MessageError(f"walking_limits has {len(text)} characters; it must be YAML with four keys")
    try:
        said: dict[str, Any] = plain_yaml().load(text)
    except (YAMLError, KeyError, TypeError, ValueError) as error:
        raise _unreadable(error) from None
    return said


def _unreadable(error: Exception) -> MessageError:
    return MessageError(
        f"walking_limits cannot be read ({type(error).__name__}: {error}); it must be YAML with gait, gaits, "
        f"max_velocity and min_velocity"
    )


def _three(values: Any) -> Planar:
    x, y, yaw = map(float, values)
    if not all(map(isfinite, (x, y, yaw))):
        raise ValueError(f"{values} is not finite")
    return x, y, yaw
