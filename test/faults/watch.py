"""What the simulated board's registers and servos show while a fault plays; nothing else is believed."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from itertools import pairwise
from math import inf

from board_eye import BoardEye
from conftest import Stack

from quadleg.robot.model import RobotModel

POLL = 0.002  # s
STILL = 0.2  # s without another frame: the robot is held


@dataclass(frozen=True)
class ObservedFrame:
    """The frame that the registers held from `time` on.

    `height` in m is that of the body by the servos' true angles at the look before, thus at the end of the
    frame before this one.
    """

    time: float
    angles: tuple[float | None, ...]
    height: float

    @property
    def powered(self) -> int:
        return sum(angle is not None for angle in self.angles)


class BoardMonitor:
    """Looks at the registers every 2 ms, in a thread, from its making to `end`.

    `worst_step`, after the end, is the largest step of a joint from one frame to the next, as a share of what its
    servo can turn in a frame without load. The board itself notes it: a look from outside may miss a frame.
    """

    def __init__(self, stack: Stack) -> None:
        self.robot: RobotModel = stack.model
        # Kept open, since an orderly end removes the board's file.
        self._board = stack.board()
        self._eye = BoardEye(self.robot, self._board)
        self.frames = [ObservedFrame(time.monotonic(), self._eye.held(), self._eye.height())]
        self.worst_step = 0.0
        self._ended = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._ended:
            height = self._eye.height()
            time.sleep(POLL)
            angles, now = self._eye.held(), time.monotonic()
            if angles != self.now.angles:
                self.frames.append(ObservedFrame(now, angles, height))
        self.worst_step = self._board.largest_step() * self.robot.control_rate
        self._board.close()

    def end(self) -> None:
        """Stops looking."""
        self._ended = True
        self._thread.join()

    @property
    def now(self) -> ObservedFrame:
        return self.frames[-1]

    def held_since(self) -> float | None:
        """Since when no frame has changed, where that is long enough for a hold."""
        since = self.now.time
        return since if time.monotonic() - since > STILL else None

    # Judgements

    def falls(self) -> float:
        """How high above rest (m) the body was when its power was cut; 0 where it was put down first."""
        resting, highest = self.robot.resting.height, 0.0
        for before, after in pairwise(self.frames):
            if before.powered and not after.powered:
                highest = max(highest, after.height - resting)
        return highest

    def limp_after(self, begun: float) -> float:
        """Seconds from a time to the first frame without power; infinite where there is none."""
        return next((seen.time - begun for seen in self.frames if seen.time > begun and not seen.powered), inf)
