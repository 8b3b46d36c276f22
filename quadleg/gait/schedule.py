"""Who is on the ground when: a stride as a duty factor and four phases of touch-down.

Phases and duty factor are shares of the stride, as in Hildebrand, Science 150 (1965) 701: a foot lands at
its phase, stays down for the duty factor, and is in the air for the rest.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quadleg.geometry.arrays import Array
from quadleg.robot.model import GaitParameters

_ROUNDING = 1e-9  # of a stride: rounding when one foot lands just as the next lifts off


def since_landing(gait: GaitParameters, leg: int, phase: float) -> float:
    """Return the share of a stride since the foot landed, 0 to 1; below the duty factor it is on the ground."""
    return (phase - gait.phases[leg] + _ROUNDING) % 1.0


def lift_off(gait: GaitParameters, leg: int) -> float:
    """The phase at which the foot leaves the ground."""
    return (gait.phases[leg] + gait.duty_factor) % 1.0


def first_lift_off(gait: GaitParameters) -> float:
    """Return the phase to start at from a square stance: the lift-off after the longest time with all feet down."""
    before = {phase: all_down_before(gait, phase) for phase in (lift_off(gait, leg) for leg in range(4))}
    return max(before, key=lambda phase: before[phase])


def all_down_before(gait: GaitParameters, phase: float) -> float:
    """The share of a stride for which all four feet are on the ground before a lift-off."""
    return min((phase - landing + _ROUNDING) % 1.0 for landing in gait.phases)


def stride_samples(gait: GaitParameters, count: int) -> tuple[Array, NDArray[np.bool_]]:
    """`since_landing` (count, 4) at evenly spaced phases of a stride, and whether the foot is in the air (count, 4)."""
    phases = np.arange(count)[:, None] / count
    since = (phases - np.array(gait.phases) + _ROUNDING) % 1.0
    return since, since >= gait.duty_factor
