"""What the watchdog knows of servo_output, and of another watchdog under the same names."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from math import inf

from quadleg.safety.catalogue import Reason
from quadleg.safety.deadlines import OUTPUT_IGNORES_TIMES, OUTPUT_SILENT_TIME, QUIET_TIME
from quadleg.safety.output_supervisor import OutputState
from quadleg.safety.reason_codes import ReasonCode

OWN_COMMANDS = 200  # remembered stamps: one second at the highest rate
AT_REST = 0.1  # rad from the resting pose: far above servo deflection and sensor errors; mm of height (our own choice)


class OutputWatch:
    """`state` is servo_output's last one, None while it is silent. Times are of a steady clock, in s."""

    def __init__(self, now: float) -> None:
        self.state: str | None = None
        self._has_power = False  # whether its joints have power, as it says
        self._power_is_ours = False  # whether this watchdog gave it
        self._begun = self._since = self._heard = now
        self._other_heard = -inf
        self._own_stamps: deque[int] = deque(maxlen=OWN_COMMANDS)
        self._joints: Sequence[float] = ()
        self._joints_heard = -inf

    def says(self, state: str, now: float, has_power: bool = False) -> None:
        """Take servo_output's state, and whether any of its joints has power."""
        self._heard, self._has_power = now, has_power
        self._power_is_ours &= has_power
        if state != self.state:
            self.state, self._since = state, now

    def heard(self, now: float) -> None:
        """Note a sign of life of servo_output."""
        self._heard = now

    def joints(self, angles: Sequence[float], now: float) -> None:
        """Take the joint angles that it publishes (rad)."""
        self._joints, self._joints_heard = angles, now

    def has_lowered(self, rest: Sequence[float], since: float) -> bool:
        """Whether its joints have reached the resting pose (rad) since then: ignored commands must not end a
        lowering."""
        near = all(abs(angle - at_rest) <= AT_REST for angle, at_rest in zip(self._joints, rest))
        return near and self._joints_heard > since

    def own_command(self, stamp: int) -> None:
        """Remember the stamp of this watchdog's own command (ns), which it will hear later."""
        self._own_stamps.append(stamp)

    def give_power(self) -> None:
        """Note that this watchdog commands power: it is for it to take that away."""
        self._power_is_ours = True

    def leave_power(self) -> None:
        """Note that servo_output is left alone with the power that it has."""
        self._power_is_ours = False

    def powering_command(self, stamp: int, now: float) -> None:
        """Take the stamp (ns) of a powering command while this watchdog powers no joint: it may be another's."""
        if stamp not in self._own_stamps:
            self._other_heard = now

    def forget_silent(self, now: float) -> None:
        """Forget the state after a silence: a restarted servo_output's joint states may arrive before its state."""
        if now - self._heard > OUTPUT_SILENT_TIME:
            self.state = None

    @property
    def by_itself(self) -> bool:
        """Whether servo_output holds or lowers the robot on its own."""
        return self.state in (OutputState.HOLDING, OutputState.LOWERING)

    @property
    def foreign_power(self) -> Reason | None:
        """Return that its joints have power which this watchdog did not give, or has left to it; else None."""
        return Reason.of(ReasonCode.OUTPUT_POWERED) if self._has_power and not self._power_is_ours else None

    @property
    def stopped(self) -> bool:
        """Whether servo_output has cut the pulses, and refuses commands that power joints."""
        return self.state == OutputState.STOPPED

    @property
    def trouble(self) -> Reason | None:
        """Return why servo_output does not follow; None if it does."""
        if self.state is None:
            return Reason.of(ReasonCode.OUTPUT_SILENT)
        return None if self.state == OutputState.FOLLOWING else self._busy(ReasonCode.OUTPUT_BUSY)

    def ignores(self, now: float) -> Reason | None:
        """Return that servo_output ignores the watchdog: it has acted on its own for too long; else None."""
        if now - self._since > OUTPUT_IGNORES_TIMES.get(self.state or "", inf):
            return self._busy(ReasonCode.OUTPUT_IGNORES)
        return None

    def unsettled(self, now: float) -> bool:
        """Whether a command without joints might cut the power while servo_output holds or lowers the robot, or another
        watchdog moves it; true at first, as that is not known yet."""
        begun = max(self._begun, self._other_heard)
        return now - begun < QUIET_TIME or self.state is None or self.by_itself or bool(self.foreign_power)

    def refusal(self, now: float) -> Reason | None:
        """Return why the robot must not be powered now; None if it may."""
        if self.state is None:
            return Reason.of(ReasonCode.OUTPUT_NOT_HEARD)
        if self.state != OutputState.FOLLOWING:
            return self._busy(ReasonCode.OUTPUT_NOT_READY)
        if now - self._other_heard < QUIET_TIME:
            return Reason.of(ReasonCode.ANOTHER_WATCHDOG)
        if now - self._begun < QUIET_TIME:
            return Reason.of(ReasonCode.JUST_STARTED)
        return self.foreign_power

    def _busy(self, code: ReasonCode) -> Reason:
        return Reason.of(code, output=self.state)
