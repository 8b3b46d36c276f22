"""Ready figures of the kinds of servo that such robots have, until a person writes those of a data sheet.

Typical figures of each class: common practice, no source; all from memory.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ReadyKind:
    """A class of servos, `key` its name in a robot file, the rest in the units and names of that file.

    `voltages_v` are the lowest and the highest that such servos stand.
    """

    key: str
    words: str
    stall_torque_kg_cm: float
    seconds_per_60_deg: float
    at_voltage_v: float
    pulse_range_us: tuple[int, int]
    deadband_us: int
    idle_current_a: float
    stall_current_a: float
    voltages_v: tuple[float, float]


READY_KINDS = (
    ReadyKind("micro", "9 g micro servo, plastic gears", 1.6, 0.10, 4.8, (500, 2400), 10, 0.006, 0.7, (4.5, 6.0)),
    ReadyKind("ten_kg", "metal-gear hobby servo, 10 kg cm class", 10, 0.16, 6.0, (500, 2500), 5, 0.01, 2.5, (4.8, 6.8)),
    ReadyKind(
        "twenty_kg", "digital, metal gears, 20 kg cm class", 20, 0.15, 6.8, (500, 2500), 3, 0.01, 3.0, (4.8, 7.4)
    ),
    ReadyKind(
        "thirty_kg", "digital, metal gears, 25 to 30 kg cm class", 25, 0.14, 6.8, (500, 2500), 3, 0.01, 3.5, (4.8, 7.4)
    ),
    ReadyKind(
        "high_voltage", "digital, high voltage, 35 kg cm class", 35, 0.13, 7.4, (500, 2500), 3, 0.02, 5.0, (5.0, 8.4)
    ),
)
