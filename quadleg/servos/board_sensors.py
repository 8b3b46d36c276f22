"""The supply's sensor and the IMU on a board's bus: when each is read, what it says, and what is modelled instead."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import inf, isfinite, nan
from typing import NamedTuple

from quadleg.dynamics.servo_motors import SupplyCurrentModel
from quadleg.hardware.board import Board
from quadleg.hardware.readings import ImuReading, PowerReading
from quadleg.hardware.sensor_kinds import IMU, SUPPLY
from quadleg.robot.model import MEASURED, MODELLED, RobotModel
from quadleg.servos.bus_schedule import turns

# What `supply` is, where it is not measured or modelled.
UNKNOWN, ELSEWHERE = "unknown", "said by another node"
NO_TIME = (
    "the bus has no time for it between two frames; a faster one (board.bus_khz, board.baud) would be right, or fewer "
    "frames (control.rate_hz)"
)
NOTHING_KNOWN = PowerReading(nan, nan)
MODEL_PERIOD = 0.2  # s between looks at what the pose draws, each a millisecond of work


class HeldJoints(NamedTuple):
    """What the servos do: twelve angles that they were sent to (rad), which are powered, and where they are (rad),
    None where that is not measured."""

    commanded: Sequence[float]
    powered: Sequence[bool]
    measured: Sequence[float] | None


class SupplyMeter:
    """Mean and peak of the current since the servos last got power; NaN before."""

    def __init__(self) -> None:
        self._powered = False
        self._charge = self._time = 0.0
        self._last: tuple[float, float] | None = None
        self.peak = self.mean = float("nan")

    def take(self, current: float, powered: bool, now: float) -> None:
        """A reading (A) at `now` s; one that is not finite leaves a gap."""
        if powered and not self._powered:
            self._charge = self._time = 0.0
            self._last, self.peak, self.mean = None, float("nan"), float("nan")
        self._powered = powered
        if not powered or not isfinite(current):
            self._last = None
            return
        self.peak = current if not isfinite(self.peak) else max(self.peak, current)
        if self._last:
            before, at = self._last
            self._charge += (now - at) * (before + current) / 2
            self._time += now - at
        self._last = current, now
        self.mean = self._charge / self._time if self._time else current


class BoardSensors:
    """The sensors of one robot at one control period (s), as far as its file names them.

    `board` gives the board, None while it fails; `held` what the servos do; `clock` the s of a steady clock. A supply
    that is not measured is modelled, unless another node says it (`elsewhere`) or a simulated body (`physics`).
    """

    def __init__(
        self,
        robot: RobotModel,
        period: float,
        physics: bool,
        board: Callable[[], Board | None],
        held: Callable[[], HeldJoints],
        elsewhere: Callable[[], bool],
        clock: Callable[[], float],
    ) -> None:
        self._period = period
        self._physics = physics
        self._board = board
        self._held = held
        self._elsewhere = elsewhere
        self._clock = clock
        self._power, self._imu = SUPPLY.on_bus(robot), IMU.on_bus(robot)
        self._turns = turns(robot, period)
        self._model = SupplyCurrentModel(robot)
        self._meter = SupplyMeter()
        self._source = UNKNOWN
        self._latest = NOTHING_KNOWN
        self._looked = -inf
        self._places: Sequence[float] = ()  # of the joints at the last look (rad)
        self._gaps = 0

    @property
    def topics(self) -> tuple[str, ...]:
        """What no other node may publish, since a sensor here says it."""
        return (SUPPLY.topic,) * bool(self._power) + (IMU.topic,) * bool(self._imu)

    @property
    def gaps(self) -> int:
        """How often in a control period a sensor is read; 0 where there is none."""
        return max(self._turns.imu, 1) if self._power or self._imu else 0

    def due(self, gap: int) -> tuple[bool, bool]:
        """Say whether IMU and supply are to be looked at in the gap of this number in a control period."""
        supply = False
        if gap == 0:
            self._gaps += 1
            every = self._turns.supply_every
            supply = self._power is not None and every > 0 and self._gaps % every == 0
        imu = self._turns.imu > 0 and not (supply and not self._turns.together)
        return imu, supply or self._power is None

    def read_imu(self) -> ImuReading | None:
        """Read the IMU; None where there is none or it says nothing new."""
        board = self._board()
        return self._imu.read(board, self._clock()) if self._imu and board else None

    def read_supply(self) -> PowerReading | None:
        """Read the supply's sensor, or model the current where there is none; None where there is nothing to say."""
        if self._power is None:
            return self._modelled()
        board, failures = self._board(), self._power.failures
        reading = self._power.read(board, self._clock()) if board else None
        if reading:
            self.take_supply(reading)
        elif board is None or self._power.failures > failures:
            reading = NOTHING_KNOWN
            self._take(reading, UNKNOWN, self._held())
        return reading

    def take_supply(self, reading: PowerReading) -> None:
        """Count a measurement of the supply."""
        self._take(reading, MEASURED, self._held())

    def _modelled(self) -> PowerReading | None:
        now = self._clock()
        if now - self._looked < MODEL_PERIOD:
            return None
        held = self._held()
        places = held.commanded if held.measured is None else held.measured
        rates = [(place - before) / (now - self._looked) for place, before in zip(places, self._places or places)]
        self._looked, self._places = now, places
        if self._elsewhere():
            self._take(NOTHING_KNOWN, ELSEWHERE, held)
            return None
        reading = PowerReading(nan, sum(self._model.currents(held.commanded, rates, held.powered)))
        self._take(reading, MODELLED, held)
        return reading

    def _take(self, reading: PowerReading, source: str, held: HeldJoints) -> None:
        self._source, self._latest = source, reading
        self._meter.take(reading.current, any(held.powered), self._clock())

    def values(self) -> dict[str, object]:
        """Figures for diagnostics; `supply` says whether they are measured."""
        meter, latest = self._meter, self._latest
        amperes = {"now": latest.current, "mean": meter.mean, "peak": meter.peak}
        values: dict[str, object] = {"supply": self._source}
        if isfinite(latest.voltage):
            values["supply_v"] = f"{latest.voltage:.2f}"
        values |= {f"supply_{name}_a": f"{current:.2f}" for name, current in amperes.items() if isfinite(current)}
        if self._imu:
            values["imu_hz"] = f"{self._turns.imu / self._period:.0f}"
        for name, reader in (("supply", self._power), ("imu", self._imu)):
            if reader:
                values[f"{name}_sensor_failures"] = reader.failures
        values["sensor_trouble"] = self.trouble
        return values

    @property
    def trouble(self) -> str:
        """What is wrong with a sensor; empty where nothing is."""
        said = []
        if self._power and self._power.trouble:
            said.append(f"supply unknown: {self._power.trouble}")
        if self._imu and self._imu.trouble:
            said.append(f"no imu/data: {self._imu.trouble}")
        if not self._physics and self._power and not self._turns.supply_every:
            said.append(f"the supply is not measured: {NO_TIME}")
        if not self._physics and self._imu and not self._turns.imu:
            said.append(f"no imu/data: {NO_TIME}")
        return "; ".join(said)
