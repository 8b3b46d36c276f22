"""Torque, speed and current of the twelve servos' motors: the only model of them.

A brushed motor's torque goes with its current, and its speed falls in a straight line from the no-load speed to nothing
at the stall torque (Hughes & Drury, Electric Motors and Drives, chapter 3; unverified: look up the section). The data
sheet's figures hold at the shaft, so the motor also overcomes the friction of its gears. Stall torque, stall current
and no-load speed go with the supply's voltage.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import radians

import numpy as np

from quadleg.dynamics.joint_torques import static_torques
from quadleg.geometry.arrays import Array
from quadleg.robot.model import JOINT_NAMES, Angles, RobotModel

# What no data sheet of a hobby servo says (common practice, no source).
# Error of the joint in rad at which a servo's motor is fully on, as gait, estimation and safety take it. Physics has a
# value of its own (simulation/physics_servos.py), since that of a real servo is not known.
FULL_TORQUE_ERROR = radians(3.0)
FRICTION = 0.04  # of the gears and bearings, as a share of the stall torque
MOTOR_TIME = 0.015  # s: the mechanical time constant of a small brushed motor
SUPPLY_RESISTANCE = 0.04  # Ω of the supply, its switch, fuse, wires and plugs together
MOVING = 0.02  # rad/s: a slower joint stands still, and friction neither helps nor hinders it (our own choice)


@dataclass(frozen=True)
class ServoMotors:
    """The motors of one robot at its supply's voltage, as arrays (12,) in the order of `JOINT_NAMES`.

    `stall_torque` in N·m and `no_load_speed` in rad/s are those of the shaft; `idle_current` and `stall_current` in A.
    """

    stall_torque: Array
    no_load_speed: Array
    idle_current: Array
    stall_current: Array
    friction_share: Array | float = FRICTION
    motor_time: Array | float = MOTOR_TIME

    @classmethod
    def of(
        cls, robot: RobotModel, friction_share: Array | float = FRICTION, motor_time: Array | float = MOTOR_TIME
    ) -> ServoMotors:
        """The motors that a robot file describes, with friction as a share of the stall torque and the mechanical time
        constant (s) that no data sheet has."""
        joints = robot.joints
        return cls(
            stall_torque=np.array([robot.stall_torque(joint) for joint in joints]),
            no_load_speed=np.array([robot.no_load_speed(joint) for joint in joints]),
            idle_current=np.array([joint.servo.kind.idle_current for joint in joints]),
            stall_current=np.array([robot.stall_current(joint) for joint in joints]),
            friction_share=friction_share,
            motor_time=motor_time,
        )

    @cached_property
    def friction(self) -> Array:
        """Friction of the gears at the shaft, in N·m."""
        return self.friction_share * self.stall_torque

    @cached_property
    def strongest(self) -> Array:
        """The motor's torque at stall in N·m, which also overcomes the friction."""
        return self.stall_torque + self.friction

    @cached_property
    def damping(self) -> Array:
        """What the motor's torque loses with its speed (back-EMF), in N·m·s/rad."""
        return self.stall_torque / self.no_load_speed

    @cached_property
    def rotor_inertia(self) -> Array:
        """The rotor's inertia seen from the shaft, in kg·m²."""
        return self.motor_time * self.damping

    @cached_property
    def current_per_torque(self) -> Array:
        """In A/(N·m) of the motor's torque, above the idle current."""
        return (self.stall_current - self.idle_current) / self.strongest

    def torques(self, held: Array, rates: Array | float = 0.0, accelerations: Array | float = 0.0) -> Array:
        """(..., 12) motor torques in N·m: the shaft's `held` torque, friction, and what turns the rotor.

        `rates` in rad/s and `accelerations` in rad/s² are the joints'. No motor gives more than its `strongest`.
        """
        friction = self.friction * np.sign(rates) * (np.abs(rates) > MOVING)
        asked = held + friction + self.rotor_inertia * accelerations
        return np.clip(asked, -self.strongest, self.strongest)

    def currents(self, torques: Array) -> Array:
        """(..., 12) in A for motor torques (..., 12) in N·m."""
        return self.idle_current + self.current_per_torque * np.abs(torques)

    # The same in plain numbers, which is faster for one set of twelve.

    @cached_property
    def _figures(self) -> list[tuple[float, float, float, float]]:
        figures = self.friction, self.strongest, self.idle_current, self.current_per_torque
        return [(friction, most, idle, ampere) for friction, most, idle, ampere in np.stack(figures, 1).tolist()]

    def torques_of_pose(self, held: Sequence[float], rates: Sequence[float]) -> list[float]:
        """As `torques` without acceleration, for one pose."""
        torques = []
        for torque, rate, (friction, most, _, _) in zip(held, rates, self._figures):
            asked = torque + friction if rate > MOVING else torque - friction if rate < -MOVING else torque
            torques.append(most if asked > most else -most if asked < -most else asked)
        return torques

    def currents_of_pose(self, torques: Sequence[float], powered: Sequence[bool]) -> tuple[float, ...]:
        """As `currents` for one set of motor torques; a joint without power draws nothing."""
        return tuple(
            idle + ampere * abs(torque) if on else 0.0
            for torque, on, (_, _, idle, ampere) in zip(torques, powered, self._figures)
        )


# A loaded servo is slower than its data sheet's no-load speed: common practice, no source.
LOADED_SPEED_SHARE = 0.8


def joint_steps(robot: RobotModel, period: float) -> tuple[float, ...]:
    """How far each joint may turn in one `period` (s), in rad: its loaded speed at the robot's supply."""
    return tuple(LOADED_SPEED_SHARE * robot.no_load_speed(joint) * period for joint in robot.joints)


class SupplyCurrentModel:
    """The currents of one robot's servos on level ground, by joint in the order of `JOINT_NAMES`."""

    def __init__(self, robot: RobotModel) -> None:
        self._robot = robot
        self._motors = ServoMotors.of(robot)

    def currents(self, angles: Angles, rates: Sequence[float], powered: Sequence[bool]) -> tuple[float, ...]:
        """In A, at twelve angles (rad), turning at such rates (rad/s); a joint without power draws nothing."""
        if not any(powered):
            return (0.0,) * len(JOINT_NAMES)
        torques = self._motors.torques_of_pose(static_torques(self._robot, angles), rates)
        return self._motors.currents_of_pose(torques, powered)
