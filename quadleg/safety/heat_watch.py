"""Heat watch of the servos, by the model of dynamics/servo_heat.py."""

from __future__ import annotations

from collections.abc import Sequence

from quadleg.dynamics.servo_heat import HOT, TOO_HOT, WARM, ServoHeat
from quadleg.dynamics.servo_motors import SupplyCurrentModel
from quadleg.robot.model import JOINT_NAMES, Angles, RobotModel
from quadleg.safety.catalogue import Reason
from quadleg.safety.reason_codes import HeatLevel, ReasonCode

LOOK_PERIOD = 0.93  # s between looks at the currents; no simple fraction of a stride, so that every phase is sampled


class HeatWatch:
    """The servos' temperatures by the commands that they get. Times are those of a steady clock, in s."""

    def __init__(self, robot: RobotModel, now: float) -> None:
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
        """The level of the hottest joint."""
        at = self.temperature
        steps = (TOO_HOT, HeatLevel.TOO_HOT), (HOT, HeatLevel.HOT), (WARM, HeatLevel.WARM)
        return next((level for least, level in steps if at >= least), HeatLevel.COOL)

    @property
    def reason(self) -> Reason:
        """The level, with the hottest joint."""
        return Reason.of(self.level, joint=JOINT_NAMES[self.hottest], celsius=f"{self.temperature:.0f}")

    def refusal(self) -> Reason | None:
        """Return why the servos must not be powered now; None if they may."""
        if self.level in (HeatLevel.COOL, HeatLevel.WARM):
            return None
        minutes = max(self._heat.seconds_to_cool(self.hottest, HOT) / 60, 0.1)
        figures = {"level": self.level.value.replace("_", " "), "minutes": f"{minutes:.1f}"}
        return Reason.of(ReasonCode.COOLING, **figures, **self.reason.figures)

    def take(self, angles: Angles, powered: Sequence[bool], now: float) -> None:
        """Take the commanded angles (rad) and which joints have power; call it once a control period."""
        before, elapsed = self._angles, now - self._last
        self._angles, self._last = angles, now
        if now - self._looked < LOOK_PERIOD:
            return
        rates = [(b - a) / elapsed for a, b in zip(before, angles)] if before and elapsed > 0 else [0.0] * len(angles)
        self._heat.advance(self._currents.currents(angles, rates, powered), now - self._looked)
        self._looked = now
