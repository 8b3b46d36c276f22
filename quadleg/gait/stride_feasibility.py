"""Whether a robot can walk strides: reach, clearance, servo speed, servo torque, and balance.

A servo's torque falls in a straight line with its speed, that of a brushed motor (dynamics/servo_motors.py): at each
sample of the stride each joint must have |τ|/τ_stall + |ω|/ω₀ no more than `EFFORT`. The torques are those of the
weight on the feet that stand, of which a trot has two at a time, and of the links. What accelerates a leg for some
hundredths of a second is left out: the servo lags a few degrees and catches up. The supply's voltage, and with it the
line, sinks under the current of the same moment.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum
from math import inf

import numpy as np

from quadleg.dynamics.joint_torques import cyclic_rate, foot_loads, holding_torques
from quadleg.dynamics.servo_motors import LOADED_SPEED_SHARE, SUPPLY_RESISTANCE, ServoMotors, joint_steps
from quadleg.gait.steady_strides import SAMPLES, Balance, Strides, angles_of, strides
from quadleg.gait.sway import HARMONICS, basis, half_planes, sway
from quadleg.geometry.arrays import Array, Flags
from quadleg.kinematics.clearance import Clearance
from quadleg.kinematics.ground_clearance import GroundClearance
from quadleg.kinematics.leg import jacobian_batch
from quadleg.robot.model import JOINT_NAMES, LEGS, GaitParameters, RobotModel

# Of a servo's torque-speed line (our own choice). Walks in physics at the limits that it gives keep 93 % of the speed
# asked for, with a payload of 20 % of the mass 83 to 91 %.
EFFORT = 0.95
# What no planned frame exceeds, of the servos' speed without load: the watchdog would slow it.
SPEED_SHARE = LOADED_SPEED_SHARE
_STEADY_SHARE = 0.94  # of that, for a steady velocity: while it changes, feet go farther (most seen: 7 %)
_FINE = 4  # times as many samples for reach and speed: finer than servo frames are
# Of the straight leg: kept besides the margin with a steady velocity, and given up while it changes (most seen of the
# demo robot: 2.1 mm, where this is 3 mm).
MANOEUVRE_SHARE = 0.015
_BALANCE_ROUNDING = 1e-4  # m, by which the sway's penalty falls short


class StrideObstacle(str, Enum):
    """What keeps a robot from a stride, in the order of the checks."""

    REACH = "reach"
    SPEED = "speed"
    BALANCE = "balance"
    TORQUE = "torque"
    CLEARANCE = "clearance"
    GROUND = "ground"


@dataclass(frozen=True)
class Effort:
    """The joint that a stride works hardest: its share of the torque-speed line, and the stall torque in N·m with which
    it would do.
    """

    joint: str
    share: float
    stall_torque_needed: float


class StrideFeasibility:
    """Checks many strides of one robot in one gait at once."""

    def __init__(self, robot: RobotModel, gait: GaitParameters, lean: Array | None = None) -> None:
        """With the body shifted by `lean` (2,) in m all the time, besides its sway."""
        self._robot = robot
        self._gait = gait
        self._lean = np.zeros(2) if lean is None else lean
        balance = Balance.of(robot)
        # The centre of mass with the body where it leans.
        self._balance = replace(balance, offset=balance.offset + balance.follows * self._lean)
        self._motors = ServoMotors.of(robot)
        self._manoeuvre = MANOEUVRE_SHARE * (robot.legs[0].upper_length + robot.legs[0].lower_length)
        self._clearance = Clearance(robot)
        self._ground = GroundClearance(robot)
        self._steps = _STEADY_SHARE * np.array(joint_steps(robot, gait.stride_period / (_FINE * SAMPLES)))

    def walks(self, twists: Array, margin: float | None) -> Flags:
        """(n,) whether nothing prevents strides with twists (n, 3) and the sways that keep a margin in m."""
        return ~np.any(list(self._obstacles(twists, margin).values()), axis=0)

    def first_obstacle(self, twist: Array, margin: float | None) -> StrideObstacle | None:
        """Return the first obstacle to strides with a twist (3,)."""
        found = self._obstacles(twist[None], margin)
        return next((obstacle for obstacle, blocked in found.items() if blocked[0]), None)

    def sways(self, path: Strides, margin: float | None) -> Array:
        """(n, 2 · HARMONICS, 2) the sways of strides that keep a margin in m, and a little more; None: no sway."""
        if margin is None:
            return np.zeros((len(path.feet), 2 * HARMONICS, 2))
        return sway(self._robot, path, self._balance, margin + self._manoeuvre)

    def hardest(self, twist: Array, margin: float | None) -> Effort:
        """The joint that strides with a twist (3,) work hardest."""
        _, _, torques, rates, efforts = self._worked(twist, margin)
        _, sample, joint = np.unravel_index(int(efforts.argmax()), efforts.shape)
        torque, speed = abs(float(torques[0, sample, joint])), abs(float(rates[0, sample, joint]))
        share, fast = float(efforts[0, sample, joint]), speed / float(self._motors.no_load_speed[joint])
        # The line is as much lower as the supply's voltage sinks.
        strength = (torque / float(self._motors.stall_torque[joint]) + fast) / share
        left = EFFORT * strength - fast
        return Effort(JOINT_NAMES[joint], share, torque / left if left > 0.0 else inf)

    def stall_torques_needed(self, twist: Array, margin: float | None, share: float = EFFORT) -> Array:
        """(12,) the stall torque in N·m with which each joint does strides with a twist (3,) at a share of its line.

        A joint too fast for its servo whatever the torque gets ten times its torque.
        """
        _, _, torques, rates, _ = self._worked(twist, margin)
        motors = self._motors
        currents = motors.currents(np.abs(torques) + motors.friction).sum(axis=-1, keepdims=True)
        strength = np.maximum(1.0 - SUPPLY_RESISTANCE * currents / self._robot.supply.voltage, 0.1)
        left = np.maximum(share * strength - np.abs(rates) / motors.no_load_speed, 0.1)
        return (np.abs(torques) / left).max(axis=(0, 1))

    def giving_way(self, twist: Array, margin: float | None, error: float) -> float:
        """By how much strides with a twist (3,) go faster ahead (m/s) as the loaded joints give way; less: negative.

        A joint gives way in proportion to its torque, by `error` (rad) at the stall torque, whenever its foot carries.
        """
        path, angles, torques, _, _ = self._worked(twist, margin)
        turned = error * torques[0] / self._motors.strongest
        moved = []
        for i, leg in enumerate(self._robot.legs):
            joints = slice(3 * i, 3 * i + 3)
            rows = jacobian_batch(leg, np.ascontiguousarray(angles[0, ::2, joints]))[:, 0]
            moved.append((rows * turned[:, joints]).sum(axis=1)[~path.in_air[::2, i]].mean())
        return float(np.mean(moved)) / (self._gait.duty_factor * self._gait.stride_period)

    def _worked(self, twist: Array, margin: float | None) -> tuple[Strides, Array, Array, Array, Array]:
        """Strides with one twist (3,) and their angles (1, SAMPLES, 12), and what `_efforts` gives."""
        path = strides(self._robot, self._gait, twist[None])
        shifts = basis(np.arange(SAMPLES) / SAMPLES) @ self.sways(path, margin)
        angles, _ = angles_of(self._robot, path.feet.reshape(-1, 4, 3), (shifts + self._lean).reshape(-1, 2))
        angles = angles.reshape(1, SAMPLES, -1)
        return path, angles, *self._efforts(path, shifts, angles)

    def _obstacles(self, twists: Array, margin: float | None) -> dict[StrideObstacle, Flags]:
        """(n,) for each obstacle; the costly ones are looked for only where nothing else was found."""
        count, frames = len(twists), _FINE * SAMPLES
        path = strides(self._robot, self._gait, twists, frames)
        coarse = Strides(path.feet[:, ::_FINE], path.in_air[::_FINE])
        sways = self.sways(coarse, margin)
        shifts = basis(np.arange(frames) / frames) @ sways
        angles, reached = angles_of(self._robot, path.feet.reshape(-1, 4, 3), (shifts + self._lean).reshape(-1, 2))
        angles = angles.reshape(count, frames, -1)
        turns = np.abs(np.roll(angles, -1, axis=1) - angles).max(axis=1)
        found = {
            StrideObstacle.REACH: ~reached.reshape(count, frames).all(axis=1),
            StrideObstacle.SPEED: (turns > self._steps).any(axis=1),
        }
        if margin is not None:
            centres = self._balance.centres(self._robot, coarse.feet)
            rows, least = half_planes(coarse.feet[..., :2], coarse.in_air, centres, margin + self._manoeuvre)
            series = (sways * self._balance.follows).transpose(0, 2, 1).reshape(count, -1, 1)
            found[StrideObstacle.BALANCE] = ((rows @ series)[..., 0] < least - _BALANCE_ROUNDING).any(axis=1)
        shifts, angles = shifts[:, ::_FINE], angles[:, ::_FINE]

        left = ~np.any(list(found.values()), axis=0)
        found[StrideObstacle.TORQUE] = np.zeros(count, dtype=bool)
        if left.any():
            some = Strides(coarse.feet[left], coarse.in_air)
            _, _, efforts = self._efforts(some, shifts[left], angles[left])
            found[StrideObstacle.TORQUE][left] = (efforts > EFFORT).any(axis=(1, 2))
        left &= ~found[StrideObstacle.TORQUE]
        found[StrideObstacle.CLEARANCE] = np.zeros(count, dtype=bool)
        found[StrideObstacle.GROUND] = np.zeros(count, dtype=bool)
        if left.any():
            # Links keep the clearance from the ground, too: legs give way by millimetres under the body.
            some, wanted = angles[left].reshape(-1, angles.shape[2]), self._robot.clearance
            apart = self._clearance.least_batch(some).reshape(-1, SAMPLES).min(axis=1)
            above = self._ground.least_batch(some, self._robot.standing.height).reshape(-1, SAMPLES).min(axis=1)
            found[StrideObstacle.CLEARANCE][left] = apart < wanted
            found[StrideObstacle.GROUND][left] = above < wanted
        return found

    def _efforts(self, path: Strides, shifts: Array, angles: Array) -> tuple[Array, Array, Array]:
        """Torques in N·m, rates in rad/s and shares of the torque-speed line, each (n, SAMPLES / 2, 12).

        Every other sample will do: the torques change little from one to the next.
        """
        motors = self._motors
        rates = cyclic_rate(angles, self._gait.stride_period / SAMPLES)[:, ::2]
        path, shifts, angles = Strides(path.feet[:, ::2], path.in_air[::2]), shifts[:, ::2], angles[:, ::2]
        centres = self._balance.centres(self._robot, path.feet) + self._balance.follows * shifts
        loads = np.zeros((*angles.shape[:2], len(LEGS)))
        for standing, samples in path.support_groups():
            if len(standing) > 1:
                feet = path.feet[:, samples, :, :2]
                loads[:, samples] = foot_loads(self._robot, feet, standing, centres[:, samples])
        torques = holding_torques(self._robot, angles, loads)
        currents = motors.currents(motors.torques(torques, rates)).sum(axis=-1, keepdims=True)
        strength = 1.0 - SUPPLY_RESISTANCE * currents / self._robot.supply.voltage
        used = np.abs(torques) / motors.stall_torque + np.abs(rates) / motors.no_load_speed
        return torques, rates, used / strength
