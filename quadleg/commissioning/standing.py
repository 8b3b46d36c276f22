"""A robot that stands by itself in this process: watchdog, output stage and link to the board, as under `run`.

They are ticked by a thread of their own, so that the robot is held whatever the person does.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from quadleg.errors import BoardError, PowerLost, Refused
from quadleg.kinematics.body import stance_angles
from quadleg.robot.model import JOINT_NAMES, Robot
from quadleg.safety.output import Output
from quadleg.safety.watchdog import QUIET_TIME, State, Watchdog
from quadleg.servos.boards import Board
from quadleg.servos.link import Link

LONGEST_WAY = 30.0  # s, up or down
_LOOK = 0.01  # s between looks at what the thread has come to


class Standing:
    """One robot on its board, at rest and limp at first. `clock` and `sleep` are in s.

    `offsets` (rad, by joint) are added to the angles on their way to the servos. Raises BoardError where the board
    cannot be opened, and Refused where it makes pulses already.
    """

    def __init__(
        self,
        robot: Robot,
        opener: Callable[[], Board],
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._link = Link(robot, opener, clock)
        if self._link.found and any(angle is not None for angle in self._link.found):
            self._link.close()
            raise Refused("the board makes pulses already: end `quadleg run`, or cut the board's power once")
        self._period = period = 1 / robot.control_rate
        self._clock, self._sleep = clock, sleep
        now = clock()
        self._watchdog = Watchdog(robot, period, now)
        self._output = Output(robot, period, now)
        self._frame = stance_angles(robot, robot.resting)
        self._held: tuple[float | None, ...] = (None,) * len(JOINT_NAMES)
        self.offsets = [0.0] * len(JOINT_NAMES)
        self._turn = threading.Lock()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    @property
    def state(self) -> State:
        """What the watchdog is doing."""
        return self._watchdog.state

    @property
    def why(self) -> str:
        """The reason for the state, and what the board says."""
        trouble = self._link.trouble
        return f"{self._watchdog.why}; {trouble}" if trouble else self._watchdog.why

    def angle(self, joint: int) -> float:
        """The angle in rad that a joint is sent to, without its offset."""
        return self._output.angles[joint]

    def rise(self) -> None:
        """Power up and stand. Raises Refused with the watchdog's words where that fails."""
        begun = self._clock()
        done, words = False, ""
        while not done and self._clock() - begun < 3 * QUIET_TIME and self._thread.is_alive():
            time.sleep(_LOOK)
            with self._turn:
                done, words = self._watchdog.enable(True, self._clock())
        while done and self.state is State.RISING and self._clock() - begun < LONGEST_WAY and self._thread.is_alive():
            time.sleep(_LOOK)
        if self.state is not State.ACTIVE:
            raise Refused(f"the robot does not stand, it is {self.state.value}: {self.why if done else words}")

    def sit(self) -> bool:
        """Lower the body, switch the pulses off, and let go of the board; whether it took the last of that."""
        with self._turn:
            self._watchdog.enable(False, self._clock())
        begun = self._clock()
        while any(self._output.powered) and self._clock() - begun < LONGEST_WAY and self._thread.is_alive():
            time.sleep(_LOOK)
        self._over.set()
        self._thread.join()
        try:
            self._link.cut()
        except BoardError:
            return False
        finally:
            self._link.close()
        return True

    def cut(self) -> None:
        """Pulses off at once, from any thread: the robot falls onto its belly. Raises BoardError where that fails."""
        try:
            self._link.cut()
        finally:
            with self._turn:
                self._output.stop("stopped by a key", self._clock())

    def _run(self) -> None:
        due = self._clock()
        while not self._over.is_set():
            with self._turn:
                self._tick(self._clock())
            now = self._clock()
            due = max(due + self._period, now)
            self._sleep(due - now)

    def _tick(self, now: float) -> None:
        """One servo frame: the watchdog follows the angles that it has itself come to."""
        cuts = self._link.cuts
        command = self._watchdog.frame(self._frame, now)
        self._watchdog.output_says(self._output.state.value, self._output.why, now)
        command = self._watchdog.tick(now) or command
        if command:
            self._output.command(command, now)
            self._frame = command.angles
        self._output.tick(now)
        angles = [angle + offset for angle, offset in zip(self._output.angles, self.offsets)]
        try:
            if self._link.write(angles, self._output.powered, cuts):
                self._held = tuple(
                    angle if on else None for angle, on in zip(self._output.angles, self._output.powered)
                )
            self._output.board_takes(now)
        except PowerLost as error:
            self._output.off(str(error), now)
        except BoardError as error:
            self._output.board_fails(str(error), self._held, now)
