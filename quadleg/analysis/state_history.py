"""The states of a recording over time, and what they say of any moment of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from quadleg.analysis.events import POWERED, StateInterval
from quadleg.geometry.arrays import AnyArray, Flags
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.reason_codes import ReasonCode


@dataclass(frozen=True)
class StateHistory:
    """The states of the watchdog and of servo_output, one after the other; empty where they were not recorded."""

    watchdog: Sequence[StateInterval]
    servo_output: Sequence[StateInterval]

    def powered(self, times: AnyArray) -> Flags:
        """(n,) whether the watchdog had power on the servos; always, where its states are not known."""
        return self._within(times, POWERED)

    def active(self, times: AnyArray) -> Flags:
        """(n,) whether the robot followed what was asked; always, where the watchdog's states are not known."""
        return self._within(times, ("active",))

    def _within(self, times: AnyArray, names: Sequence[str]) -> Flags:
        if not self.watchdog:
            return np.ones(len(times), bool)
        begun = np.searchsorted([each.start for each in self.watchdog], times, side="right")
        inside = np.array([False, *(each.state in names for each in self.watchdog)])
        return inside[begun]

    def first_pulses(self, times: AnyArray) -> Flags:
        """(n,) whether the servos were getting their first pulses, one after the other."""
        result = np.zeros(len(times), bool)
        for each in self.watchdog:
            pulses = [time for time, status in each.told if _gives_first_pulses(status)]
            if pulses:
                after = (time for time, _ in each.told if time > pulses[-1])
                first, end = np.searchsorted(times, (each.start, next(after, each.end)))
                result[first:end] = True
        return result


def _gives_first_pulses(status: NodeStatus) -> bool:
    return status.reason is not None and status.reason.code == ReasonCode.FIRST_PULSES
