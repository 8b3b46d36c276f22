"""Whether a robot has stood for a while without being asked for anything: its servos hold, and heat, for nothing."""

from __future__ import annotations

from math import inf, radians

from quadleg.robot.model import Angles, Robot

ON_A_BOARD = 300.0  # s, the default on a real board (our own choice)
MOVED = radians(1.0)  # a target that differs by more is a command; levelling and course corrections stay below it
SAID_BEFORE = 30.0  # s before the robot lowers itself


def default_idle_time(robot: Robot) -> float:
    """In s: never (0) on the simulated board, where nothing heats."""
    return 0.0 if robot.board.kind == "simulated" else ON_A_BOARD


class IdleWatch:
    """Counts the time in which joint targets do not move; `seconds` of it are too many, 0: never."""

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self._where: Angles | None = None
        self._since = inf

    def begin(self, now: float) -> None:
        """The robot is asked for something, as to stand or to go on."""
        self._where, self._since = None, now

    def targets(self, angles: Angles, now: float) -> None:
        """Take the twelve joint targets (rad) of a frame."""
        where = self._where
        if where is None or any(abs(a - b) > MOVED for a, b in zip(angles, where)):
            self._where, self._since = angles, now

    def left(self, now: float) -> float:
        """How many s are left; infinite where it never lowers itself."""
        return self._since + self.seconds - now if self.seconds else inf
