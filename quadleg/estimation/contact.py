"""Which feet carry the body: by the plan, by whether they stay where they are, and by the specific force.

The slip gate is OUTLIER_GATE of error_state_filter.py, shared with the adaptation of noise (stance_feet.py) and the
test for an estimate that makes no sense (credibility.py); for slips alone, give it a constant of its own here.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from math import hypot

from quadleg.dynamics.centre_of_mass import centre_of_mass
from quadleg.dynamics.load_sharing import share_weight
from quadleg.estimation.error_state_filter import OUTLIER_GATE
from quadleg.geometry.vectors import Vector
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import LEGS, RobotModel

SERVO_DELAY = 0.04  # s from a plan to what the feet do: a frame on its way, the servo's own frame, and its lag
# Ticks in a row beyond OUTLIER_GATE until a foot slips, and slower than CALM_SPEED until it stands again; at any rate,
# as each is one measurement (our own choice).
SLIP_TICKS = 3
CALM_SPEED = 0.04  # m/s over the ground
LIGHTEST = 0.5  # m/s²: below it the body is in free fall, and no foot carries


class Contacts:
    """State of each foot, in the order of `LEGS`: `down` if it may carry, `slipping` if it slips while down."""

    def __init__(self, period: float) -> None:
        self._plans: deque[tuple[float, ...]] = deque(maxlen=1 + round(SERVO_DELAY / period))
        self.down = [False] * len(LEGS)
        self.slipping = [False] * len(LEGS)
        self._count = [0] * len(LEGS)

    def plan(self, loads: Sequence[float], known: Sequence[bool]) -> list[int]:
        """Take the planned loads (0: in the air) and whose joints are known; return the legs that have just landed.

        A foot is down from SERVO_DELAY after its planned landing until its planned lift-off.
        """
        self._plans.append(tuple(loads))
        landed = []
        for leg in range(len(LEGS)):
            down = known[leg] and all(loads[leg] for loads in self._plans)
            if down and not self.down[leg]:
                landed.append(leg)
            if not down:
                self.slipping[leg], self._count[leg] = False, 0
            self.down[leg] = down
        return landed

    def coming(self, loads: Sequence[float]) -> bool:
        """Whether a foot is planned to carry and is not down yet."""
        return any(load and not down for load, down in zip(loads, self.down))

    def judge(self, leg: int, distance: float, speed: float) -> bool:
        """Return whether a foot that is down stands still, by its squared normalized innovation `distance` and its
        `speed` over the ground in m/s."""
        if self.slipping[leg]:
            self._count[leg] = self._count[leg] + 1 if speed < CALM_SPEED else 0
            if self._count[leg] >= SLIP_TICKS:
                self.slipping[leg], self._count[leg] = False, 0
            return not self.slipping[leg]
        self._count[leg] = self._count[leg] + 1 if distance > OUTLIER_GATE else 0
        if self._count[leg] >= SLIP_TICKS:
            self.slipping[leg], self._count[leg] = True, 0
        return distance <= OUTLIER_GATE

    def trust(self) -> None:
        """Clear all slips."""
        self.slipping = [False] * len(LEGS)
        self._count = [0] * len(LEGS)


class Loads:
    """The forces of the ground on the feet of one robot."""

    def __init__(self, robot: RobotModel) -> None:
        self._mass = robot.masses.total
        self._centre = centre_of_mass(robot, stance_angles(robot, robot.standing))

    def share(
        self, rotation: Sequence[Vector], feet: Sequence[Vector], carrying: Sequence[bool], specific_force: Vector
    ) -> tuple[Vector, ...]:
        """The forces (N, in the world) on feet (m from base_link's origin, along the world's axes), those `carrying`.

        `rotation` is of base_link against the world, by rows, and `specific_force` its acceleration less gravity
        (m/s², along the world's axes). The forces add up to what accelerates the mass so, and their centre of pressure
        is where the line along them through the centre of mass meets the ground (the zero moment point: Vukobratović &
        Borovac, Int. J. Humanoid Robotics 1 (2004) 157).
        """
        legs = [leg for leg, carries in enumerate(carrying) if carries]
        fx, fy, fz = specific_force
        if not legs or fz < LIGHTEST:
            return ((0.0, 0.0, 0.0),) * len(LEGS)
        x, y, z = (sum(r * c for r, c in zip(row, self._centre)) for row in rotation)
        high = z - sum(feet[leg][2] for leg in legs) / len(legs)
        point = x - high * fx / fz, y - high * fy / fz
        places = [feet[leg][:2] for leg in legs]
        if len(legs) == 1 or (
            len(legs) == 2 and hypot(places[0][0] - places[1][0], places[0][1] - places[1][1]) < 1e-6
        ):
            shares = [1.0 / len(legs)] * len(legs)
        else:
            shares = share_weight([(a, b) for a, b in places], point)
        forces = [(0.0, 0.0, 0.0)] * len(LEGS)
        for leg, share in zip(legs, shares):
            forces[leg] = (self._mass * share * fx, self._mass * share * fy, self._mass * share * fz)
        return tuple(forces)
