"""The servos, or the mass, with which a robot could bear given torques: what a person buys or leaves off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from quadleg.commissioning.feasibility.verdict import Need, Quantity
from quadleg.dynamics.gravity import KG_CM
from quadleg.geometry.arrays import Array
from quadleg.robot.model import JOINT_NAMES, JOINTS, Joint, RobotModel

_PLURALS = {"abduction": "abductions", "hip": "hips", "knee": "knees"}


def torque_needs(robot: RobotModel, torques: Array, margin: float = 1.0) -> tuple[Need, ...]:
    """For each kind of joint that is too weak for torques (12,) in N·m times a margin: the stall torque needed.

    As a data sheet has it, at the voltage of the servos that there are, where the supply's is another. The last one is
    the mass that would suffice instead: torques are proportional to it.
    """
    asked = margin * np.abs(torques).reshape(-1, len(JOINTS)).max(axis=0)
    needs, weakest = [], 1.0
    for number, (joint, torque) in enumerate(zip(JOINTS, asked.tolist())):
        kinds = [leg.joints[number].servo.kind for leg in robot.legs]
        kind = min(kinds, key=lambda kind: kind.stall_torque_at(robot.supply.voltage))
        share = kind.stall_torque_at(robot.supply.voltage) / torque if torque else np.inf
        if share < 1.0:
            have = kind.stall_torque / KG_CM
            needs.append(Need(Quantity.STALL_TORQUE_KG_CM, have / share, have, _PLURALS[joint]))
            weakest = min(weakest, share)
    if not needs:
        return ()
    mass = 1000 * robot.masses.total
    return (*needs, Need(Quantity.MASS_G, weakest * mass, mass))


def with_stall_torques(robot: RobotModel, torques: Array) -> RobotModel:
    """The robot with servos of at least the stall torques (12,) in N·m, and as much more current."""
    asked = dict(zip(JOINT_NAMES, torques.tolist()))

    def strengthened(joint: Joint) -> Joint:
        kind, times = joint.servo.kind, max(asked[joint.name] / robot.stall_torque(joint), 1.0)
        kind = replace(kind, stall_torque=times * kind.stall_torque, stall_current=times * kind.stall_current)
        return replace(joint, servo=replace(joint.servo, kind=kind))

    return robot.with_joints(strengthened)


def with_servos_to_buy(robot: RobotModel, torques: Array) -> RobotModel:
    """As `with_stall_torques`, with all servos of a kind exchanged for ones that do for the joint that asks most."""
    kinds = [joint.servo.kind for joint in robot.joints]
    stall = np.array([robot.stall_torque(joint) for joint in robot.joints])
    times = torques / stall
    most = [max(share for share, other in zip(times, kinds) if other == kind) for kind in kinds]
    return with_stall_torques(robot, np.array(most) * stall)


def torque_cure(needs: Sequence[Need]) -> str:
    """What `torque_needs` found, in words; empty where it found nothing."""
    torques = [need for need in needs if need.quantity is Quantity.STALL_TORQUE_KG_CM]
    if not torques:
        return ""
    each = ", ".join(
        f"at least {_two_digits(need.value)} kg·cm ({_two_digits(need.value * KG_CM)} N·m) at the {need.at}"
        for need in torques
    )
    have = " and ".join(sorted({f"{need.have:.3g}" for need in torques}))
    masses = [need for need in needs if need.quantity is Quantity.MASS_G]
    lighter = "".join(f"; or {10 * int(need.value / 10)} g at most instead of {need.have:.0f}" for need in masses)
    return f"{each}; you have {have}{lighter}"


def _two_digits(value: float) -> str:
    """Rounded up to two digits, so that what is written does."""
    step = 10.0 ** (np.floor(np.log10(value)) - 1)
    return f"{np.ceil(value / step - 1e-6) * step:.3g}"
