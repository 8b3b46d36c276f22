"""Ready figures of the kinds of servo that such robots have, until a person writes those of a data sheet.

Typical figures of each class: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import pi

from quadleg.dynamics.gravity import KG_CM

OWN = "own"  # the key of a kind whose figures a person gave

# Electrical power at stall over stall torque times no-load speed: that of the classes below is 1.3 to 2.3.
_STALL_POWER = 2.0
# Of a data sheet's voltage, what servos stand as a rule (common practice, no source).
_LEAST_SHARE, _MOST_SHARE = 0.75, 1.2


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

    @property
    def data_sheet(self) -> dict[str, object]:
        """The figures by their keys in a robot file."""
        others = ("key", "words", "voltages_v")
        return {field.name: getattr(self, field.name) for field in fields(self) if field.name not in others}

    @property
    def figures(self) -> str:
        """Torque and speed in one line."""
        return f"{self.stall_torque_kg_cm:g} kg-cm, {self.seconds_per_60_deg:g} s/60deg at {self.at_voltage_v:g} V"


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


def own_kind(torque_kg_cm: float, seconds_per_60_deg: float, volts: float, stall_current_a: float) -> ReadyKind:
    """A kind by the figures of a data sheet; what data sheets rarely say is usual for hobby servos."""
    voltages = round(_LEAST_SHARE * volts, 2), round(_MOST_SHARE * volts, 2)
    figures = torque_kg_cm, seconds_per_60_deg, volts, (500, 2500), 5, 0.01, stall_current_a
    return ReadyKind(OWN, "servos by their own figures", *figures, voltages)


def usual_stall_current(torque_kg_cm: float, seconds_per_60_deg: float, volts: float) -> float:
    """In A, by the power of a servo of such torque and speed."""
    speed = pi / 3 / seconds_per_60_deg
    return round(_STALL_POWER * torque_kg_cm * KG_CM * speed / volts, 1)
