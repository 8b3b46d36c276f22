"""How warm the servos get, standing and walking, and how long until the watchdog lowers the robot for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import ceil, isfinite

import numpy as np

from quadleg.commissioning.feasibility.standing_torque import HEADROOM, Torque
from quadleg.commissioning.feasibility.stride_effort import GaitUse
from quadleg.commissioning.feasibility.torque_needs import torque_cure, torque_needs
from quadleg.commissioning.feasibility.verdict import FAILS, GOOD, TIGHT, Need, Quantity, Verdict
from quadleg.dynamics.servo_heat import HOT, TOO_HOT, UNKNOWN, ServoHeat
from quadleg.dynamics.servo_motors import ServoMotors
from quadleg.geometry.arrays import Array
from quadleg.robot.model import JOINT_NAMES, RobotModel

SHORT = 60.0  # s: a robot that stands or walks no longer than this is of no use (our own choice)


@dataclass(frozen=True)
class HeatLoad:
    """What one activity does to the servos if it goes on: `steady` (12,) where the temperatures go in °C,
    `seconds` (12,) until each is too hot, from the temperature that the watchdog assumes at first; infinity where it
    never is.
    """

    doing: str
    steady: Array
    seconds: Array

    @classmethod
    def of(cls, robot: RobotModel, doing: str, currents: Array) -> HeatLoad:
        """With currents (n, 12) in A at so many samples of it."""
        drawn = np.sqrt((currents**2).mean(axis=0)).tolist()  # root mean square
        heat = ServoHeat(robot, start=UNKNOWN)
        return cls(doing, np.array(heat.steady(drawn)), np.array(heat.seconds_to_heat(drawn, TOO_HOT)))

    @property
    def worst(self) -> int:
        """The joint that is too hot first, or gets warmest."""
        return int(self.seconds.argmin() if np.isfinite(self.seconds).any() else self.steady.argmax())

    @property
    def lasts(self) -> float:
        """How long it goes on, in s, until the watchdog lowers the robot; infinity where it does not."""
        return float(self.seconds.min())


@dataclass(frozen=True)
class Heat:
    """Standing on four feet, and each gait of which the limits were looked for, at the speed that verdicts are about.

    By the model of dynamics/servo_heat.py, which is the watchdog's too.
    """

    robot: RobotModel
    torque: Torque
    loads: tuple[HeatLoad, ...]

    @classmethod
    def of(cls, robot: RobotModel, torque: Torque, gaits: Sequence[GaitUse]) -> Heat:
        """By the torques of standing, and the currents of strides."""
        motors = ServoMotors.of(robot)
        standing = motors.currents(motors.torques(torque.standing[4]))[None]
        walking = [(use.gait.name, use.judged.currents) for use in gaits if use.judged and not use.obstacle]
        return cls(
            robot,
            torque,
            tuple(HeatLoad.of(robot, doing, drawn) for doing, drawn in (("standing", standing), *walking)),
        )

    def verdicts(self) -> list[Verdict]:
        """One for each load."""
        return [self._of_load(load) for load in self.loads]

    def _of_load(self, load: HeatLoad) -> Verdict:
        about, worst = f"heat, {load.doing}", JOINT_NAMES[load.worst]
        if not isfinite(load.lasts):
            why = f"{worst} gets to {load.steady[load.worst]:.0f} °C, and {TOO_HOT:.0f} °C are too hot"
            if load.steady[load.worst] < HOT:
                return Verdict(about, GOOD, why)
            return Verdict(about, TIGHT, f"{why}; from {HOT:.0f} °C on it should rest", "let it sit down between tasks")
        why = (
            f"{worst} is too hot ({TOO_HOT:.0f} °C) after {in_words(load.lasts)}, from the {UNKNOWN:.0f} °C that are "
            "assumed at first, and the watchdog lowers the robot"
        )
        cures, needs = ["let it sit down before that"], self._needs(load)
        if load is self.loads[0] and (height := self._cool_height):
            have = round(1000 * self.torque.height, 2)
            cures.append(f"stand higher: {height:g} mm instead of {have:g}")
            needs = (*needs, Need(Quantity.STANDING_HEIGHT_MM, height, have))
        cures.append(f"or, to go on without end, {torque_cure(needs)}")
        word = FAILS if load is self.loads[0] and load.lasts < SHORT else TIGHT
        return Verdict(about, word, why, ", ".join(cures), needs)

    def _needs(self, load: HeatLoad) -> tuple[Need, ...]:
        """Stall torque, or mass, with which no servo gets too hot: for the torque that it holds, its heat goes with one
        over its stall torque, as its stall current goes with that; and with the square of the mass.
        """
        heat = ServoHeat(self.robot)
        idle = np.array(heat.steady([joint.servo.kind.idle_current for joint in self.robot.joints]))
        times = HEADROOM * np.maximum((load.steady - idle) / (TOO_HOT - idle), 1.0)
        needs = torque_needs(self.robot, np.where(load.steady > TOO_HOT, times, 1.0) * self.torque.stall)
        mass = 1000 * self.robot.masses.total
        return (*needs[:-1], Need(Quantity.MASS_G, mass / float(times.max()) ** 0.5, mass))

    @cached_property
    def _cool_height(self) -> float | None:
        """The nearest standing height above its own, in mm, at which no servo gets too hot; None if there is none."""
        motors, heat = ServoMotors.of(self.robot), ServoHeat(self.robot)
        for height, held in zip(self.torque.heights, self.torque.over[4]):
            if height <= self.torque.height:
                continue
            if max(heat.steady(motors.currents(motors.torques(held)).tolist())) < TOO_HOT:
                return float(ceil(1000 * height))
        return None


def in_words(seconds: float) -> str:
    """A time in s below two minutes, else in minutes."""
    return f"{seconds:.0f} s" if seconds < 2 * 60 else f"{seconds / 60:.0f} min"
