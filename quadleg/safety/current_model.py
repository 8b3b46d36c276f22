"""Torque and current that the commanded motion needs by the robot file, and the measured current against them."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf, isfinite, nan

from quadleg.dynamics.joint_torques import static_torques
from quadleg.dynamics.servo_motors import FRICTION, ServoMotors
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.safety.commanded_motion import CommandedMotion

STRAINED = 0.8  # share of the stall torque above which a joint may cause a lean (our own choice)
STRAINED_TIME = 1.0  # s for which that is remembered: a falling body unloads other joints
SMOOTH_TIME = 0.5  # s: low-pass of currents, against the jolts of a step
STRIDE_TIME = 1.0  # s: low-pass of currents before the comparison with the usual ratio; about a stride
CURRENT_FRESH = 0.5  # s for which a reading counts
# Times the modelled current, by the feet on the ground, from which the motion does not explain what is drawn beyond the
# friction of all gears. Feet that push against each other draw more than the model knows, most of all standing: sound
# robots of test/random_robots.py drew up to 1.5, 1.2 and 1.3 times the model's.
UNEXPLAINED = {4: 2.5, 3: 1.5, 2: 1.6}
# What a robot usually draws over the model, learned in standing and in each way to walk: models and data sheets are
# wrong by a factor that stays. By how much of it a stride may draw more or less: measured as above.
LEARN_TIME, LEAST_LEARNT = 20.0, 8.0  # s, and after how long it counts
MORE, LESS = 1.35, 0.77


class UsualRatio:
    """Learned ratio of measured to modelled current for one kind of motion."""

    def __init__(self) -> None:
        self.ratio, self.learnt = 1.0, 0.0

    def learn(self, ratio: float, dt: float) -> None:
        """Take the ratio of one frame of `dt` s without anything unusual."""
        self.learnt += dt
        self.ratio += dt / min(self.learnt, LEARN_TIME) * (ratio - self.ratio)

    def off(self, ratio: float) -> float:
        """Return a ratio over the learned one; 1 before that is known."""
        return ratio / max(self.ratio, 1e-3) if self.learnt >= LEAST_LEARNT else 1.0


class CurrentModel:
    """`torques` are what the joints hold by the model (N·m), `needed` the largest share of a stall torque among them,
    `overloaded` the joints that need more than they have, `strained` those that lately needed nearly all, `drawn` the
    measured current without friction over the modelled one, `off_usual` how many times its usual ratio to the model
    the current is over a stride."""

    def __init__(self, robot: RobotModel) -> None:
        self._robot = robot
        self._motors = ServoMotors.of(robot)
        self._stall = self._motors.stall_torque.tolist()
        self._damping = self._motors.damping.tolist()
        self._friction = FRICTION * float(self._motors.stall_current.sum())
        self._usual = {kind: UsualRatio() for kind in UNEXPLAINED}
        self.forget()

    def forget(self) -> None:
        """Reset: the servos had no power."""
        self._before: Sequence[float] | None = None
        self._model = self._current = nan
        self._stride_model = self._stride_current = nan
        self._kind, self._kind_for = 4, 0.0
        self._heard = self._reading = nan
        self.torques: Sequence[float] = (0.0,) * len(JOINT_NAMES)
        self.needed = self.needed_for = 0.0
        self.overloaded: tuple[str, ...] = ()
        self.strained: tuple[str, ...] = ()
        self._strained_at = -inf
        self.drawn = self.drawn_for = 0.0
        self.off_usual, self.off_for = 1.0, 0.0
        self.limit = UNEXPLAINED[4]

    @property
    def walking(self) -> bool:
        """Whether feet were in the air lately."""
        return self._kind < 4

    def measured(self, current: float, now: float) -> None:
        """Take a measured current in A; not finite: not measured."""
        self._reading, self._heard = current, now

    def step(self, angles: Sequence[float], commanded: CommandedMotion, kind: int, now: float, dt: float) -> None:
        """Take one frame of twelve commanded angles (rad); `kind` is the recent minimum of feet on the ground."""
        before, self._before = self._before or angles, angles
        self.torques = static_torques(self._robot, angles, commanded.at_once)
        shares = [abs(torque) / stall for torque, stall in zip(self.torques, self._stall)]
        self.needed = max(shares)
        self.needed_for = self.needed_for + dt if self.needed > 1.0 else 0.0
        if self.needed > 1.0:
            self.overloaded = tuple(name for name, share in zip(JOINT_NAMES, shares) if share > 1.0)
        if self.needed > STRAINED:
            self.strained = tuple(name for name, share in zip(JOINT_NAMES, shares) if share > STRAINED)
            self._strained_at = now
        elif now - self._strained_at > STRAINED_TIME:
            self.strained = ()
        if not dt or not isfinite(self._reading) or now - self._heard > CURRENT_FRESH:
            self._current = self._stride_current = nan
            self.drawn_for = self.off_for = 0.0
            return
        rates = [(b - a) / dt for a, b in zip(before, angles)]
        self._compare(rates, commanded.carrying, kind, dt)

    def _compare(self, rates: Sequence[float], standing: int, kind: int, dt: float) -> None:
        held = [torque + damping * rate for torque, damping, rate in zip(self.torques, self._damping, rates)]
        model = sum(self._motors.currents_of_pose(self._motors.torques_of_pose(held, rates), [True] * len(JOINT_NAMES)))
        if not isfinite(self._current):
            self._current, self._model = model, model
        share = min(dt / SMOOTH_TIME, 1.0)
        self._current += share * (self._reading - self._current)
        self._model += share * (model - self._model)
        self.drawn = max(self._current - self._friction, 0.0) / max(self._model, 1e-3)
        # The support of the last second counts, as currents are low-passed too.
        self.limit += share * (UNEXPLAINED[min(max(standing, 2), 4)] - self.limit)
        self.drawn_for = self.drawn_for + dt if self.drawn > self.limit else 0.0
        self._compare_with_usual(model, kind, dt)

    def _compare_with_usual(self, model: float, kind: int, dt: float) -> None:
        if not isfinite(self._stride_current):
            self._stride_current, self._stride_model = self._reading, model
        share = min(dt / STRIDE_TIME, 1.0)
        self._stride_current += share * (self._reading - self._stride_current)
        self._stride_model += share * (model - self._stride_model)
        self._kind, self._kind_for = kind, self._kind_for + dt if kind == self._kind else 0.0
        if self._kind_for < 2 * STRIDE_TIME:
            self.off_usual, self.off_for = 1.0, 0.0
            return
        usual, ratio = self._usual[kind], self._stride_current / max(self._stride_model, 1e-3)
        self.off_usual = usual.off(ratio)
        if LESS < self.off_usual < MORE:
            self.off_for = 0.0
            usual.learn(ratio, dt)
        else:
            self.off_for += dt
