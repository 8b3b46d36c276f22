"""Measured joint angles against commanded ones: which joint does not arrive, and how it fails."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from quadleg.dynamics.servo_motors import FULL_TORQUE_ERROR
from quadleg.robot.model import JOINT_NAMES, RobotModel

LAG_TIME = 0.15  # s for which a joint has to be beyond the limit
JOINTS_FRESH = 0.2  # s for which a measurement counts
AWAY = 5.0  # times FULL_TORQUE_ERROR: 15°; landing on bumps pushed sound joints 13° away (test/faults/physics.py)
SLOW = 0.5  # share of its no-load speed that a sound servo under load still reaches (our own choice)
STILL = 0.5  # rad/s: a joint that is slower stands
LOADED = 0.8  # share of the stall torque at which a joint that is away is at its limit


class JointLag:
    """`limit` is the lag in rad from which a joint does not follow."""

    def __init__(self, robot: RobotModel) -> None:
        self._stall = [robot.stall_torque(joint) for joint in robot.joints]
        self._speeds = [SLOW * robot.no_load_speed(joint) for joint in robot.joints]
        self.limit = AWAY * FULL_TORQUE_ERROR
        self.forget()

    def forget(self) -> None:
        self._angles: Sequence[float] | None = None
        self._rates = [0.0] * len(JOINT_NAMES)
        self._heard = -inf
        self._where: list[float] | None = None  # a slow servo's way to its command
        self._since = [inf] * len(JOINT_NAMES)
        self._at = -inf

    def measured(self, angles: Sequence[float], now: float) -> None:
        """Take measured joint angles (rad)."""
        if self._angles is not None and 0.0 < now - self._heard < JOINTS_FRESH:
            dt = now - self._heard
            self._rates = [(b - a) / dt for a, b in zip(self._angles, angles)]
        self._angles, self._heard = list(angles), now

    def step(self, commanded: Sequence[float], now: float, torques: Sequence[float]) -> list[tuple[int, float, str]]:
        """Return the joints beyond the limit, the farthest first: each one's lag (rad) and the code of its failure."""
        dt, self._at = min(now - self._at, JOINTS_FRESH), now
        if self._angles is None or now - self._heard > JOINTS_FRESH:
            self._where = None
            return []
        if self._where is None:
            self._where, dt = list(self._angles), 0.0
        # A sound servo is between there and its command: that delay is no failure.
        self._where = [
            at + min(max(goal - at, -speed * dt), speed * dt)
            for at, goal, speed in zip(self._where, commanded, self._speeds)
        ]
        away = []
        for i, (slow, goal, angle) in enumerate(zip(self._where, commanded, self._angles)):
            lag = max(min(slow, goal) - angle, angle - max(slow, goal))
            if lag <= self.limit:
                self._since[i] = inf
                continue
            self._since[i] = min(self._since[i], now)
            if now - self._since[i] >= LAG_TIME:
                away.append((i, lag, self._kind(i, torques[i])))
        return sorted(away, key=lambda one: -one[1])

    def _kind(self, joint: int, torque: float) -> str:
        if abs(torque) > LOADED * self._stall[joint]:
            return "torque_limit"
        return "joint_stuck" if abs(self._rates[joint]) < STILL else "joint_limp"
