"""The hand of a person who puts a simulated robot's legs into the resting pose."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import degrees

from quadleg.robot.model import Angles, RobotModel
from quadleg.servos.simulated_board import SimulatedBoard, placed_by_hand


class SimulatedHand:
    """Places the legs at about `rest` (rad, 12), differently each time by `seed`, before the first pulses: who enables
    says by it that they are there. `put_down` is called with the angles (rad) whenever it has done so.
    """

    def __init__(
        self,
        robot: RobotModel,
        rest: Angles,
        board: Callable[[], SimulatedBoard],
        seed: int,
        put_down: Callable[[Angles], None],
    ) -> None:
        self._robot = robot
        self._rest = rest
        self._board = board
        self._seed = seed
        self._put_down = put_down
        self._movement = 0.0

    @property
    def power_up_movement(self) -> float:
        """The farthest that a servo was from the angle of its first pulse, in degrees."""
        return degrees(self._movement)

    def before_pulses(self, angles: Angles, powered: Sequence[bool], before: Sequence[bool]) -> None:
        """Joints are about to get power at these angles (rad): which have it then, and which had it."""
        board = self._board()
        if not any(before) and not any(board.powered()):
            placed = placed_by_hand(self._robot, self._rest, self._seed)
            board.place(placed)
            self._put_down(placed)
            self._seed += 1
            self._movement = 0.0
        for at, to, on, was in zip(board.angles(), angles, powered, before):
            if on and not was:
                self._movement = max(self._movement, abs(to - at))
