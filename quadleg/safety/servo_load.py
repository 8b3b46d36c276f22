"""What the commanded motion asks of the servos by the robot file, and whether that explains the current they draw."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite, nan

from quadleg.dynamics.joint_torques import static_torques
from quadleg.dynamics.servo_motors import FRICTION, ServoMotors
from quadleg.robot.model import JOINT_NAMES, Robot
from quadleg.safety.commanded_motion import CommandedMotion

SMOOTH_TIME = 0.5  # s over which currents are evened: the jolts of a step
KNOWN_TIME = 0.5  # s for which a reading counts
LEARN_TIME = 60.0  # s in which a robot's own ratio of drawn to modelled current is learned, for each number of feet
LEARNT = (0.7, 1.3)  # least and most of it: data sheets are not more wrong than that (unverified: measure some servos)
# Times the modelled current, by the feet on the ground, from which the motion does not explain what is drawn beyond the
# friction of all gears: walks in physics over slopes, bumps and pushes stay 10 % below (test/faults/physics.py).
UNEXPLAINED = {4: 1.5, 3: 1.2, 2: 1.3}


class ServoLoad:
    """`torques` are what the joints hold by the model (N·m), `needed` the largest share of a stall torque among them,
    `overloaded` the joints that need more than they have, `drawn` the measured current without friction over
    the modelled one."""

    def __init__(self, robot: Robot) -> None:
        self._robot = robot
        self._motors = ServoMotors.of(robot)
        self._stall = self._motors.stall_torque.tolist()
        self._damping = self._motors.damping.tolist()
        self._friction = FRICTION * float(self._motors.stall_current.sum())
        self._learnt = dict.fromkeys(UNEXPLAINED, 1.0)
        self.forget()

    def forget(self) -> None:
        """Begin anew: the servos have had no power."""
        self._before: Sequence[float] | None = None
        self._model = self._current = nan
        self._heard = self._reading = nan
        self.torques: Sequence[float] = (0.0,) * len(JOINT_NAMES)
        self.needed = self.needed_for = 0.0
        self.overloaded: tuple[str, ...] = ()
        self.drawn = self.drawn_for = 0.0
        self.limit = UNEXPLAINED[4]

    def measured(self, current: float, now: float) -> None:
        """A measured current in A; not finite: nobody measures it."""
        self._reading, self._heard = current, now

    def step(self, angles: Sequence[float], commanded: CommandedMotion, now: float, dt: float) -> None:
        """One frame of twelve commanded angles (rad)."""
        before, self._before = self._before or angles, angles
        self.torques = static_torques(self._robot, angles, commanded.at_once)
        shares = [abs(torque) / stall for torque, stall in zip(self.torques, self._stall)]
        self.needed = max(shares)
        self.needed_for = self.needed_for + dt if self.needed > 1.0 else 0.0
        if self.needed > 1.0:
            self.overloaded = tuple(name for name, share in zip(JOINT_NAMES, shares) if share > 1.0)
        if not dt or not isfinite(self._reading) or now - self._heard > KNOWN_TIME:
            self._current, self.drawn_for = nan, 0.0
            return
        rates = [(b - a) / dt for a, b in zip(before, angles)]
        self._compare(rates, commanded.carrying, dt)

    def _compare(self, rates: Sequence[float], standing: int, dt: float) -> None:
        held = [torque + damping * rate for torque, damping, rate in zip(self.torques, self._damping, rates)]
        model = sum(self._motors.currents_of_pose(self._motors.torques_of_pose(held, rates), [True] * len(JOINT_NAMES)))
        if not isfinite(self._current):
            self._current, self._model = model, model
        share = min(dt / SMOOTH_TIME, 1.0)
        self._current += share * (self._reading - self._current)
        self._model += share * (model - self._model)
        ratio = max(self._current - self._friction, 0.0) / max(self._model, 1e-3)
        kind = min(max(standing, 2), 4)
        self.drawn = ratio / self._learnt[kind]
        # The support of the last second counts, not that of the moment: currents are evened.
        self.limit += share * (UNEXPLAINED[kind] - self.limit)
        if self.drawn > self.limit:
            self.drawn_for += dt
            return
        self.drawn_for = 0.0
        least, most = LEARNT
        learnt = self._learnt[kind]
        self._learnt[kind] = min(max(learnt + dt / LEARN_TIME * (ratio - learnt), least), most)
