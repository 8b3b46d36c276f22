"""What the watchdog knows of servo_output, and of another watchdog under the same names."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from math import inf

from quadleg.safety.catalogue import Reason
from quadleg.safety.deadlines import OUTPUT_IGNORES_TIMES, OUTPUT_SILENT_TIME, QUIET_TIME
from quadleg.safety.output_supervisor import OutputState
from quadleg.safety.reason_codes import ReasonCode

OWN_COMMANDS = 200  # of which the stamps are known: those of a second at the highest rate
AT_REST = 0.1  # rad from the resting pose: far more than sag and sensors differ, and millimetres of height (our own)


class OutputWatch:
    """`state` is servo_output's as last heard, None where it is not heard. Times are of a steady clock, in s."""

    def __init__(self, now: float) -> None:
        self.state: str | None = None
        self._begun = self._since = self._heard = now
        self._other_heard = -inf
        self._own_stamps: deque[int] = deque(maxlen=OWN_COMMANDS)
        self._joints: Sequence[float] = ()
        self._joints_heard = -inf

    def says(self, state: str, now: float) -> None:
        """Take servo_output's own state."""
        self._heard = now
        if state != self.state:
            self.state, self._since = state, now

    def heard(self, now: float) -> None:
        """Note that servo_output lives."""
        self._heard = now

    def joints(self, angles: Sequence[float], now: float) -> None:
        """Take the joint angles that it publishes (rad)."""
        self._joints, self._joints_heard = angles, now

    def has_lowered(self, rest: Sequence[float], since: float) -> bool:
        """Whether its joints have been at the resting pose (rad) since then: commands that it did not follow end no
        lowering."""
        near = all(abs(angle - at_rest) <= AT_REST for angle, at_rest in zip(self._joints, rest))
        return near and self._joints_heard > since

    def own_command(self, stamp: int) -> None:
        """Note the stamp of a command of this watchdog (ns): it hears itself, some time later."""
        self._own_stamps.append(stamp)

    def powering_command(self, stamp: int, now: float) -> None:
        """Take the stamp (ns) of a command that powers joints, while this watchdog has no power on: is it another's?"""
        if stamp not in self._own_stamps:
            self._other_heard = now

    def forget_silent(self, now: float) -> None:
        """A new one may come back, and its joint states may be heard before its word."""
        if now - self._heard > OUTPUT_SILENT_TIME:
            self.state = None

    @property
    def by_itself(self) -> bool:
        """Whether it holds or lowers the robot without the watchdog."""
        return self.state in (OutputState.HOLDING, OutputState.LOWERING)

    @property
    def stopped(self) -> bool:
        """Whether it has cut the pulses, and follows no command that powers joints."""
        return self.state == OutputState.STOPPED

    @property
    def trouble(self) -> Reason | None:
        """Why nothing follows the watchdog; None where servo_output does."""
        if self.state is None:
            return Reason.of(ReasonCode.OUTPUT_SILENT)
        return None if self.state == OutputState.FOLLOWING else self._busy(ReasonCode.OUTPUT_BUSY)

    def ignores(self, now: float) -> Reason | None:
        """That it has acted by itself for so long that it ignores the watchdog."""
        if now - self._since > OUTPUT_IGNORES_TIMES.get(self.state or "", inf):
            return self._busy(ReasonCode.OUTPUT_IGNORES)
        return None

    def unsettled(self, now: float) -> bool:
        """Whether a command without joints might cut the power in the middle of what it does to put the robot down, or
        of what another watchdog does; at first it is not known."""
        begun = max(self._begun, self._other_heard)
        return now - begun < QUIET_TIME or self.state is None or self.by_itself

    def refusal(self, now: float) -> Reason | None:
        """Why the robot may not be powered through it now; None where it may."""
        if self.state is None:
            return Reason.of(ReasonCode.OUTPUT_NOT_HEARD)
        if self.state != OutputState.FOLLOWING:
            return self._busy(ReasonCode.OUTPUT_NOT_READY)
        if now - self._other_heard < QUIET_TIME:
            return Reason.of(ReasonCode.ANOTHER_WATCHDOG)
        return Reason.of(ReasonCode.JUST_STARTED) if self.unsettled(now) else None

    def _busy(self, code: ReasonCode) -> Reason:
        return Reason.of(code, output=self.state)
