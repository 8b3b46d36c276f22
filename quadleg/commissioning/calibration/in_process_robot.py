"""A robot that stands in this process: watchdog, output stage and link to the board, as under `run`.

A thread ticks them, so that the robot is held while the person does nothing. A stop sets the state first, under the
lock, and then cuts: a tick in between either sees the state, or knows an older count of cuts, and then the link sends
nothing of it.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from quadleg.cautions import STILL_HELD
from quadleg.errors import BoardError, PowerLost, Refused
from quadleg.hardware.board import Board
from quadleg.hardware.output_enable import OutputSwitch
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import JOINT_NAMES, OutputEnable, RobotModel
from quadleg.safety.catalogue import Reason
from quadleg.safety.deadlines import QUIET_TIME
from quadleg.safety.output_supervisor import OutputSupervisor
from quadleg.safety.reason_codes import ReasonCode
from quadleg.safety.state_machine import State
from quadleg.safety.watchdog import Watchdog
from quadleg.servos.board_link import BoardLink

LONGEST_WAY = 30.0  # s, up or down


class _Waiting:
    """What another thread waits for, and until when (s)."""

    def __init__(self, done: Callable[[float], bool], until: float) -> None:
        self.done, self.until = done, until
        self.met = False
        self.over = threading.Event()


class InProcessRobot:
    """One robot on its board, at rest and limp at first. `clock` and `sleep` are in s.

    `offsets` (rad, by joint) are added to the angles on their way to the servos. `hear` is told, from a thread of its
    own, of a defect that ends the standing. Raises BoardError if the board cannot be opened, and Refused if it makes
    pulses already.
    """

    def __init__(
        self,
        robot: RobotModel,
        opener: Callable[[], Board],
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
        hear: Callable[[str], None] | None = None,
        open_switch: Callable[[OutputEnable | None], OutputSwitch] = OutputSwitch,
    ) -> None:
        self._link = BoardLink(robot, opener, clock, open_switch)
        if self._link.found and any(angle is not None for angle in self._link.found):
            self._link.close()
            raise Refused("the board makes pulses already: end `quadleg run`, or cut the board's power once")
        self._period = period = 1 / robot.control_rate
        self._clock, self._sleep = clock, sleep
        now = clock()
        self._watchdog = Watchdog(robot, period, now)
        self._output = OutputSupervisor(robot, period, now)
        self._frame = stance_angles(robot, robot.resting)
        self._held: tuple[float | None, ...] = (None,) * len(JOINT_NAMES)
        self.offsets = [0.0] * len(JOINT_NAMES)
        self._hear = hear
        self._told: set[str] = set()
        self._defect = ""  # once there is one, the watchdog is not asked any more
        self._turn = threading.Lock()  # for watchdog and output; never held while the board takes bytes
        self._over = threading.Event()
        self._waiting: _Waiting | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    @property
    def state(self) -> State:
        """What the watchdog is doing; after a defect, what is done without it."""
        if self._defect:
            return State.LOWERING if any(self._output.powered) else State.FAULT
        return self._watchdog.state

    @property
    def why(self) -> str:
        """The reason for the state, and what the board says."""
        return "; ".join(filter(None, (self._defect or self._watchdog.why, self._link.trouble)))

    @property
    def over(self) -> str:
        """Why the robot stands no more and will not again; empty while it rises, stands or holds."""
        return self.why if self.state in (State.LOWERING, State.OFF, State.FAULT) else ""

    def angle(self, joint: int) -> float:
        """The angle in rad that a joint is sent to, without its offset."""
        return self._output.angles[joint]

    def rise(self) -> None:
        """Power up and stand. Raises Refused with the watchdog's words where that fails."""
        words = ""

        def enabled(now: float) -> bool:
            nonlocal words
            done, answer = self._watchdog.enable(True, now)
            words = str(answer)
            return done

        done = self._wait(enabled, 3 * QUIET_TIME)
        if done and not self._wait(lambda _: self.state is not State.RISING, LONGEST_WAY):
            raise Refused(f"the robot is not up within {LONGEST_WAY:g} s{self._late()} It has to sit down again")
        if self.state is not State.ACTIVE:
            raise Refused(
                f"the robot does not stand, it is {self.state.value}: {words if words and not done else self.why}"
            )

    def sit(self) -> bool:
        """Lower the body, switch the pulses off, and let go of the board; whether it took the last of that.

        A body that is not down within LONGEST_WAY is told of, and drops.
        """
        with self._turn:
            self._watchdog.enable(False, self._clock())
        if not self._wait(lambda _: not any(self._output.powered), LONGEST_WAY) and self._hear:
            self._hear(f"It is not down within {LONGEST_WAY:g} s, and its pulses are cut now{self._late()}")
        self._over.set()
        self._thread.join()
        try:
            self._link.cut()
        except BoardError:
            return False
        finally:
            self._link.close()
        return True

    def _late(self) -> str:
        """What is known of a robot that does not arrive in time, and what to do."""
        return (
            f": it is {self.state.value} ({self.why}). See `quadleg check --hardware` for the board, and "
            "seconds_per_60_deg of the servos in the robot file."
        )

    def cut(self) -> None:
        """Pulses off at once, from any thread: the robot falls onto its belly. Raises BoardError where that fails."""
        with self._turn:
            self._output.stop(Reason.of(ReasonCode.STOPPED_BY_KEY), self._clock())
        self._link.cut()

    def _run(self) -> None:
        due = self._clock()
        while not self._over.is_set():
            for step in (self._tick, self._answer_waiting):  # who waits is answered after a defect too
                try:
                    step(self._clock())
                except Exception as error:  # nothing may leave the servos to their last pulses
                    self._stop_for(error)
            now = self._clock()
            due = max(due + self._period, now)
            self._sleep(due - now)

    def _wait(self, done: Callable[[float], bool], seconds: float) -> bool:
        """Wait until something is so after a tick, which the ticking thread finds out in its own time; whether it was.

        `done` gets the time and is asked under the lock.
        """
        waiting = _Waiting(done, self._clock() + seconds)
        with self._turn:
            self._waiting = waiting
        while not waiting.over.wait(1.0) and self._thread.is_alive():
            pass
        return waiting.met

    def _answer_waiting(self, now: float) -> None:
        waiting = self._waiting
        if waiting is None or waiting.over.is_set():
            return
        try:
            with self._turn:
                waiting.met = waiting.done(now)
        except Exception:
            waiting.over.set()
            raise
        if waiting.met or now > waiting.until:
            waiting.over.set()

    def _tick(self, now: float) -> None:
        """One servo frame: the watchdog follows the angles that it has itself come to."""
        with self._turn:
            cuts = self._link.cuts
            if not self._defect:
                try:
                    self._follow(now)
                except Exception as error:
                    self._note(error, "the robot is lowered")
                    self._output.lower(Reason.of(ReasonCode.DEFECT, detail=self._defect), now)
            self._output.tick(now)
            planned, powered = self._output.angles, self._output.powered
        angles = [angle + offset for angle, offset in zip(planned, self.offsets)]
        try:
            written = self._link.write(angles, powered, cuts)
        except BoardError as error:
            with self._turn:
                if isinstance(error, PowerLost):
                    self._output.off(Reason.of(ReasonCode.BOARD_POWER_LOST, detail=error.found), now)
                else:
                    self._output.board_fails(str(error), self._held, now)
            return
        if written:
            self._held = tuple(angle if on else None for angle, on in zip(planned, powered))
        with self._turn:
            self._output.board_takes(now)

    def _follow(self, now: float) -> None:
        command = self._watchdog.frame(self._frame, now)
        self._watchdog.output_says(self._output.state.value, self._output.reason, now)
        command = self._watchdog.tick(now) or command
        if command:
            self._output.command(command, now)
            self._frame = command.angles

    def _stop_for(self, error: Exception) -> None:
        """Stop of category 0, where even lowering fails; again each period, until the board takes it."""
        with self._turn:
            self._note(error, "the pulses are switched off")
            self._output.stop(Reason.of(ReasonCode.DEFECT, detail=self._defect), self._clock())
        try:
            self._link.cut()
        except Exception as failure:
            self._tell(f"{STILL_HELD} {failure}")

    def _note(self, error: Exception, done: str) -> None:
        """Keep what a defect was and what is done about it, and tell it, each once."""
        words = f"a defect in quadleg, please report it ({type(error).__name__}: {error}); {done}"
        if words != self._defect:
            self._defect = words
            self._tell(words)

    def _tell(self, words: str) -> None:
        """Say it from a thread of its own: the listener may be slow, and the robot must not wait for it."""
        if self._hear and words not in self._told:
            self._told.add(words)
            threading.Thread(target=self._hear, args=(words,), daemon=True).start()
