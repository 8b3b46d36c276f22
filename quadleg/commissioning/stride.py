"""What the servos do over a stride of a gait: how fast they turn, what they hold and what they draw."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quadleg.dynamics.joint_torques import cyclic_rate, cyclic_second_rate, foot_loads, stride_torques
from quadleg.dynamics.servo_motors import ServoMotors
from quadleg.gait.limits import WalkingLimits
from quadleg.gait.steady import Balance, angles_of, strides
from quadleg.gait.sway import HARMONICS, basis
from quadleg.kinematics.planar import STILL, Planar
from quadleg.robot.model import LEGS, Gait, Robot

Array = NDArray[np.float64]

WAYS = ("ahead", "sideways", "turning")


@dataclass(frozen=True)
class Stride:
    """One stride with a steady twist, sampled once a servo frame: `rates` (n, 12) in rad/s and `currents` (n, 12) in A
    at `phases` (n,), shares of the stride.
    """

    twist: Planar
    phases: Array
    rates: Array
    currents: Array

    @classmethod
    def of(cls, robot: Robot, gait: Gait, twist: Planar, sway: Array) -> Stride:
        """In a gait with the sway that goes with the twist: see gait/sway.py.

        The body goes evenly, so the ground pushes straight up. Motors also swing the links, turn their own rotors and
        overcome friction.
        """
        count = round(gait.stride_period * robot.control_rate)
        period = gait.stride_period / count
        phases = np.arange(count) / count
        path = strides(robot, gait, np.array([twist]), count)
        feet, shifts = path.feet[0], basis(phases) @ sway
        balance = Balance.of(robot)
        centres = balance.centres(robot, feet) + balance.follows * shifts
        angles, _ = angles_of(robot, feet, shifts)
        loads = np.zeros((count, len(LEGS)))
        for down, rows in path.support_groups():
            loads[rows] = foot_loads(robot, feet[rows, :, :2], down, centres[rows])
        cycle = angles[None]
        rates, accelerations = cyclic_rate(cycle, period), cyclic_second_rate(cycle, period)
        held = stride_torques(robot, cycle, loads[None], period)
        motors = ServoMotors.of(robot)
        (drawn,) = motors.currents(motors.torques(held, rates, accelerations))
        return cls(twist, phases, rates[0], drawn)

    @property
    def total(self) -> Array:
        """(n,) the current of all servos in A."""
        result: Array = self.currents.sum(axis=1)
        return result


@dataclass(frozen=True)
class GaitUse:
    """A gait at its fastest: its strides by the names of `WAYS`. `trouble` says why there are none; `fastest` is as
    WalkingLimits has it, None where nobody looked; `use` is how near the joints come to their speed: the largest of
    rate over no-load speed.
    """

    gait: Gait
    strides: dict[str, Stride]
    fastest: Planar | None
    use: float
    trouble: str | None = None

    @classmethod
    def of(cls, robot: Robot, gait: Gait) -> GaitUse:
        """By the walking limits of a robot, which take half a second or more to find."""
        limits = WalkingLimits(robot, gait)
        if limits.trouble:
            return cls(gait, {}, STILL, 0.0, limits.trouble)
        x, y, turn = limits.forward
        twists: tuple[Planar, ...] = ((x, 0.0, 0.0), (0.0, y, 0.0), (0.0, 0.0, turn))
        made = {way: Stride.of(robot, gait, twist, limits.sway(twist)) for way, twist in zip(WAYS, twists)}
        return cls(gait, made, limits.forward, _use(robot, made))

    @classmethod
    def on_the_spot(cls, robot: Robot, gait: Gait) -> GaitUse:
        """Without looking for limits or the sway: quick, and somewhat less than a walk takes."""
        made = {"on the spot": Stride.of(robot, gait, STILL, np.zeros((2 * HARMONICS, 2)))}
        return cls(gait, made, None, _use(robot, made))

    @property
    def mean(self) -> float:
        """The mean current in A of the way that takes most."""
        return max(float(stride.total.mean()) for stride in self.strides.values())

    @property
    def peak(self) -> float:
        """The largest current of any servo frame in A."""
        return max(float(stride.total.max()) for stride in self.strides.values())


def _use(robot: Robot, made: dict[str, Stride]) -> float:
    speeds = ServoMotors.of(robot).no_load_speed
    return max(float((np.abs(stride.rates) / speeds).max()) for stride in made.values())
