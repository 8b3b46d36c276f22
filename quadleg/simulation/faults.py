"""Failures of servos, load, ground and supply, put into a world while a robot stands or walks in it.

How hard a fault is, and which joint or leg it meets, is drawn by a seed. The ranges reach on purpose from what a robot
does not notice to what no robot survives: what came of a fault is judged by the world's truth, not by its kind.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import mujoco
import numpy as np

from quadleg.robot.model import JOINT_NAMES, LEGS, RobotModel
from quadleg.simulation.fault_kinds import FaultKind
from quadleg.simulation.world import World

STUCK = 50.0  # times the stall torque: the friction of a joint that nothing turns
FREE = 0.1  # share of a servo's friction that a joint keeps whose horn is stripped: its bearings
WEAK = (0.15, 0.5)  # share of their torque that weak servos have
SLIPPERY = (0.02, 0.1)  # Coulomb friction of a wet or icy floor (common practice, no source)
SUPPLY_SHARE = (0.4, 0.8)  # of its voltage that a weak supply still gives at the current it gives now
LEAST_CURRENT = 1.0  # A: a robot that draws less when its supply becomes weak
PAYLOAD_SPREAD = 0.25  # share of the body's length and width by which the payload's place is off its middle


@dataclass(frozen=True)
class InjectedFault:
    """What was made to fail: `where` are joints or legs, none for the whole robot; `size` as its kind has it."""

    kind: FaultKind
    where: tuple[str, ...] = ()
    size: float = 0.0


def inject(world: World, robot: RobotModel, kind: FaultKind, seed: int) -> InjectedFault:
    """Let something fail from the next frame on."""
    random = np.random.default_rng([seed, 5])
    return _INJECTORS[kind](world, robot, random)


def _weaken(world: World, _: RobotModel, random: np.random.Generator) -> InjectedFault:
    """All servos lose the same share of their torque, as ones of a smaller class would have it."""
    share = float(random.uniform(*WEAK))
    world.servos.strength[:] = [share] * len(JOINT_NAMES)
    return InjectedFault(FaultKind.WEAK_SERVOS, (), share)


def _strip(world: World, _: RobotModel, random: np.random.Generator) -> InjectedFault:
    """The servo turns, and its horn does not."""
    joint = int(random.integers(len(JOINT_NAMES)))
    world.servos.strength[joint] = 0.0
    dof = _dof(world, joint)
    world.model.dof_frictionloss[dof] *= FREE
    world.model.dof_damping[dof] *= FREE
    world.model.dof_armature[dof] *= FREE
    return InjectedFault(FaultKind.STRIPPED_HORN, (JOINT_NAMES[joint],), 1.0)


def _let_go(world: World, _: RobotModel, random: np.random.Generator) -> InjectedFault:
    """One servo without power, its gears still turning with the joint."""
    joint = int(random.integers(len(JOINT_NAMES)))
    world.servos.strength[joint] = 0.0
    return InjectedFault(FaultKind.LIMP_SERVO, (JOINT_NAMES[joint],), 1.0)


def _jam(world: World, robot: RobotModel, random: np.random.Generator) -> InjectedFault:
    """One joint that stays where it is, while its motor pulls."""
    joint = int(random.integers(len(JOINT_NAMES)))
    world.model.dof_frictionloss[_dof(world, joint)] = STUCK * robot.stall_torque(robot.joints[joint])
    return InjectedFault(FaultKind.STUCK_SERVO, (JOINT_NAMES[joint],), 1.0)


def _load(world: World, robot: RobotModel, random: np.random.Generator) -> InjectedFault:
    """As much once more as the body and all that is fixed to it weigh, put down on the body near its middle."""
    body = world.model.body("base_link").id
    mass = robot.masses.body
    length, width, height = robot.body.size
    x, y, z = robot.body.centre
    place = (
        x + length * float(random.uniform(-PAYLOAD_SPREAD, PAYLOAD_SPREAD)),
        y + width * float(random.uniform(-PAYLOAD_SPREAD, PAYLOAD_SPREAD)),
        z + height / 2,
    )
    model = world.model
    before = float(model.body_mass[body])
    centre = model.body_ipos[body].copy()
    moved = (before * centre + mass * np.array(place)) / (before + mass)
    # The inertia's growth by a point mass at its distance from the common centre; how it is turned changes little.
    off, back = np.array(place) - moved, centre - moved
    for part, arm in ((mass, off), (before, back)):
        model.body_inertia[body] += part * (arm @ arm - arm**2)
    model.body_mass[body] = before + mass
    model.body_ipos[body] = moved
    mujoco.mj_setConst(model, mujoco.MjData(model))
    return InjectedFault(FaultKind.PAYLOAD_DOUBLED, (), mass)


def _catch(world: World, _: RobotModel, random: np.random.Generator) -> InjectedFault:
    """A foot that something holds where it is, as a cable or a gap in the floor would."""
    leg = int(random.integers(len(LEGS)))
    world.catch_foot(leg)
    return InjectedFault(FaultKind.LEG_CAUGHT, (LEGS[leg],), 1.0)


def _wet(world: World, _: RobotModel, random: np.random.Generator) -> InjectedFault:
    """The floor becomes slippery everywhere."""
    friction = float(random.uniform(*SLIPPERY))
    world.set_friction(friction)
    return InjectedFault(FaultKind.SLIPPERY_FLOOR, (), friction)


def _sag(world: World, robot: RobotModel, random: np.random.Generator) -> InjectedFault:
    """A supply, wire or plug with so much resistance that its voltage falls under load."""
    share = float(random.uniform(*SUPPLY_SHARE))
    current = max(float(world.currents.sum()), LEAST_CURRENT)
    world.servos.resistance = (1.0 - share) * robot.supply.voltage / current
    return InjectedFault(FaultKind.WEAK_SUPPLY, (), world.servos.resistance)


def _dof(world: World, joint: int) -> int:
    return int(world.model.joint(JOINT_NAMES[joint]).dofadr[0])


_Injector = Callable[[World, RobotModel, np.random.Generator], InjectedFault]
_INJECTORS: dict[FaultKind, _Injector] = {
    FaultKind.WEAK_SERVOS: _weaken,
    FaultKind.STRIPPED_HORN: _strip,
    FaultKind.LIMP_SERVO: _let_go,
    FaultKind.STUCK_SERVO: _jam,
    FaultKind.PAYLOAD_DOUBLED: _load,
    FaultKind.LEG_CAUGHT: _catch,
    FaultKind.SLIPPERY_FLOOR: _wet,
    FaultKind.WEAK_SUPPLY: _sag,
}
