"""Which velocity is asked for: teleop's while it is fresh, else the stack's, else none."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from math import inf, isfinite

from quadleg.errors import TargetError
from quadleg.gait.walk_obstacles import Obstacle
from quadleg.geometry.planar import ZERO_TWIST, Planar
from quadleg.health import CodedFact
from quadleg.topic_table import COMMAND_FRESH

LEAST_SCALE = 0.995  # of the velocity asked for: below it the velocity counts as scaled
REFUSAL_TIME = 2.0  # s for which a refusal is reported after the last one of its kind
SOURCES = ("teleop/cmd_vel", "cmd_vel")  # the first that is fresh wins


class WalkDirection(str, Enum):
    """A direction along one axis; stable values for programs."""

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


@dataclass(frozen=True)
class VelocityCommand:
    """A velocity (m/s forward, m/s to the left, rad/s to the left), the topic that it came on (empty if none is
    heard), and its message's stamp in ns (0 if it has none).
    """

    twist: Planar = ZERO_TWIST
    source: str = ""
    stamp: int = 0


class VelocityCommands:
    """The last velocity from each of `SOURCES`; times are those of a steady clock in s.

    `refusal` is why the last velocity was refused, None if it was not. `type_trouble` is set while the
    topic is published with a type that gait does not subscribe to.
    """

    def __init__(self) -> None:
        self._heard: dict[str, tuple[VelocityCommand, float]] = {}
        self.refusal: CodedFact | None = None
        self._refused_at = -inf
        self.type_trouble: CodedFact | None = None

    def take(self, source: str, twist: Planar, now: float, stamp: int = 0) -> None:
        """Take a velocity. Raises TargetError if a number is not finite; that source then asks for zero velocity."""
        sound = all(map(isfinite, twist))
        self._heard[source] = VelocityCommand(twist if sound else ZERO_TWIST, source, stamp), now
        if not sound:
            raise TargetError(f"{source} is {twist}, not finite; it must be three numbers in m/s, m/s and rad/s")
        self.refusal = None

    def refuse(self, why: object, now: float) -> CodedFact:
        """Record a refused velocity, and return the refusal."""
        refusal = CodedFact.of(Obstacle.VELOCITY_REFUSED, detail=why)
        self.refusal, self._refused_at = refusal, now
        return refusal

    def unclear(self, now: float, source: str, publishers: int) -> CodedFact | None:
        """Return why the published velocity is ignored or contested, else None; `publishers` of the active `source`."""
        if self.refusal and now - self._refused_at < REFUSAL_TIME:
            return self.refusal
        if self.type_trouble:
            return self.type_trouble
        if source and publishers > 1:
            return CodedFact.of(Obstacle.SEVERAL_PUBLISHERS, topic=source)
        return None

    def wanted(self, now: float) -> VelocityCommand:
        """Return the velocity to follow now; zero if all sources are silent."""
        for source in SOURCES:
            command, heard = self._heard.get(source, (VelocityCommand(), -inf))
            if now - heard <= COMMAND_FRESH:
                return command
        return VelocityCommand()


def ways_left_out(asked: Planar, possible: Planar) -> tuple[WalkDirection, ...]:
    """Return the directions that are asked for and impossible; positive: forward, left, turning left."""
    return tuple(ways[want < 0] for ways, want, can in zip(WAYS, asked, possible) if want and not can)
