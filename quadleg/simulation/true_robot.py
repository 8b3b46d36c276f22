"""The robot as it truly is: that of the robot file with a `WorldDifference`. Only the world sees it."""

from __future__ import annotations

from dataclasses import replace
from math import copysign, pi

import mujoco
import numpy as np

from quadleg.robot.model import Joint, Leg, RobotModel, Servo
from quadleg.simulation.ground import MOST_FRICTION, Ground
from quadleg.simulation.world_difference import NO_DIFFERENCE, WorldDifference

LEAST_RADIUS = 0.25  # share of the robot file's radius that the smallest foot has


def true_robot(robot: RobotModel, difference: WorldDifference) -> RobotModel:
    """Return the robot with its own links, feet, masses, servos and horns; the same object without a difference."""
    if difference == NO_DIFFERENCE:
        return robot
    legs = [_leg(leg, number, difference) for number, leg in enumerate(robot.legs)]
    body, abductor, upper, lower = (1.0 + share for share in difference.masses)
    masses = replace(
        robot.masses,
        body=robot.masses.body * body,
        abductor=robot.masses.abductor * abductor,
        upper=robot.masses.upper * upper,
        lower=robot.masses.lower * lower,
    )
    frames = tuple(replace(frame, mass=frame.mass * body) for frame in robot.frames)
    return replace(robot, legs=(legs[0], legs[1], legs[2], legs[3]), masses=masses, frames=frames)


def _leg(leg: Leg, number: int, difference: WorldDifference) -> Leg:
    offset, upper, lower = difference.links[3 * number : 3 * number + 3]
    joints = [_joint(joint, 3 * number + place, difference) for place, joint in enumerate(leg.joints)]
    return replace(
        leg,
        hip_offset=copysign(max(abs(leg.hip_offset) + offset, 0.0), leg.hip_offset),
        upper_length=leg.upper_length + upper,
        lower_length=leg.lower_length + lower,
        foot_radius=max(leg.foot_radius + difference.foot_radius[number], LEAST_RADIUS * leg.foot_radius),
        joints=(joints[0], joints[1], joints[2]),
    )


def _joint(joint: Joint, number: int, difference: WorldDifference) -> Joint:
    """The joint with its servo; its own ends are as far beyond the file's limits as horn and scale are off."""
    servo, horn, scale = joint.servo, difference.horns[number], difference.pulse_scale[number]
    kind = replace(
        servo.kind,
        stall_torque=servo.kind.stall_torque * difference.torque[number],
        no_load_speed=servo.kind.no_load_speed * difference.speed[number],
    )
    room = abs(horn) + abs(scale) * pi / 2
    return replace(
        joint, lower=joint.lower - room, upper=joint.upper + room, servo=_turned(replace(servo, kind=kind), horn, scale)
    )


def _turned(servo: Servo, horn: float, scale: float) -> Servo:
    """The servo whose joint stands off by `horn` (rad), and that needs `scale` more pulse for an angle."""
    per_radian = servo.pulse_per_radian * (1.0 + scale)
    middle = (servo.stops[0] + servo.stops[1]) / 2
    at_middle = (middle - servo.pulse_at_zero) / servo.pulse_per_radian + horn
    zero = servo.pulse_at_zero if not horn and not scale else middle - at_middle * per_radian
    return replace(servo, pulse_at_zero=zero, pulse_per_radian=per_radian)


def true_ground(ground: Ground, difference: WorldDifference) -> Ground:
    """Return the ground with the friction that these feet have on it."""
    share = difference.friction
    if share == 1.0:
        return ground
    slippery = ground.slippery_friction
    return replace(
        ground,
        friction=min(ground.friction * share, MOST_FRICTION),
        slippery_friction=None if slippery is None else min(slippery * share, MOST_FRICTION),
    )


def shift_centre(spec: mujoco.MjSpec, robot: RobotModel, difference: WorldDifference) -> None:
    """Shift the centre of mass of the body with all that is fixed to it."""
    base = spec.body("base_link")
    own = robot.masses.body - sum(frame.mass for frame in robot.frames)
    base.ipos = base.ipos + np.array(difference.centre_of_mass) * robot.masses.body / own
