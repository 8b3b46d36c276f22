"""How warm the twelve servos get: one temperature each, by the current that the model has for it. Nothing measures it.

A first-order model of the motor in its case (a lumped capacity; Incropera et al., Fundamentals of Heat and Mass
Transfer, section 5.1): C dT/dt = P − (T − T_ambient)/R. The heat is what the winding loses, P = I²·V/I_stall, since a
stalled brushed motor is a resistor, and what the electronics draw at rest. For a constant current the solution is
exact at any step: T' = T∞ + (T − T∞)·exp(−dt/τ) with τ = RC.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, inf, log

from quadleg.robot.model import Robot, ServoKind

AMBIENT = 30.0  # °C, a warm room (our own choice)
WARM, HOT, TOO_HOT = 60.0, 75.0, 90.0  # °C
# 90 °C leaves 15 K for the model's errors to 105 °C, the limit of the poorest winding insulation in use (class A of IEC
# 60085; unverified: look up the table). The other two are our own choice: what a finger does not stand, and half way.
UNKNOWN = WARM - 5.0  # °C at first: what the servos did before is not known, and this is soon forgotten

# By the power at stall of the data sheet (W): thermal resistance of motor and case to still air (K/W), and the time
# constant (s). Cases of 23 x 12 x 29 mm and 40 x 20 x 40 mm lose 10 W/(m²·K) by free convection and radiation: 39 and
# 16 K/W; half as much again from the winding to the case. Motors of 3.5 and 20 g at 450 J/(kg·K).
# unverified: hold a known torque for ten minutes with a thermocouple on the motor, then let it cool.
SMALL_CASE = (58.0, 90.0)
STANDARD_CASE = (23.0, 200.0)
SMALL_STALL_POWER = 6.0  # W; micro servos have 3 to 5 W, those of the 10 kg·cm class 15 W


def thermal_constants(kind: ServoKind) -> tuple[float, float]:
    """Thermal resistance in K/W and time constant in s: of the robot file, else by the size of its class."""
    small = kind.voltage * kind.stall_current < SMALL_STALL_POWER
    resistance, seconds = SMALL_CASE if small else STANDARD_CASE
    return kind.thermal_resistance or resistance, kind.thermal_time or seconds


class ServoHeat:
    """Temperatures of one robot's servos in °C, in the order of `JOINT_NAMES`; at first all are `start`."""

    def __init__(self, robot: Robot, ambient: float = AMBIENT, start: float = UNKNOWN) -> None:
        kinds = [joint.servo.kind for joint in robot.joints]
        self._constants = [thermal_constants(kind) for kind in kinds]
        self._windings = [kind.voltage / kind.stall_current for kind in kinds]  # Ω
        self._at_rest = [robot.supply.voltage * kind.idle_current for kind in kinds]  # W
        self._ambient = ambient
        self.temperatures: tuple[float, ...] = (start,) * len(kinds)

    def steady(self, currents: Sequence[float]) -> tuple[float, ...]:
        """Where the temperatures go in °C with constant currents (A); a servo that draws nothing goes to ambient."""
        return tuple(
            self._ambient + resistance * (current**2 * winding + at_rest) if current > 0.0 else self._ambient
            for current, winding, at_rest, (resistance, _) in zip(
                currents, self._windings, self._at_rest, self._constants
            )
        )

    def advance(self, currents: Sequence[float], seconds: float) -> None:
        """Go on by some time with constant currents (A)."""
        self.temperatures = tuple(
            end + (at - end) * exp(-seconds / time)
            for at, end, (_, time) in zip(self.temperatures, self.steady(currents), self._constants)
        )

    def seconds_to_heat(self, currents: Sequence[float], temperature: float) -> tuple[float, ...]:
        """How long each servo takes to come to a temperature with constant currents (A); infinity where it never does,
        0 where it is there.
        """
        return tuple(
            0.0 if at >= temperature else inf if end <= temperature else time * log((end - at) / (end - temperature))
            for at, end, (_, time) in zip(self.temperatures, self.steady(currents), self._constants)
        )

    def seconds_to_cool(self, joint: int, temperature: float) -> float:
        """How long a servo without power takes to come down to a temperature above ambient; 0 where it is there."""
        over = (self.temperatures[joint] - self._ambient) / (temperature - self._ambient)
        return max(0.0, self._constants[joint][1] * log(over)) if over > 0.0 else 0.0
