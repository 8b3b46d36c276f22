"""A world behind a simulated board, in real time: what the chip's registers say moves it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress

from quadleg.errors import BoardError
from quadleg.robot.model import Angles
from quadleg.servos.simulated_board import SimulatedBoard
from quadleg.simulation.world import World

LATE = 0.5  # s: a computer that is so far behind lets the world stand still meanwhile


class RealTimeWorld:
    """Steps a world by a steady clock (s), one servo frame after another from `now` on.

    A frame's pulses are those that the board's registers hold at its beginning; at its end the true angles go into the
    board, and then `after` is called with the clock's time that the world has come to. `board` gives the board, which
    may be closed for a while.
    """

    def __init__(
        self, world: World, board: Callable[[], SimulatedBoard], after: Callable[[float], None], now: float
    ) -> None:
        self._world = world
        self._board = board
        self._after = after
        self._lock = threading.Lock()
        self._pulses: tuple[float | None, ...] = board().drive(world.angles.tolist())
        self.due = now + world.frame  # when the next step is to be taken

    def put_at_rest(self, angles: Angles) -> None:
        """A hand puts the robot down, its joints at twelve angles (rad); from any thread."""
        with self._lock:
            self._world.put_at_rest(angles)

    def step(self, now: float) -> None:
        """Step the world by the frame that was due."""
        due = now if now - self.due > LATE else self.due
        self.due = due + self._world.frame
        with self._lock:
            self._world.step(self._pulses)
            angles = self._world.angles.tolist()
        with suppress(BoardError):  # closed, between a failure and its opening again; the chip goes on
            self._pulses = self._board().drive(angles)
        self._after(due)
