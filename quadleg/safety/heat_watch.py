"""Whether a servo gets too hot, by the model of dynamics/servo_heat.py: what the watchdog says and does about it."""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum

from quadleg.dynamics.servo_heat import HOT, TOO_HOT, WARM, ServoHeat
from quadleg.dynamics.supply_current import SupplyCurrentModel
from quadleg.robot.model import JOINT_NAMES, Angles, Robot

LOOK_PERIOD = 0.93  # s between looks at the currents; no simple share of a stride, so that all of its phases count


class HeatLevel(str, Enum):
    """How hot the hottest servo is: `warm` is said, `hot` asks for rest, `too_hot` is a stop of category 1."""

    COOL = "cool"
    WARM = "warm"
    HOT = "hot"
    TOO_HOT = "too_hot"


class HeatWatch:
    """The servos' temperatures by the commands that they get. Times are those of a steady clock, in s."""

    def __init__(self, robot: Robot, now: float) -> None:
        self._currents = SupplyCurrentModel(robot)
        self._heat = ServoHeat(robot)
        self._looked = self._last = now
        self._angles: Angles | None = None

    @property
    def temperatures(self) -> tuple[float, ...]:
        """Those of the joints in °C, in the order of `JOINT_NAMES`."""
        return self._heat.temperatures

    @property
    def hottest(self) -> int:
        """The index of the hottest joint."""
        temperatures = self._heat.temperatures
        return max(range(len(temperatures)), key=temperatures.__getitem__)

    @property
    def temperature(self) -> float:
        """That of the hottest joint, in °C."""
        return max(self._heat.temperatures)

    @property
    def level(self) -> HeatLevel:
        """How hot that is."""
        at = self.temperature
        steps = (TOO_HOT, HeatLevel.TOO_HOT), (HOT, HeatLevel.HOT), (WARM, HeatLevel.WARM)
        return next((level for least, level in steps if at >= least), HeatLevel.COOL)

    @property
    def words(self) -> str:
        """The hottest joint and what to do, in words."""
        advice = {HeatLevel.HOT: ": let the robot rest, `quadleg sit`", HeatLevel.TOO_HOT: ": let it cool"}
        return self._said() + advice.get(self.level, "")

    def _said(self) -> str:
        how = self.level.value.replace("_", " ")
        return f"{JOINT_NAMES[self.hottest]} is {how}, about {self.temperature:.0f} °C by the model of its current"

    def refusal(self) -> str | None:
        """Why the servos may not be powered now; None where they may."""
        if self.temperature < HOT:
            return None
        minutes = max(self._heat.seconds_to_cool(self.hottest, HOT) / 60, 0.1)
        return f"{self._said()}: let it cool for about {minutes:.1f} min"

    def take(self, angles: Angles, powered: Sequence[bool], now: float) -> None:
        """Take what the servos are sent to (rad) and which have power; to be called once a control period."""
        before, elapsed = self._angles, now - self._last
        self._angles, self._last = angles, now
        if now - self._looked < LOOK_PERIOD:
            return
        rates = [(b - a) / elapsed for a, b in zip(before, angles)] if before and elapsed > 0 else [0.0] * len(angles)
        self._heat.advance(self._currents.currents(angles, rates, powered), now - self._looked)
        self._looked = now
