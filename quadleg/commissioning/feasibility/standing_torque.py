"""Static torque of each joint, standing: what the servos have to hold, against what they can.

The body is level; see dynamics/joint_torques.py for what the torques are made of.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from quadleg.commissioning.feasibility.torque_needs import torque_cure, torque_needs
from quadleg.commissioning.feasibility.verdict import FAILS, GOOD, TIGHT, Need, Verdict, graded
from quadleg.dynamics.centre_of_mass import centre_of_mass_batch
from quadleg.dynamics.joint_torques import BELLY_DOWN, foot_loads, holding_torques
from quadleg.dynamics.servo_motors import SUPPLY_RESISTANCE, ServoMotors
from quadleg.geometry.arrays import Array
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import all_inverse_batch, feet_in_base
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.safety.transitions import LIFT_SPEED

# Added to the torques needed: stronger servos have more friction (4 % of their stall torque) and draw more current.
HEADROOM = 1.05
MARGIN = 2.0  # stall torque over static torque (common practice, no source)

# The sets of feet to stand on, by their number: two are those across.
FEET = {
    4: ((0, 1, 2, 3),),
    3: ((1, 2, 3), (0, 2, 3), (0, 1, 3), (0, 1, 2)),
    2: ((0, 3), (1, 2)),
}
IN_WORDS = {4: "four feet", 3: "three feet", 2: "two feet"}
_HEIGHTS = 41


def standing_angles(robot: RobotModel, heights: Iterable[float]) -> Array:
    """(n, 12) angles in rad with the feet of the stance and the level body at heights in m that are in reach."""
    feet = np.array([feet_in_base(Pose((0.0, 0.0, height)), robot.standing.feet) for height in heights])
    angles, _ = all_inverse_batch(robot, feet)
    return angles


def standing_torques(robot: RobotModel, angles: Array, count: int) -> Array:
    """(n, 12) the largest torques in N·m, without sign, over the sets of so many feet; angles (n, 12) as above."""
    feet = np.broadcast_to(np.array(robot.standing.feet)[:, :2], (len(angles), 4, 2))
    centres = centre_of_mass_batch(robot, angles)[:, :2]
    most = np.zeros_like(angles)
    for standing in FEET[count]:
        loads = foot_loads(robot, feet, standing, centres)
        most = np.maximum(most, np.abs(holding_torques(robot, angles, loads)))
    return most


@dataclass(frozen=True)
class Rise:
    """The way up from the resting pose on four feet, at the speed of safety/transitions.py.

    `effort` is the largest share of the torque-speed line that a joint takes, with the voltage that is left;
    `needed` (12,) the stall torques in N·m with which each joint would just do, `current` the largest in A.
    """

    effort: float
    needed: Array
    current: float

    @classmethod
    def of(cls, robot: RobotModel) -> Rise:
        """From where the belly leaves the ground."""
        motors = ServoMotors.of(robot)
        heights = np.linspace(robot.resting.height, robot.standing.height, _HEIGHTS)
        angles = standing_angles(robot, heights.tolist())
        rates = np.abs(np.gradient(angles, heights, axis=0)) * LIFT_SPEED
        off_the_ground = heights > robot.resting.height + BELLY_DOWN
        if not off_the_ground.any():
            off_the_ground[-1] = True
        held, fast = standing_torques(robot, angles, 4)[off_the_ground], (rates / motors.no_load_speed)[off_the_ground]
        drawn = motors.currents(motors.torques(held, rates[off_the_ground])).sum(axis=1)
        strength = np.maximum(1.0 - SUPPLY_RESISTANCE * drawn / robot.supply.voltage, 0.1)[:, None]
        effort = (held / motors.stall_torque + fast) / strength
        needed = (held / np.maximum(strength - fast, 0.05)).max(axis=0)
        return cls(float(effort.max()), needed, float(drawn.max()))


@dataclass(frozen=True)
class Torque:
    """Torques in N·m: `standing` (12,) at the standing height and `over` (n, 12) at `heights` (n,) in m, each by the
    number of feet; `stall` (12,).
    """

    robot: RobotModel
    heights: Array
    over: dict[int, Array]
    standing: dict[int, Array]
    stall: Array
    height: float
    rising: Rise

    @classmethod
    def of(cls, robot: RobotModel, lowest: float, highest: float) -> Torque:
        """Over the standing heights of a robot."""
        heights = np.linspace(lowest, highest, _HEIGHTS)
        angles = standing_angles(robot, heights.tolist())
        at = standing_angles(robot, [robot.standing.height])
        return cls(
            robot=robot,
            heights=heights,
            over={count: standing_torques(robot, angles, count) for count in FEET},
            standing={count: standing_torques(robot, at, count)[0] for count in FEET},
            stall=ServoMotors.of(robot).stall_torque,
            height=robot.standing.height,
            rising=Rise.of(robot),
        )

    def margins(self, count: int) -> Array:
        """(n,) the least stall torque over torque of all joints at each of `heights`."""
        return (self.stall / self.over[count]).min(axis=1)

    @property
    def share(self) -> Array:
        """(12,) of the stall torque, standing on four feet."""
        return self.standing[4] / self.stall

    @cached_property
    def needed(self) -> Array:
        """(12,) the stall torques in N·m that rising and standing take, and a little more."""
        return HEADROOM * np.max([self.rising.needed, *self.standing.values()], axis=0)

    def verdicts(self, needed: Array | None = None, walks_on: Collection[int] = ()) -> list[Verdict]:
        """One for each number of feet. `needed` (12,) are the stall torques in N·m to buy, None where what it has does
        for rising and walking. It walks with so many feet down as `walks_on` has, by the sway of its body.
        """
        needs = () if needed is None else torque_needs(self.robot, needed)
        return [self._of_feet(count, needs, count in walks_on) for count in FEET]

    def _of_feet(self, count: int, needs: tuple[Need, ...], walks: bool) -> Verdict:
        torques = self.standing[count]
        worst = int((torques / self.stall).argmax())
        margin = float(self.stall[worst] / torques[worst])
        over = self.margins(count)
        least = int(over.argmin())
        about = f"torque, {IN_WORDS[count]}"
        why = (
            f"{JOINT_NAMES[worst]} holds {torques[worst]:.2f} of {self.stall[worst]:.2f} N·m at "
            f"{1000 * self.height:.0f} mm, margin {margin:.1f}; least margin {over[least]:.1f}, "
            f"at {1000 * self.heights[least]:.0f} mm"
        )
        word = graded(margin, MARGIN, 1.0)
        if count == 4 and self.rising.effort > 1.0:
            needs = needs or torque_needs(self.robot, self.needed)
            return Verdict(about, FAILS, f"{why}; it cannot rise from its resting pose", torque_cure(needs), needs)
        if word == GOOD:
            if over[least] >= 1.0:
                return Verdict(about, GOOD, why)
            return Verdict(about, TIGHT, why, f"stay between {self._safe_heights(count)} mm")
        if word == FAILS and walks:
            why = f"{why}; it walks all the same, by the sway of its body"
        elif word == FAILS:
            needs = needs or torque_needs(self.robot, self.needed)
        if needs:
            return Verdict(about, TIGHT if walks else word, why, torque_cure(needs), needs)
        needs = torque_needs(self.robot, np.max(list(self.standing.values()), axis=0), MARGIN)
        return Verdict(about, TIGHT, why, f"for the usual margin of {MARGIN:g}: {torque_cure(needs)}", needs)

    def _safe_heights(self, count: int) -> str:
        safe = 1000 * self.heights[self.margins(count) >= 1.0]
        return f"{safe.min():.0f} and {safe.max():.0f}"
