"""Twelve hobby servos that move a body: what the robot file says of them, and what it does not, as MuJoCo's actuators.

A servo's motor gives a torque in proportion to its error, at most the stall torque, less what its speed takes from it
(back-EMF): the straight torque-speed line of a brushed motor. As an actuator this is a position actuator with a
limited force in a joint with damping. Pulses, deadband, backlash and the supply change once a servo frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import radians

import mujoco
import numpy as np

from quadleg.dynamics.servo_motors import SUPPLY_RESISTANCE, ServoMotors
from quadleg.geometry.arrays import Array
from quadleg.robot.model import JOINT_NAMES, RobotModel

# What no data sheet of a hobby servo says (common practice, no source).
# The joint's error at which the motor is fully on is not the 3° of servos/servo_model.py, on purpose: what estimation
# and safety assume has to hold for servos that differ from it.
FULL_TORQUE_ERROR = radians(2.5)
BACKLASH = radians(0.4)  # of the gears, from end to end
HAND = 5.0  # strength of a hand that holds a leg in place, in that of the joint's servo (our own choice)
TAKEN_UP = 0.1  # share of the stall torque that presses the teeth together


class PhysicsServos:
    """The actuators of one world, the joints in the order of `JOINT_NAMES`.

    The data sheet's torque and speed are measured at the shaft, so the motor also overcomes the friction. `currents`
    are those of the motors in A, `voltage` in V is that of the supply under them.

    What may be changed while they run, to make them fail (simulation/faults.py): `strength` (12), the share of its
    torque that each motor still has, and the `resistance` in ohm between supply and servos.
    """

    def __init__(self, robot: RobotModel) -> None:
        joints = robot.joints
        self._supply = robot.supply.voltage
        self._motors = ServoMotors.of(robot)
        strongest = self._motors.strongest
        stiffness = strongest / FULL_TORQUE_ERROR
        # What an actuator has at the full voltage: gain and bias of a position actuator, and its least and most force.
        self._full = np.stack((stiffness, -stiffness, -strongest, strongest))
        # From here on plain numbers: for twelve joints they are faster than arrays.
        self._figures = [
            (
                max(joint.servo.kind.pulse_range[0], joint.servo.stops[0]),
                min(joint.servo.kind.pulse_range[1], joint.servo.stops[1]),
                joint.servo.pulse_at_zero,
                joint.servo.pulse_per_radian,
                joint.servo.kind.deadband / abs(joint.servo.pulse_per_radian),
            )
            for joint in joints
        ]
        self._taken_up = (TAKEN_UP * self._motors.stall_torque).tolist()
        self._damping: list[float] = self._motors.damping.tolist()
        self._angles: Array = np.zeros(len(joints))
        self.rest()
        self.voltage = self._supply
        self.resistance = SUPPLY_RESISTANCE
        self.strength = [1.0] * len(JOINT_NAMES)

    def add_to(self, spec: mujoco.MjSpec) -> None:
        """Put the actuators into a MuJoCo world."""
        for name in JOINT_NAMES:
            spec.add_actuator(
                name=name,
                target=name,
                trntype=mujoco.mjtTrn.mjTRN_JOINT,
                gaintype=mujoco.mjtGain.mjGAIN_FIXED,
                biastype=mujoco.mjtBias.mjBIAS_AFFINE,
                forcelimited=mujoco.mjtLimited.mjLIMITED_TRUE,
                forcerange=(-1.0, 1.0),
            )

    def bind(self, model: mujoco.MjModel, data: mujoco.MjData) -> None:
        """Give the joints of the compiled world friction, damping and rotor inertia, and move them from here on."""
        joints = slice(-len(JOINT_NAMES), None)  # after the body's free joint
        model.dof_frictionloss[joints] = self._motors.friction
        model.dof_damping[joints] = self._motors.damping
        model.dof_armature[joints] = self._motors.rotor_inertia
        model.jnt_actfrclimited[:] = False  # the URDF's effort is that at the shaft, without the friction
        mujoco.mj_setConst(model, data)
        self._angles, self._rates, self._forces = data.qpos[joints], data.qvel[joints], data.actuator_force
        self._ctrl, self._gain, self._bias = data.ctrl, model.actuator_gainprm[:, 0], model.actuator_biasprm[:, 1]
        self._least, self._most = model.actuator_forcerange.T

    def rest(self) -> None:
        """Forget what a load has done: a hand has put the joints where they are.

        It holds each of them there until its first pulse comes. Limp, the legs of weak
        servos fell by up to 107° while others were powered; a person sees to it that they do not.
        """
        joints = len(JOINT_NAMES)
        self._goals: list[float | None] = [None] * joints
        self._play = [0.0] * joints
        self.torques = [0.0] * joints
        self.currents = [0.0] * joints
        self._by_hand: list[float | None] = self._angles.tolist()

    def drive(self, pulses: Sequence[float | None]) -> None:
        """Set what the servos do in the coming frame, by their pulses (s; None: limp)."""
        goals: list[float | None] = []
        for pulse, before, angle, (shortest, longest, zero, per_radian, deadband) in zip(
            pulses, self._goals, self._angles.tolist(), self._figures
        ):
            if pulse is None:
                goals.append(None)
                continue
            within = shortest if pulse < shortest else longest if pulse > longest else pulse
            target = (within - zero) / per_radian
            # As servos/servo_model.py: it turns until it is within the deadband, and stays there.
            goal = angle if before is None else before
            low, high = target - deadband, target + deadband
            goals.append(low if goal < low else high if goal > high else goal)
        self._goals = goals
        for joint, (torque, taken_up) in enumerate(zip(self.torques, self._taken_up)):
            pressed = 1.0 if torque > taken_up else -1.0 if torque < -taken_up else torque / taken_up
            # Half of the way a frame: all of it at once would rattle from frame to frame.
            self._play[joint] += 0.5 * (BACKLASH / 2 * pressed - self._play[joint])
        self.voltage = max(self._supply - self.resistance * sum(self.currents), 0.0)
        strength = self.voltage / self._supply
        strengths = [0.0 if goal is None else strength * own for goal, own in zip(goals, self.strength)]
        if any(place is not None for place in self._by_hand):
            self._by_hand = [place if goal is None else None for goal, place in zip(goals, self._by_hand)]
            strengths = [own if place is None else HAND for own, place in zip(strengths, self._by_hand)]
            goals = [goal if place is None else place for goal, place in zip(goals, self._by_hand)]
        self._ctrl[:] = [(goal or 0.0) - play for goal, play in zip(goals, self._play)]
        self._gain[:], self._bias[:], self._least[:], self._most[:] = self._full * strengths

    def note(self) -> None:
        """Take the torques (N·m) and currents (A) at the end of a frame."""
        powered = [goal is not None and own > 0.0 for goal, own in zip(self._goals, self.strength)]
        self.torques = [
            force - damping * rate if on else 0.0
            for force, rate, on, damping in zip(self._forces.tolist(), self._rates.tolist(), powered, self._damping)
        ]
        self.currents = list(self._motors.currents_of_pose(self.torques, powered))
