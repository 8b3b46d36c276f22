"""The twelve joints of a recording: angles, commands, how well they followed, torques."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from quadleg.analysis.state_history import StateHistory
from quadleg.geometry.arrays import AnyArray
from quadleg.kinematics.leg import forward_batch
from quadleg.recording.signals import Signals
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.topic_table import COMMAND_FRESH


@dataclass(frozen=True)
class Tracking:
    """How far the twelve joints were from what was last commanded, in rad: `rms` and `most` (12,), the time of each
    joint's largest error in s (12,)."""

    rms: AnyArray
    most: AnyArray
    times: AnyArray

    @property
    def worst(self) -> int:
        return int(np.nanargmax(self.most))


class JointAnalysis:
    """The joint_states, against which all else is shown, and the joint_commands of a recording.

    `times` (n,) in s and `angles` (n, 12) in rad; NaN for a joint that is not named.
    """

    def __init__(self, signals: Signals, robot: RobotModel | None, states: StateHistory) -> None:
        self._signals, self._robot, self._states = signals, robot, states
        self._joint_states = signals.signals["joint_states"]
        self.times = self._joint_states.times
        self.angles = self._joint_states["position"]

    def __len__(self) -> int:
        return len(self.times)

    @cached_property
    def commanded(self) -> AnyArray | None:
        """(n, 12) in rad: the last command before each time; NaN for a limp joint, or none for `COMMAND_FRESH`."""
        commands = self._signals.get("joint_commands")
        return None if commands is None else commands.held("position", self.times, COMMAND_FRESH)

    @cached_property
    def errors(self) -> AnyArray | None:
        """(n, 12) in rad: the angles less what was last commanded, NaN where a joint was limp or had just got its first
        pulse, which moves it from where a hand had put it."""
        if self.commanded is None:
            return None
        errors: AnyArray = self.angles - self.commanded
        errors[~self._states.powered(self.times) | self._states.first_pulses(self.times)] = np.nan
        return errors

    @property
    def worst_errors(self) -> AnyArray:
        """(n,) in rad: the largest of the twelve, without its sign; NaN where all are, or nothing was commanded."""
        result = np.full(len(self), np.nan, np.float32)
        if self.errors is not None:
            known = ~np.isnan(self.errors).all(axis=1)
            result[known] = np.nanmax(np.abs(self.errors[known]), axis=1)
        return result

    @cached_property
    def tracking(self) -> Tracking | None:
        """The tracking error by joint, None where no command was recorded."""
        errors = self.errors
        if errors is None or np.isnan(errors).all():
            return None
        known = ~np.isnan(errors).all(axis=0)
        rms, most, times = (np.full(len(JOINT_NAMES), np.nan) for _ in range(3))
        rms[known] = np.sqrt(np.nanmean(np.square(errors[:, known], dtype=float), axis=0))
        at = np.nanargmax(np.abs(errors[:, known]), axis=0)
        most[known] = np.abs(errors[at, np.flatnonzero(known)])
        times[known] = self.times[at]
        return Tracking(rms, most, times)

    @cached_property
    def torques(self) -> AnyArray | None:
        """(n, 12) in N·m, None where joint_states have no effort."""
        effort = self._joint_states["effort"]
        return None if np.isnan(effort).all() else effort

    @cached_property
    def torque_shares(self) -> AnyArray | None:
        """(n, 12): the torques as shares of what their servos stall at, at the robot's supply."""
        if self.torques is None or self._robot is None:
            return None
        stall = np.array([self._robot.stall_torque(joint) for joint in self._robot.joints], np.float32)
        return np.abs(self.torques) / stall

    @property
    def intervals(self) -> AnyArray:
        """(n - 1,) in s between the joint_states as they were recorded."""
        return np.diff(self.times)

    def feet_at(self, angles: AnyArray) -> AnyArray:
        """(n, 4, 3) in m: the foot centres in base_link at joint angles (n, 12); the robot must be known."""
        assert self._robot
        own = angles.astype(float)
        return np.stack(
            [forward_batch(leg, own[:, 3 * i : 3 * i + 3]) for i, leg in enumerate(self._robot.legs)], axis=1
        )
