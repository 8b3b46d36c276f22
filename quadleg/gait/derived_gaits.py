"""Default gaits, scaled to each robot, and the test of whether a gait can carry a robot.

Robots of different size walk alike where their speeds have the same Froude number v² / (g h): lengths then scale with
the height h of the hips, times with √(h / g), and duty factors and phases are the same (the hypothesis of dynamic
similarity: Alexander, The International Journal of Robotics Research 3(2) (1984) 49; Physiological Reviews 69 (1989)
1199, section III). So a gait's period is a multiple of √(h / g), its clearance and margin are shares of the leg. A
trot tips over its diagonal while it stands on two feet, by e^(t √(g / h)) in the time t, and comes to rest while it
stands on four: both times are shares of √(h / g) too. Where the servos are too slow to lift a foot so high in that
time, the period is longer, up to a bound; beyond it the foot is lifted less, down to a bound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Any

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.robot.model import LEGS, GaitParameters

Phases = tuple[float, float, float, float]

CREEP = "creep"
_DIAGONALS = ({LEGS[0], LEGS[3]}, {LEGS[1], LEGS[2]})
_ROUNDING = 1e-9  # of a stride: one foot may land just when another lifts off


def wave_phases(duty_factor: float) -> Phases:
    """Touch-down of a creeping walk in lateral sequence: a front foot lands 1 − β after the hind foot of its side.

    McGhee & Frank, Mathematical Biosciences 3 (1968) 331; Song & Waldron, Machines That Walk (1989), wave gaits.
    """
    return 0.0, 0.5, duty_factor, duty_factor - 0.5


# Shares of the straight leg, hip axis to foot centre (our own choice, by walks in physics of robots of all sizes): what
# a foot is lifted, at the least where servos are slow, and the margin of a sway.
CLEARANCE_SHARE, LEAST_CLEARANCE_SHARE = 0.1, 0.05
MARGIN_SHARE = 0.025
LONGER = 1.25  # times the similar period: the longest for slow servos, before a foot is lifted less (our own choice)
# The most that a joint turns when a foot is lifted by CLEARANCE_SHARE and set down, as its fastest rate times the time
# in the air, in rad: 0.80 to 0.83 of robots of all sizes and knees, standing at three quarters of the straight leg.
# It follows from RAMP, _TURN_START and _NEAR_GROUND_SPEED of swing.py; test/test_derived_gaits.py measures it
# (test_a_foot_is_lifted_with_the_turn_that_the_rule_has).
LIFT_TURN = 0.82
LIFT_SPEED_SHARE = 0.5  # of the no-load speed, for lifting a foot; the rest is for moving it forward (our own choice)


@dataclass(frozen=True)
class GaitPattern:
    """A default gait, the same for robots of all sizes; `period` is in √(hip height / g)."""

    name: str
    duty_factor: float
    phases: Phases
    period: float
    sways: bool


# The creep keeps three feet down, and a twentieth of a stride between one landing and the next lift-off; the trot's
# diagonals overlap by an eighth of a stride. Periods and overlap: those that keep most of the speed asked for on the
# demo robot and a smaller one in the worlds of the calibrated spread, then checked on others (docs/spread.md).
PATTERNS = (
    GaitPattern(CREEP, 0.8, wave_phases(0.8), 12.9, sways=True),
    GaitPattern("trot", 0.62, (0.0, 0.5, 0.5, 0.0), 5.66, sways=False),
)
DEFAULT_GAITS = tuple(pattern.name for pattern in PATTERNS)


def derived_gaits(straight_leg: float, hip_height: float, no_load_speed: float) -> tuple[GaitParameters, ...]:
    """Return the default gaits for a straight leg and a standing hip height (m), and the slowest servo (rad/s)."""
    return tuple(_derived(pattern, straight_leg, hip_height, no_load_speed) for pattern in PATTERNS)


def _derived(pattern: GaitPattern, straight_leg: float, hip_height: float, no_load_speed: float) -> GaitParameters:
    similar = pattern.period * sqrt(hip_height / STANDARD_GRAVITY)
    # The period in which the servos lift a foot by its full clearance.
    lifting = LIFT_TURN / (LIFT_SPEED_SHARE * no_load_speed * (1.0 - pattern.duty_factor))
    lifted = min(max(LONGER * similar / lifting, LEAST_CLEARANCE_SHARE / CLEARANCE_SHARE), 1.0)
    return GaitParameters(
        name=pattern.name,
        duty_factor=pattern.duty_factor,
        phases=pattern.phases,
        stride_period=round(max(similar, lifted * lifting), 2),
        foot_clearance=round(lifted * CLEARANCE_SHARE * straight_leg, 4),
        margin=round(MARGIN_SHARE * straight_leg, 4) if pattern.sways else None,
    )


# Keys that a gait needs in the robot file if it is no default gait.
NEEDED = ("duty_factor", "phases", "stride_period_s", "foot_clearance_mm")


def gait_figures(name: str, keys: dict[str, Any]) -> tuple[float, Phases, bool]:
    """Return duty factor, phases and whether the body sways, for a gait with these keys in the robot file."""
    default = next((pattern for pattern in PATTERNS if pattern.name == name), None)
    duty_factor = keys["duty_factor"] if default is None else keys.get("duty_factor", default.duty_factor)
    if "phases" in keys:
        front_left, front_right, rear_left, rear_right = keys["phases"]
        phases = front_left, front_right, rear_left, rear_right
    else:
        assert default
        phases = wave_phases(duty_factor) if name == CREEP else default.phases
    sways = "margin_mm" in keys or (default is not None and default.sways)
    return float(duty_factor), phases, sways


def in_air_together(duty_factor: float, phases: Sequence[float]) -> list[tuple[float, set[str]]]:
    """Return, for each lift-off, its phase and the legs that are in the air just after it."""
    moments = []
    for own in phases:
        phase = (own + duty_factor) % 1.0
        since = ((phase - other + 2 * _ROUNDING) % 1.0 for other in phases)
        moments.append((phase, {leg for leg, passed in zip(LEGS, since) if passed > duty_factor + _ROUNDING}))
    return moments


def gait_fault(duty_factor: float, phases: Sequence[float], sways: bool) -> str | None:
    """Return why a robot would fall in a gait, in words; None if the feet can carry it."""
    for phase, legs in sorted(in_air_together(duty_factor, phases), key=lambda moment: moment[0]):
        together = " and ".join(sorted(legs, key=LEGS.index))
        if len(legs) > 1 and sways:
            return (
                f"{together} are in the air together at {phase:.2f} of the stride, and margin_mm needs three feet down"
            )
        if len(legs) > 1 and legs not in _DIAGONALS:
            return (
                f"{together} are in the air together at {phase:.2f} of the stride: only one foot may be, or two across"
            )
    return None
