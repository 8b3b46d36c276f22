"""What `quadleg new` is told of a robot: lengths by the letters of its drawings, servos, supply and board."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor

from quadleg.commissioning.wizard.servo_classes import ReadyKind

CLEARANCE_MM = 5


@dataclass(frozen=True)
class Measures:
    """The lengths of the drawing in mm, and where the knees point: `rearward` or `forward`, front and rear legs."""

    along: float = 200
    across: float = 100
    offset: float = 40
    upper: float = 90
    lower: float = 105
    foot_radius: float = 8
    length: float = 180
    width: float = 84
    height: float = 60
    belly: float = 40
    front_knee: str = "rearward"
    rear_knee: str = "rearward"

    @property
    def straight(self) -> float:
        """From the hip axis to the foot's centre with the knee straight."""
        return self.upper + self.lower

    @property
    def plane(self) -> float:
        """From the middle of the robot to the plane in which a leg's links move."""
        return self.across / 2 + self.offset

    @property
    def centre(self) -> float:
        """How high the middle of the body's box is over the hip axes."""
        return round(self.height / 2 - self.belly, 2)

    @property
    def link_radius(self) -> float:
        """A tenth of the shorter link, in which it fits as a rule, if there is room for so much beside the body."""
        return floor(max(3.0, min(15.0, 0.1 * min(self.upper, self.lower), self.plane / 3)))

    @property
    def widest(self) -> float:
        """The widest body that the legs pass."""
        return floor(2 * (self.plane - max(self.link_radius, self.foot_radius) - CLEARANCE_MM))


@dataclass(frozen=True)
class Poses:
    """Heights of the hip axes at rest and standing, and how far out the feet are, all in mm."""

    resting: int
    standing: int
    out_along: int
    out_across: int


@dataclass(frozen=True)
class Electrics:
    """Servos, supply, and the kind of board with its location (see `BoardLocation`)."""

    kind: ReadyKind
    voltage_v: float
    current_a: float
    board: str
    location: str = ""


def usual_limits_deg(knee: str) -> tuple[tuple[int, int], tuple[int, int], tuple[int, int]]:
    """Limits of abduction (as on the left), hip and knee: 180° servos have some degrees left at each end."""
    if knee == "rearward":
        return (-30, 45), (-40, 130), (-160, -5)
    return (-30, 45), (-130, 40), (5, 160)
