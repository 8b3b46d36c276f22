"""Which velocity is asked for: teleop's while it is fresh, else the stack's, else none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from math import inf, isfinite

from quadleg.errors import TargetError
from quadleg.gait.walk_obstacles import Obstacle
from quadleg.geometry.planar import ZERO_TWIST, Planar
from quadleg.topic_table import COMMAND_FRESH

LEAST_SCALE = 0.995  # of the velocity asked for: what is less counts as scaled
REFUSAL_TIME = 2.0  # s that a refusal is said after the last of its kind
SOURCES = ("teleop/cmd_vel", "cmd_vel")  # the first that is fresh wins


class WalkDirection(str, Enum):
    """A way to walk, along one axis; stable values for programs."""

    FORWARD = "forward"
    BACKWARD = "backward"
    LEFT = "left"
    RIGHT = "right"
    TURN_LEFT = "turn_left"
    TURN_RIGHT = "turn_right"


WAYS = (
    (WalkDirection.FORWARD, WalkDirection.BACKWARD),
    (WalkDirection.LEFT, WalkDirection.RIGHT),
    (WalkDirection.TURN_LEFT, WalkDirection.TURN_RIGHT),
)
_WAY_WORDS = {
    WalkDirection.FORWARD: "walk forward",
    WalkDirection.BACKWARD: "walk backward",
    WalkDirection.LEFT: "walk to the left",
    WalkDirection.RIGHT: "walk to the right",
    WalkDirection.TURN_LEFT: "turn left",
    WalkDirection.TURN_RIGHT: "turn right",
}


@dataclass(frozen=True)
class VelocityCommand:
    """A velocity (m/s forward, m/s to the left, rad/s to the left), the topic that it came on, empty where none is
    heard, and its message's stamp in ns, 0 where it has none.
    """

    twist: Planar = ZERO_TWIST
    source: str = ""
    stamp: int = 0


class VelocityCommands:
    """The last velocity from each of `SOURCES`; times are those of a steady clock in s.

    `refusal` is why the last velocity was refused, None where it was not. `type_trouble` is that a type of message is
    published that is not heard, empty where none is.
    """

    def __init__(self) -> None:
        self._heard: dict[str, tuple[VelocityCommand, float]] = {}
        self.refusal: str | None = None
        self._refused_at = -inf
        self.type_trouble = ""

    def take(self, source: str, twist: Planar, now: float, stamp: int = 0) -> None:
        """Takes a velocity. Raises TargetError where a number is not finite; that source then asks for no velocity."""
        sound = all(map(isfinite, twist))
        self._heard[source] = VelocityCommand(twist if sound else ZERO_TWIST, source, stamp), now
        if not sound:
            raise TargetError(f"{source} is {twist}, not finite; it must be three numbers in m/s, m/s and rad/s")
        self.refusal = None

    def refuse(self, why: object, now: float) -> str:
        """Note that a velocity makes no sense; the sentence that says so."""
        self.refusal, self._refused_at = f"velocity refused: {why}", now
        return self.refusal

    def unclear(self, now: float, source: str, publishers: int) -> tuple[Obstacle, str] | None:
        """Why a velocity that is published does not count, or not alone, with so many `publishers` of the `source` that
        counts."""
        if self.refusal and now - self._refused_at < REFUSAL_TIME:
            return Obstacle.VELOCITY_REFUSED, self.refusal
        if self.type_trouble:
            return Obstacle.UNHEARD_TYPE, self.type_trouble
        if source and publishers > 1:
            several = f"more than one publisher of {source}: the newest message counts, so that they block each other"
            return Obstacle.SEVERAL_PUBLISHERS, several
        return None

    def wanted(self, now: float) -> VelocityCommand:
        """The velocity that counts now; none where all sources are silent."""
        for source in SOURCES:
            command, heard = self._heard.get(source, (VelocityCommand(), -inf))
            if now - heard <= COMMAND_FRESH:
                return command
        return VelocityCommand()

    def forget(self) -> None:
        """Nobody asks any more."""
        self._heard.clear()


def velocity_in_words(twist: Planar) -> str:
    """A body velocity (m/s, m/s, rad/s); what is nothing is left out."""
    ways = (("m/s forward", "m/s backward"), ("m/s to the left", "m/s to the right"), ("rad/s left", "rad/s right"))
    parts = [f"{abs(value):.3f} {way[value < 0]}" for value, way in zip(twist, ways) if abs(value) >= 0.0005]
    return ", ".join(parts) or "on the spot"


def ways_left_out(asked: Planar, possible: Planar) -> tuple[WalkDirection, ...]:
    """The ways that are asked for and of which nothing is possible; positive: forward, left, turning left."""
    return tuple(ways[want < 0] for ways, want, can in zip(WAYS, asked, possible) if want and not can)


def cannot_in_words(ways: Sequence[WalkDirection], gait: str) -> str:
    """That a robot cannot walk these ways in a gait; empty without any."""
    if not ways:
        return ""
    cannot = " or ".join(_WAY_WORDS[way] for way in ways)
    return f"this robot cannot {cannot} in the gait {gait}: its limit there is zero"
