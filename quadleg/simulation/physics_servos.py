"""Twelve hobby servos that move a body: what the robot file says of them, and what it does not, as MuJoCo's actuators.

A servo's motor gives a torque in proportion to its error, at most the stall torque, less what its speed takes from it
(back-EMF): the straight torque-speed line of a brushed motor. As an actuator this is a position actuator with a
limited force in a joint with damping. Pulses, deadband, backlash and the supply change once a servo frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, radians

import mujoco
import numpy as np

from quadleg.dynamics.servo_motors import ServoMotors
from quadleg.geometry.arrays import Array
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.simulation.world_difference import NO_DIFFERENCE, WorldDifference

# What no data sheet of a hobby servo says (common practice, no source). Nothing here is imported from what estimation
# and safety assume (dynamics/servo_motors.py), nor equal to it by need: that has to hold for
# servos that differ from it. Friction, rotor and supply are in world_difference.py.
FULL_TORQUE_ERROR = radians(2.5)
BACKLASH = radians(0.4)  # of the gears, from end to end
HAND = 5.0  # strength of a hand that holds a leg in place, in that of the joint's servo (our own choice)
TAKEN_UP = 0.1  # share of the stall torque that presses the teeth together
PLAY_DAMPING = 1e-3  # N·m·s/rad, of grease and bearings in the free play (our own choice: a leg swings to an end of it)
LEAST_PLAY = 1e-4  # rad: of a joint without free play beside others that have some
HARD_ENDS = (0.995, 0.999, 0.001, 0.5, 2.0)  # of the free play: MuJoCo's solimp, 20 times as hard as a foot's contact


class PhysicsServos:
    """The actuators of one world, the joints in the order of `JOINT_NAMES`.

    The data sheet's torque and speed are measured at the shaft, so the motor also overcomes the friction. `currents`
    are those of the motors in A, `voltage` in V is that of the supply under them.

    What may be changed while they run, to make them fail (simulation/faults.py): `strength` (12), the share of its
    torque that each motor still has, and the `resistance` in ohm between supply and servos.
    """

    def __init__(self, robot: RobotModel, difference: WorldDifference = NO_DIFFERENCE) -> None:
        joints = robot.joints
        self._nominal = robot.supply.voltage
        self._supply = (1.0 - difference.sag) * self._nominal
        self._motors = ServoMotors.of(robot, np.array(difference.gear_friction), np.array(difference.motor_time))
        strongest = self._motors.strongest
        stiffness = np.array(difference.stiffness) * strongest / FULL_TORQUE_ERROR
        frame = 1.0 / robot.board.frequency
        # The share of a new goal that a servo's control has taken up after a frame.
        self._follows = [1.0 - exp(-frame / lag) if lag else 1.0 for lag in difference.lag]
        self._free = difference.play if any(difference.play) else ()
        # Of the play, what a load takes up and what it leaves free.
        self._backlash = [max(BACKLASH - play, 0.0) for play in difference.play]
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
        self._after: Array = np.zeros(len(joints))
        self.rest()
        self.voltage = self._supply
        self.resistance = difference.supply_resistance
        self.strength = [1.0] * len(JOINT_NAMES)

    def add_to(self, spec: mujoco.MjSpec) -> None:
        """Put the actuators into a MuJoCo world, and a joint of free play after each that they turn if there is some.

        What turns before it has the gears' friction and the rotor, what turns after it only the leg.
        """
        for name, play, inertia in zip(JOINT_NAMES, self._free, self._motors.rotor_inertia.tolist()):
            shaft = spec.joint(name)
            shaft.armature = inertia  # or nothing would keep it from turning against its play
            shaft.parent.add_joint(
                name=f"{name}_play",
                type=mujoco.mjtJoint.mjJNT_HINGE,
                axis=shaft.axis,
                pos=shaft.pos,
                limited=mujoco.mjtLimited.mjLIMITED_TRUE,
                range=(-max(play, LEAST_PLAY) / 2, max(play, LEAST_PLAY) / 2),
                solimp_limit=HARD_ENDS,
                solref_limit=(0.01, 1.0),
                damping=PLAY_DAMPING,
            )
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
        every = 2 if self._free else 1  # after each of the joints is its free play
        self._places, self._speeds = slice(7, None, every), slice(6, None, every)  # after the body's free joint
        places, joints = self._places, self._speeds
        model.dof_frictionloss[joints] = self._motors.friction
        model.dof_damping[joints] = self._motors.damping
        model.dof_armature[joints] = self._motors.rotor_inertia
        model.jnt_actfrclimited[:] = False  # the URDF's effort is that at the shaft, without the friction
        mujoco.mj_setConst(model, data)
        self._angles, self._rates, self._forces = data.qpos[places], data.qvel[joints], data.actuator_force
        self._after = data.qpos[7:]
        self._ctrl, self._gain, self._bias = data.ctrl, model.actuator_gainprm[:, 0], model.actuator_biasprm[:, 1]
        self._least, self._most = model.actuator_forcerange.T

    def turned(self, values: Array) -> Array:
        """(12,) of the joints, the free play included, from `values`: the world's places or rates of all its joints."""
        return values[::2] + values[1::2] if self._free else values.copy()

    def put(self, angles: Sequence[float]) -> None:
        """Put the joints at twelve angles (rad), in the middle of their free play."""
        self._after[:] = 0.0
        self._angles[:] = angles

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
        for pulse, before, angle, follows, (shortest, longest, zero, per_radian, deadband) in zip(
            pulses, self._goals, self._angles.tolist(), self._follows, self._figures
        ):
            if pulse is None:
                goals.append(None)
                continue
            within = shortest if pulse < shortest else longest if pulse > longest else pulse
            target = (within - zero) / per_radian
            # As servos/servo_model.py: it turns until it is within the deadband, and stays there.
            goal = angle if before is None else before
            low, high = target - deadband, target + deadband
            wanted = low if goal < low else high if goal > high else goal
            goals.append(wanted if follows == 1.0 else goal + follows * (wanted - goal))
        self._goals = goals
        for joint, (torque, taken_up, backlash) in enumerate(zip(self.torques, self._taken_up, self._backlash)):
            pressed = 1.0 if torque > taken_up else -1.0 if torque < -taken_up else torque / taken_up
            # Half of the way a frame: all of it at once would rattle from frame to frame.
            self._play[joint] += 0.5 * (backlash / 2 * pressed - self._play[joint])
        self.voltage = max(self._supply - self.resistance * sum(self.currents), 0.0)
        strength = self.voltage / self._nominal
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
