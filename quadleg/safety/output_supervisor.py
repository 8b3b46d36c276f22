"""What servo_output does on its own when the watchdog falls silent, a shutdown is requested or a stop comes.

All times are those of a steady clock, in s.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum

from quadleg.dynamics.servo_motors import joint_steps
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.safety import transitions
from quadleg.safety.catalogue import Reason
from quadleg.safety.deadlines import FOUND_TIME, SILENCE_HOLD, SILENCE_LOWER, STOPPED_TIME
from quadleg.safety.joint_command import NONE, Command
from quadleg.safety.joint_limits import JointLimits
from quadleg.safety.reason_codes import ReasonCode

LEAST_SHARE = 0.05  # of a period: least time allowed for a command's motion, however soon it follows the last


class OutputState(str, Enum):
    """`following` the watchdog, or what servo_output does without it."""

    FOLLOWING = "following"
    HOLDING = "holding"
    LOWERING = "lowering"
    OFF = "off"
    STOPPED = "stopped"


class OutputSupervisor:
    """The last stage before the board, at one control period (s).

    `found` are the angles that a running board was found to hold (rad, None where limp). Feed it with
    `command`, `stop`, `lower` and, once a period, `tick`; `angles` and `powered` are what the board has
    to show.
    """

    def __init__(
        self, robot: RobotModel, period: float, now: float, found: Sequence[float | None] | None = None
    ) -> None:
        self._robot = robot
        self._period = period
        self._limits = JointLimits(robot, period)
        self._reach = joint_steps(robot, period)
        self._rest = stance_angles(robot, robot.resting)
        self._path: transitions.SlowedPath | None = None
        self._followed = now
        self.angles = self._rest
        self.powered: tuple[bool, ...] = NONE
        self.slowed = 0
        self._failing: str | None = None
        self._failing_since = now
        self._enter(OutputState.OFF, Reason.of(ReasonCode.NO_COMMAND_YET), now)
        if found is not None and any(angle is not None for angle in found):
            self.angles = tuple(r if a is None else a for a, r in zip(found, self._rest))
            self.powered = tuple(angle is not None for angle in found)
            self._followed = now + FOUND_TIME
            self._enter(OutputState.HOLDING, Reason.of(ReasonCode.FOUND_RUNNING), now)

    def command(self, command: Command, now: float) -> bool:
        """Take the watchdog's command; return whether it is followed."""
        if self._fails_long(now) and any(command.powered):
            if not any(self.powered):
                # Joints that get no pulse must not count as rising: the first pulse would come in mid-air.
                self.off(Reason.of(ReasonCode.BOARD_FAILS, detail=self._failing), now)
            return False
        changes = command.powered != self.powered
        if changes and any(command.powered) and any(was and not on for on, was in zip(command.powered, self.powered)):
            # No watchdog takes the power from some joints alone, on which the robot would fall.
            return False
        if self.state is not OutputState.FOLLOWING:
            if not self._may_follow(command, now):
                return False
            self._enter(OutputState.FOLLOWING, Reason.of(ReasonCode.COMMANDS_FOLLOWED), now)
        if changes and (far := self._far_from_rest(command)):
            if not any(self.powered):
                self.off(Reason.of(ReasonCode.FIRST_PULSE_FAR, joint=far), now)
            return False
        self.angles = self._no_faster_than_the_servos(command, now - self._followed)
        if not any(command.powered):
            self.angles = self._rest
        self._followed = now
        self.powered = command.powered
        return True

    def _far_from_rest(self, command: Command) -> str | None:
        """Return a joint whose first pulse would be farther from the resting pose than a frame's reach."""
        for i, (on, was) in enumerate(zip(command.powered, self.powered)):
            if on and not was and abs(command.angles[i] - self._rest[i]) > self._reach[i]:
                return JOINT_NAMES[i]
        return None

    def _no_faster_than_the_servos(self, command: Command, elapsed: float) -> tuple[float, ...]:
        # The watchdog keeps to this too; a second publisher of commands would not, and comes in between.
        before = [a if on else b for a, b, on in zip(self.angles, command.angles, self.powered)]
        periods = min(max(elapsed / self._period, LEAST_SHARE), 1.0)
        angles, share = self._limits.slow(before, command.angles, periods)
        if share < 1.0:
            self.slowed += 1
        return angles

    def _may_follow(self, command: Command, now: float) -> bool:
        if not any(command.powered):
            return self.state is not OutputState.STOPPED or now - self._since >= STOPPED_TIME
        if self.state is not OutputState.HOLDING or command.powered != self.powered:
            return False
        return all(abs(a - b) <= reach for a, b, reach in zip(command.angles, self.angles, self._reach))

    def stop(self, reason: Reason, now: float) -> None:
        """Stop of category 0: all joints limp."""
        self._go_limp(OutputState.STOPPED, reason, now)

    def off(self, reason: Reason, now: float) -> None:
        """All joints limp, with no fault. A stop stays a stop: its joints are limp already."""
        if self.state is not OutputState.STOPPED:
            self._go_limp(OutputState.OFF, reason, now)

    def lower(self, reason: Reason, now: float) -> None:
        """Stop of category 1 by servo_output itself: lower, then off, whatever the watchdog commands."""
        if not any(self.powered):
            self.off(reason, now)
        elif self.state is not OutputState.LOWERING:
            self._enter(OutputState.LOWERING, reason, now)
            path = transitions.lowering(self._robot, self.angles, self._period)
            self._path = transitions.SlowedPath(self._limits, path)

    def board_fails(self, why: str, angles: Sequence[float | None], now: float) -> None:
        """Note that the board takes no frames; `angles` (rad) are what it holds, None for a limp joint.

        Motion waits, and goes on from there. A joint that never got its first pulse has no power, and is to get it in
        the resting pose.
        """
        if self._failing is None:
            self._failing_since = now
        self._failing = why
        self.angles = tuple(
            here if held is None or not on else held for here, held, on in zip(self.angles, angles, self.powered)
        )
        self.powered = tuple(on and held is not None for on, held in zip(self.powered, angles))

    def board_takes(self, now: float) -> None:
        if self._failing is not None:
            self._failing = None
            # While the board fails, the watchdog's silence is not counted.
            self._followed = min(now, self._followed + now - self._failing_since)

    def _fails_long(self, now: float) -> bool:
        return self._failing is not None and now - self._failing_since > SILENCE_HOLD

    def tick(self, now: float) -> None:
        """One control period: check the watchdog's silence, advance the lowering."""
        if self._failing is not None:
            if self._fails_long(now) and self.state is OutputState.FOLLOWING and any(self.powered):
                self._enter(OutputState.HOLDING, Reason.of(ReasonCode.BOARD_FAILS, detail=self._failing), now)
            return
        silence = now - self._followed
        if self.state is OutputState.FOLLOWING and any(self.powered) and silence > SILENCE_HOLD:
            self._enter(OutputState.HOLDING, _after(ReasonCode.WATCHDOG_SILENT, SILENCE_HOLD), now)
        elif self.state is OutputState.HOLDING and silence > SILENCE_LOWER:
            self.lower(_after(ReasonCode.SILENCE_LASTS, SILENCE_LOWER, self.reason), now)
        if self._path is not None:
            angles = self._path.step(self.angles)
            if angles is None:
                self.off(Reason.of(ReasonCode.AT_REST, self.reason), now)
            else:
                self.angles = angles

    def _go_limp(self, state: OutputState, reason: Reason, now: float) -> None:
        self.powered = NONE
        self.angles = self._rest
        self._enter(state, reason, now)

    def _enter(self, state: OutputState, reason: Reason, now: float) -> None:
        self.state, self.reason, self._since = state, reason, now
        self._path = None


def _after(code: ReasonCode, seconds: float, cause: Reason | None = None) -> Reason:
    return Reason.of(code, cause, seconds=f"{seconds:g}")
