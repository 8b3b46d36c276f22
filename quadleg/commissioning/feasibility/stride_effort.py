"""What the servos do over a stride of a gait: how fast they turn, what they hold and what they draw."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import sqrt

import numpy as np

from quadleg.commissioning.feasibility.gait_remedy import gait_remedies, remedy_words
from quadleg.commissioning.feasibility.verdict import Need
from quadleg.dynamics.centre_of_mass import centre_of_mass
from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.dynamics.joint_torques import cyclic_rate, cyclic_second_rate, foot_loads, stride_torques
from quadleg.dynamics.servo_motors import FULL_TORQUE_ERROR, ServoMotors
from quadleg.gait.stability import static_margin
from quadleg.gait.steady_strides import Balance, angles_of, strides
from quadleg.gait.stride_feasibility import EFFORT, StrideFeasibility, StrideObstacle
from quadleg.gait.sway import HARMONICS, basis
from quadleg.gait.walk_codes import JUDGED_SHARE
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.geometry.arrays import Array
from quadleg.geometry.planar import ZERO_TWIST, Planar
from quadleg.robot.model import JOINT_NAMES, LEGS, GaitParameters, RobotModel
from quadleg.safety.catalogue import Reason

# m/s over √(g h): slower than this (a Froude number of 6e-5 to 1e-4), legs give way by more than a walk goes;
# by walks of random robots in physics (test/robot_campaign.py, seeds 21, 101, 103 and 2026).
BARELY, BARELY_ON_TWO = 0.008, 0.01
SPARE_SPEED = 1.2  # times that speed, for servos to buy (our own choice)
# Of the torque-speed line, on the spot: what a gait takes that stands on so many feet before its legs give way by much
# (100 random robots of seed 9001 in physics: of trots above it 4 of 8 lost a third of their speed or more, below 1 of
# 61; creeps lost a quarter at most, and only above it).
WORKED = {3: 0.84, 2: 0.78}

PAST_LIMIT = (0.005, 0.005, 0.03)  # m/s, m/s and rad/s past a limit, where something is in the way (our own choice)
WAYS = ("ahead", "sideways", "turning")


@dataclass(frozen=True)
class Stride:
    """One stride with a steady twist, sampled once a servo frame: `rates` (n, 12) in rad/s and `currents` (n, 12) in A
    at `phases` (n,), shares of the stride. `centre` (2,) is the mean place of the centre of mass in m from the middle
    of the feet; `tipping_margin` in m is how far its zero-moment point stays inside the outline of all four feet, those
    in the air too, which catch a robot that tips towards them.
    """

    twist: Planar
    phases: Array
    rates: Array
    currents: Array
    centre: Array
    tipping_margin: float

    @classmethod
    def of(
        cls, robot: RobotModel, gait: GaitParameters, twist: Planar, sway: Array, lean: tuple[float, float] = (0.0, 0.0)
    ) -> Stride:
        """In a gait with the sway that goes with the twist, and the body leaning (m): see gait/walking_limits.py.

        The body goes evenly, so the ground pushes straight up. Motors also swing the links, turn their own rotors and
        overcome friction.
        """
        count = round(gait.stride_period * robot.control_rate)
        period = gait.stride_period / count
        phases = np.arange(count) / count
        path = strides(robot, gait, np.array([twist]), count)
        feet, shifts = path.feet[0], basis(phases) @ sway + lean
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
        height = robot.standing.height + centre_of_mass(robot, angles[0].tolist())[2]
        # Vukobratovic & Borovac, Int. J. Humanoid Robotics 1 (2004) 157, for a body that keeps its height.
        zero_moment = centres - height / STANDARD_GRAVITY * cyclic_second_rate(centres[None], period)[0]
        outlines = zip(feet[:, :, :2].tolist(), zero_moment.tolist())
        margin = min(static_margin([(x, y) for x, y in places], (x0, y0)) for places, (x0, y0) in outlines)
        return cls(twist, phases, rates[0], drawn, centres.mean(axis=0), margin)

    @property
    def total(self) -> Array:
        """(n,) the current of all servos in A."""
        return self.currents.sum(axis=1)


@dataclass(frozen=True)
class GaitUse:
    """A gait at its fastest: its strides by the names of `WAYS`. `fastest`, `obstacle`, `why` and `cure` are as
    WalkingLimits has them, `fastest` None if not computed; `needs` are the numbers of `cure`, and both are there
    for a gait that goes too slow, too. `use` is how near the joints come to their speed: the largest of rate over
    no-load speed. `judged` is the stride ahead at the speed that verdicts are about, None where the robot goes nowhere;
    `giving_way` is what that gains in m/s as loaded joints give way. `spot_effort` is the share of the torque-speed
    line that the hardest joint takes on the spot, `beyond` is what is in the way a little past each limit of `fastest`,
    and `needed` (12,) are the stall torques in N·m with which the gait goes well: with `WORKED` of the line on the
    spot, and all of it at little more than `least_speed`.
    """

    gait: GaitParameters
    strides: dict[str, Stride]
    fastest: Planar | None
    use: float
    obstacle: StrideObstacle | None = None
    why: str = ""
    cure: str = ""
    needs: tuple[Need, ...] = ()
    judged: Stride | None = None
    spot_effort: float = 0.0
    giving_way: float = 0.0
    beyond: tuple[StrideObstacle | None, ...] = ()
    needed: Array = field(default_factory=lambda: np.zeros(len(JOINT_NAMES)))

    @classmethod
    def of(cls, robot: RobotModel, gait: GaitParameters) -> GaitUse:
        """By the walking limits of a robot, which take half a second or more to find."""
        limits = WalkingLimits(robot, gait)
        trouble = Reason.of_fact(limits.trouble) if limits.trouble else None
        why = str(trouble or "")
        feasible = StrideFeasibility(robot, gait, np.array(limits.lean))
        effort = feasible.hardest(np.array(ZERO_TWIST), limits.margin)
        if limits.obstacle is StrideObstacle.TORQUE:
            why = f"{effort.joint} takes {100 * effort.share:.0f} % of what its servo gives, stepping on the spot"
        speed = _slow(robot, gait)
        x, y, turn = limits.forward
        blocked = limits.obstacle
        if not blocked and x < speed:
            blocked = feasible.first_obstacle(np.array((speed, 0.0, 0.0)), limits.margin)
        remedies = gait_remedies(robot, gait, blocked, speed) if blocked else ()
        twists: tuple[Planar, ...] = ((x, 0.0, 0.0), (0.0, y, 0.0), (0.0, 0.0, turn))
        made = {
            way: Stride.of(robot, gait, twist, limits.sway(twist), limits.lean)
            for way, twist in zip(WAYS, twists)
            if any(twist)
        }
        judged = (JUDGED_SHARE * x, 0.0, 0.0)
        return cls(
            gait=gait,
            strides=made,
            fastest=limits.forward,
            use=_use(robot, made),
            obstacle=limits.obstacle,
            why=why,
            cure=remedy_words(remedies, gait) or (trouble.cure if trouble else ""),
            needs=remedies,
            judged=Stride.of(robot, gait, judged, limits.sway(judged), limits.lean) if x > 0.0 else None,
            spot_effort=effort.share,
            giving_way=feasible.giving_way(np.array(judged), limits.margin, FULL_TORQUE_ERROR),
            beyond=tuple(
                feasible.first_obstacle(np.array(limits.forward) * axis + np.array(PAST_LIMIT) * axis, limits.margin)
                for axis in np.eye(3)
            ),
            needed=_needed(robot, gait, {limits.margin, gait.margin}, limits.lean),
        )

    @classmethod
    def on_the_spot(cls, robot: RobotModel, gait: GaitParameters) -> GaitUse:
        """Without looking for limits or the sway: quick, and somewhat less than a walk takes."""
        made = {"on the spot": Stride.of(robot, gait, ZERO_TWIST, np.zeros((2 * HARMONICS, 2)))}
        lean = Balance.of(robot).lean
        tried = [(lean * share, margin) for share in (1.0, 0.0) for margin in {gait.margin, gait.margin and 0.0}]
        efforts = [
            StrideFeasibility(robot, gait, lean).hardest(np.array(ZERO_TWIST), margin).share for lean, margin in tried
        ]
        x, y = lean.tolist()
        needed = _needed(robot, gait, {gait.margin}, (x, y))
        return cls(gait, made, None, _use(robot, made), spot_effort=min(efforts), needed=needed)

    @property
    def steps(self) -> bool:
        """Whether its servos have the torque to step on the spot."""
        return self.spot_effort <= EFFORT

    @property
    def feet_down(self) -> int:
        """How many feet carry the robot where the fewest do, as torque is judged."""
        return 2 if self.gait.margin is None else 3

    @property
    def worked_hard(self) -> bool:
        """Whether its servos work so near to their limit that a walk may lose much of its speed."""
        return self.spot_effort > WORKED[self.feet_down]

    @property
    def mean(self) -> float:
        """The mean current in A of the way that takes most."""
        return max((float(stride.total.mean()) for stride in self.strides.values()), default=0.0)

    @property
    def peak(self) -> float:
        """The largest current of any servo frame in A."""
        return max((float(stride.total.max()) for stride in self.strides.values()), default=0.0)


def least_speed(robot: RobotModel, gait: GaitParameters) -> float:
    """What still is a walk, in m/s."""
    barely = BARELY_ON_TWO if gait.margin is None else BARELY
    return barely * sqrt(STANDARD_GRAVITY * robot.standing.height)


def _slow(robot: RobotModel, gait: GaitParameters) -> float:
    """The limit in m/s with which a gait is judged at a little more than `least_speed`."""
    return SPARE_SPEED * least_speed(robot, gait) / JUDGED_SHARE


def _needed(robot: RobotModel, gait: GaitParameters, margins: set[float | None], lean: tuple[float, float]) -> Array:
    feasible = StrideFeasibility(robot, gait, np.array(lean))
    slow = np.array([_slow(robot, gait), 0.0, 0.0])
    share = WORKED[2 if gait.margin is None else 3]
    needed = [feasible.stall_torques_needed(np.array(ZERO_TWIST), margin, share) for margin in margins]
    needed += [feasible.stall_torques_needed(slow, margin) for margin in margins]
    return np.max(needed, axis=0)


def _use(robot: RobotModel, made: dict[str, Stride]) -> float:
    speeds = ServoMotors.of(robot).no_load_speed
    return max((float((np.abs(stride.rates) / speeds).max()) for stride in made.values()), default=0.0)
