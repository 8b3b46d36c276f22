"""Idle time-out: a robot that stands without a command heats its servos for nothing."""

from __future__ import annotations

from math import inf, radians

from quadleg.robot.model import Angles, RobotModel
from quadleg.safety.reason_codes import IdleCode

ON_A_BOARD = 300.0  # s, the default on a real board (our own choice)
MOVED = radians(1.0)  # a target that differs by more is a command; levelling and course corrections stay below it
SAID_BEFORE = 30.0  # s of warning before the robot lowers itself


def idle_time(wanted: float, robot: RobotModel) -> float:
    """The `wanted` time in s, 0 for never; below 0 the board's own, which is never where it is simulated and nothing
    heats."""
    if wanted >= 0:
        return wanted
    return 0.0 if robot.board.simulated else ON_A_BOARD


class IdleWatch:
    """Counts the time without motion of the joint targets; `seconds` is the limit, 0: none."""

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self._where: Angles | None = None
        self._since = inf
        self._lowered = False

    def begin(self, now: float) -> None:
        """Restart the count: the robot got a command, such as to stand or to go on."""
        self._where, self._since, self._lowered = None, now, False

    def end(self) -> None:
        """Stop the count until the next command: the robot does not stand any more."""
        self._since = inf

    def lower(self) -> None:
        """Note that the robot is lowered because it was idle."""
        self._lowered = True

    def targets(self, angles: Angles, now: float) -> None:
        """Take the twelve joint targets (rad) of a frame."""
        where = self._where
        if where is None or any(abs(a - b) > MOVED for a, b in zip(angles, where)):
            self._where, self._since = angles, now

    def left(self, now: float) -> float:
        """Return how many s are left; infinite if it never lowers itself."""
        return self._since + self.seconds - now if self.seconds else inf

    def code(self, now: float) -> IdleCode:
        """Return the code to report."""
        if self._lowered:
            return IdleCode.LOWERED
        soon = self.seconds > SAID_BEFORE and self.left(now) < SAID_BEFORE
        return IdleCode.LOWERS_SOON if soon else IdleCode.NOT_IDLE
