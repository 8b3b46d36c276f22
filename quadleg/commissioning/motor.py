"""What a servo's motor draws for a torque: the figures of the robot file and a few of the trade.

The same as the actuators of simulation/servos.py, which a test holds: here without MuJoCo.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quadleg.robot.model import Robot
from quadleg.servos.model import FRICTION, MOTOR_TIME

Array = NDArray[np.float64]


def stall_torques(robot: Robot) -> Array:
    """(12,) in N·m at the robot's supply."""
    return np.array([robot.stall_torque(joint) for joint in robot.joints])


def stall_currents(robot: Robot) -> Array:
    """(12,) in A at the robot's supply: of a brushed motor it goes with the voltage."""
    return np.array([robot.stall_current(joint) for joint in robot.joints])


def currents(robot: Robot, torques: Array) -> Array:
    """(..., 12) in A for motor torques (..., 12) in N·m at the shaft: a brushed motor's current goes with its torque.

    The stall torque is measured at the shaft, so at the stall current the motor also overcomes the friction.
    """
    idle = np.array([joint.servo.kind.idle_current for joint in robot.joints])
    stalled = stall_currents(robot)
    share = np.abs(torques) / ((1 + FRICTION) * stall_torques(robot))
    result: Array = idle + (stalled - idle) * np.minimum(share, 1.0)
    return result


def moving_torques(robot: Robot, held: Array, rates: Array, accelerations: Array) -> Array:
    """(..., 12) motor torques in N·m: what is held (N·m), the friction, and what turns the motor's own rotor.

    Rates in rad/s and accelerations in rad/s² are the joints'.
    """
    stalled = stall_torques(robot)
    rotor = MOTOR_TIME * stalled / [robot.no_load_speed(joint) for joint in robot.joints]  # kg·m² at the shaft
    result: Array = held + FRICTION * stalled * np.sign(rates) + rotor * accelerations
    return result
