"""Whether a robot has stood for a while without being asked for anything: its servos hold, and heat, for nothing."""

from __future__ import annotations

from math import inf, radians

from quadleg.robot.model import Angles, RobotModel
from quadleg.safety.reason_codes import IdleCode

ON_A_BOARD = 300.0  # s, the default on a real board (our own choice)
MOVED = radians(1.0)  # a target that differs by more is a command; levelling and course corrections stay below it
SAID_BEFORE = 30.0  # s before the robot lowers itself


def idle_time(wanted: float, robot: RobotModel) -> float:
    """The `wanted` time in s, 0 for never; below 0 the board's own, which is never where it is simulated and nothing
    heats."""
    if wanted >= 0:
        return wanted
    return 0.0 if robot.board.simulated else ON_A_BOARD


class IdleWatch:
    """Counts the time in which joint targets do not move; `seconds` of it are too many, 0: never."""

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self._where: Angles | None = None
        self._since = inf
        self._lowered = False

    def begin(self, now: float) -> None:
        """The robot is asked for something, as to stand or to go on."""
        self._where, self._since, self._lowered = None, now, False

    def end(self) -> None:
        """The robot stands no more: nothing is counted until it is asked for something."""
        self._since = inf

    def lower(self) -> None:
        """The robot is lowered for this."""
        self._lowered = True

    def targets(self, angles: Angles, now: float) -> None:
        """Take the twelve joint targets (rad) of a frame."""
        where = self._where
        if where is None or any(abs(a - b) > MOVED for a, b in zip(angles, where)):
            self._where, self._since = angles, now

    def left(self, now: float) -> float:
        """How many s are left; infinite where it never lowers itself."""
        return self._since + self.seconds - now if self.seconds else inf

    def code(self, now: float) -> IdleCode:
        """What is to be said of it."""
        if self._lowered:
            return IdleCode.LOWERED
        soon = self.seconds > SAID_BEFORE and self.left(now) < SAID_BEFORE
        return IdleCode.LOWERS_SOON if soon else IdleCode.NOT_IDLE
