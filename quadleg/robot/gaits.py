"""The gaits that every robot has, and what no gait may do."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from quadleg.robot.model import LEGS, Gait

Phases = tuple[float, float, float, float]

CREEP = "creep"
_DIAGONALS = ({LEGS[0], LEGS[3]}, {LEGS[1], LEGS[2]})
_ROUNDING = 1e-9  # of a stride: one foot may land just when another lifts off


def wave_phases(duty_factor: float) -> Phases:
    """Touch-down of a creeping walk in lateral sequence: a front foot lands 1 − β after the hind foot of its side.

    McGhee & Frank, Mathematical Biosciences 3 (1968) 331; Song & Waldron, Machines That Walk (1989), wave gaits.
    """
    return 0.0, 0.5, duty_factor, duty_factor - 0.5


# Periods, clearances and the margin are our own choices for robots of this size. A trot has two diagonal feet on the
# ground in turn.
GAITS = (
    Gait(CREEP, 0.8, wave_phases(0.8), stride_period=1.6, foot_clearance=0.02, margin=0.005),
    Gait("trot", 0.55, (0.0, 0.5, 0.5, 0.0), stride_period=0.56, foot_clearance=0.02, margin=None),
)


# What a gait of the robot file's own has to have.
NEEDED = ("duty_factor", "phases", "stride_period_s", "foot_clearance_mm")


def gait_figures(name: str, keys: dict[str, Any]) -> tuple[float, Phases, bool]:
    """Duty factor, phases and whether the body sways, of a gait with these keys in the robot file."""
    usual = next((gait for gait in GAITS if gait.name == name), None)
    duty_factor = keys["duty_factor"] if usual is None else keys.get("duty_factor", usual.duty_factor)
    if "phases" in keys:
        front_left, front_right, rear_left, rear_right = keys["phases"]
        phases = front_left, front_right, rear_left, rear_right
    else:
        assert usual
        phases = wave_phases(duty_factor) if name == CREEP else usual.phases
    sways = "margin_mm" in keys or (usual is not None and usual.margin is not None)
    return float(duty_factor), phases, sways


def in_air_together(duty_factor: float, phases: Sequence[float]) -> list[tuple[float, set[str]]]:
    """At each lift-off, its phase and the legs that are in the air from there on for a while."""
    moments = []
    for own in phases:
        phase = (own + duty_factor) % 1.0
        since = ((phase - other + 2 * _ROUNDING) % 1.0 for other in phases)
        moments.append((phase, {leg for leg, passed in zip(LEGS, since) if passed > duty_factor + _ROUNDING}))
    return moments


def gait_fault(duty_factor: float, phases: Sequence[float], sways: bool) -> str | None:
    """Why a robot would fall in a gait, in words; None where the feet can carry it."""
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
