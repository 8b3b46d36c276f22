"""The body of a recording: poses and speeds asked for and reached, walks, the path over the ground, the estimate."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from quadleg.analysis.estimate_track import EstimateTrack
from quadleg.analysis.joint_analysis import JointAnalysis
from quadleg.analysis.series import running_mean, true_runs
from quadleg.analysis.state_history import StateHistory
from quadleg.errors import MessageError, shortened
from quadleg.geometry.arrays import AnyArray, Flags
from quadleg.geometry.planar import from_frame_batch
from quadleg.geometry.registration import fit_poses
from quadleg.geometry.rotation_arrays import rpy_from_matrices, rpy_from_quaternions
from quadleg.recording.signals import Signals
from quadleg.robot.model import RobotModel
from quadleg.teleop.velocity_scale import gait_in_use
from quadleg.topic_table import COMMAND_FRESH

Curve = tuple[AnyArray, AnyArray]

SOURCES = {"truth/odom": "true", "odom": "estimated", "imu/data": "by the IMU", "planned_feet": "planned"}
_BLOCK = 1 << 14  # rows that are worked on at once
_PAUSE = 1.0  # s of standing that do not end a walk
_LONGEST_NAME = 40  # characters of a gait's
_SMOOTH = 1.0  # s over which a path is smoothed before its length is taken
_STRIDE = 1.5  # s, the period of a stride of an unknown gait


@dataclass(frozen=True)
class Setpoint:
    """What was asked for over time: `times` (n,) in s, `values` (n, k); a row counts until the next."""

    times: NDArray[np.float64]
    values: AnyArray

    @classmethod
    def of(cls, curves: list[Curve]) -> Setpoint | None:
        """Join curves in the order of time; None if there are none."""
        if not curves:
            return None
        times = np.concatenate([times for times, _ in curves])
        order = np.argsort(times, kind="stable")
        return cls(times[order], np.concatenate([values for _, values in curves])[order])


@dataclass(frozen=True)
class WalkSegment:
    """An interval of walking in one gait, from `start` to `end` in s."""

    start: float
    end: float
    gait: str


class BodyAnalysis:
    """The body's setpoints, and its motion by the joints, the plan, the estimate and the truth."""

    def __init__(self, signals: Signals, robot: RobotModel | None, states: StateHistory, joints: JointAnalysis) -> None:
        self._signals, self._robot, self._states, self._joints = signals, robot, states, joints

    # Pose and speed

    @cached_property
    def pose_setpoint(self) -> Setpoint | None:
        """(k, 6): x, y, height in m, roll, pitch, yaw in rad, of base_link in base_footprint, from both topics."""
        found = [self._signals.get(topic) for topic in ("base_target", "teleop/base_target")]
        return Setpoint.of(
            [
                (s.times, np.hstack((s["position"], rpy_from_quaternions(s["quaternion"]))))
                for s in found
                if s is not None
            ]
        )

    @cached_property
    def pose_reached(self) -> AnyArray | None:
        """(n, 6) at joint_states, as `pose_setpoint`: where the legs carried the body, by the joint angles and the
        planned feet, less the planned sway; without a plan, over feet that stand where they stand by the robot file.
        NaN without power, and while it walks: feet in the air tell nothing of the body."""
        if self._robot is None:
            return None
        planned, times = self._signals.get("planned_feet"), self._joints.times
        stands = self._states.powered(times) & ~self.walking(times) & ~self._states.first_pulses(times)
        result = np.full((len(times), 6), np.nan, np.float32)
        for first in range(0, len(times), _BLOCK):
            own = np.arange(first, min(first + _BLOCK, len(times)))[stands[first : first + _BLOCK]]
            ground, shift = np.array(self._robot.standing.feet), np.zeros(3)
            if planned is not None:
                ground = planned.held("place", times[own])
                shift = planned.held("shift", times[own]) if "shift" in planned.values else shift
            rotations, places = fit_poses(self._joints.feet_at(self._joints.angles[own]), ground)
            result[own] = np.hstack((places - shift, rpy_from_matrices(rotations)))
        return result

    @cached_property
    def speed_setpoint(self) -> Setpoint | None:
        """(k, 3): ahead and left in m/s, turn in rad/s; zero once no command has come for `COMMAND_FRESH`."""
        found = [self._signals.get(topic) for topic in ("cmd_vel", "teleop/cmd_vel")]
        asked = Setpoint.of([(s.times, s["twist"]) for s in found if s is not None])
        if asked is None:
            return None
        ends = asked.times[np.flatnonzero(np.diff(asked.times, append=np.inf) > COMMAND_FRESH)] + COMMAND_FRESH
        return Setpoint.of([(asked.times, asked.values), (ends, np.zeros((len(ends), 3)))])

    def speed(self, topic: str) -> Curve | None:
        """(times, (n, 3)) of `planned_feet`, `odom` or `truth/odom`: ahead, left in m/s, turn in rad/s."""
        signal = self._signals.get(topic)
        if signal is None:
            return None
        if topic == "planned_feet":
            return (signal.times, signal["twist"]) if "twist" in signal.values else None
        return signal.times, np.column_stack((signal["linear"][:, :2], signal["angular"][:, 2]))

    def mean_speed(self, topic: str) -> Curve | None:
        """Return the same; measured speeds as means over a stride, since the body sways."""
        found = self.speed(topic)
        if found is None or topic == "planned_feet":
            return found
        times, values = found
        return times, running_mean(times, values, self.longest_stride)

    def attitude(self, topic: str) -> AnyArray | None:
        """(n, 3) in rad: roll, pitch, yaw by `odom`, `truth/odom` or `imu/data`."""
        signal = self._signals.get(topic)
        return None if signal is None else rpy_from_quaternions(signal["quaternion"])

    # Walking

    @cached_property
    def walks(self) -> list[WalkSegment]:
        """The intervals of walking by the plan, one gait each."""
        planned = self._signals.get("planned_feet")
        if planned is None:
            return []
        moving = (planned["force"] == 0.0).any(axis=1) & self._states.active(planned.times)
        times, found = planned.times, list[WalkSegment]()
        for first, end in true_runs(moving):
            start, stop = float(times[first]), float(times[min(end, len(times) - 1)])
            gait = self._gait_at(start)
            if found and start - found[-1].end < _PAUSE and found[-1].gait == gait:
                found[-1] = WalkSegment(found[-1].start, stop, gait)
            else:
                found.append(WalkSegment(start, stop, gait))
        return found

    def _gait_at(self, time: float) -> str:
        """Return the gait by the last walking_limits; empty if there is none, or none that can be read."""
        limits = self._signals.texts.get("walking_limits", [])
        count = bisect_right(limits, time, key=lambda each: each[0])
        return _gait_in(limits[count - 1][1]) if count else ""

    def walking(self, times: AnyArray) -> Flags:
        """Return whether it walked by the plan (n,)."""
        if not self.walks:
            return np.zeros(len(times), bool)
        begun = np.searchsorted([walk.start for walk in self.walks], times, side="right") - 1
        until = np.array([walk.end for walk in self.walks])
        return (begun >= 0) & (times <= until[begun])

    def stride(self, gait: str) -> float:
        """Return the period in s of a stride in a gait, by its name."""
        if self._robot and gait in {each.name for each in self._robot.gaits}:
            return self._robot.gait(gait).stride_period
        return _STRIDE

    @property
    def longest_stride(self) -> float:
        """The period in s of a stride of the slowest gait that it walked in."""
        return max((self.stride(walk.gait) for walk in self.walks), default=_STRIDE)

    # The path over the ground

    def path(self, topic: str) -> Curve | None:
        """(times, (n, 2) in m) along the ground of base_footprint, by `odom` or `truth/odom`: base_link's less the
        planned sway, smoothed over a second."""
        signal = self._signals.get(topic)
        if signal is None:
            return None
        places = signal["position"][:, :2].astype(float)
        planned = self._signals.get("planned_feet")
        if planned is not None and "shift" in planned.values:
            yaw = rpy_from_quaternions(signal["quaternion"])[:, 2]
            turned = np.column_stack((np.zeros((len(yaw), 2)), yaw))
            places -= np.nan_to_num(from_frame_batch(turned, planned.held("shift", signal.times)[:, :2]))
        return signal.times, running_mean(signal.times, places, _SMOOTH)

    def path_length(self, topic: str) -> float | None:
        """Return the distance walked in m by `odom` or `truth/odom`: along the smoothed path, in walks of the plan."""
        path = self.path(topic)
        if path is None:
            return None
        times, places = path
        walks = self.walking(times) if self.walks else self._states.active(times)
        steps = np.hypot(*np.diff(places, axis=0).T)
        return float(steps[walks[1:] & walks[:-1]].sum())

    def planned_length(self) -> float | None:
        """Return the same by the plan: its speed over time."""
        speed = self.speed("planned_feet")
        if speed is None:
            return None
        times, twist = speed
        active = self._states.active(times)[:-1]
        return float((np.hypot(twist[:-1, 0], twist[:-1, 1]) * np.diff(times) * active).sum())

    @cached_property
    def estimate(self) -> EstimateTrack | None:
        """The estimate and, where it was recorded, the truth; None without an estimate, or without power throughout."""
        found = self._signals.get("odom")
        return None if found is None else EstimateTrack.of(found, self._signals.get("truth/odom"), self._states)


@lru_cache
def _gait_in(limits: str) -> str:
    """The gait in a text of walking_limits, many walks of which have the same one."""
    try:
        return shortened(gait_in_use(limits), _LONGEST_NAME)
    except MessageError:
        return ""
