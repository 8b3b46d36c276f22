"""The estimate of one robot, from IMU samples, joint angles, plans and the watchdog's state as they arrive."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from quadleg.estimation.body_estimate import BLOCKS, Estimate
from quadleg.estimation.estimate_codes import EstimateCode, EstimateState
from quadleg.estimation.footprint import footprint
from quadleg.estimation.odometry import WITHOUT_IMU, Estimator
from quadleg.estimation.tilt import IMU_FRAME
from quadleg.gait.planner import GaitPlan
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import ZERO_VECTOR, Vector
from quadleg.health import OK, WARN, CodedFact, Health, numbers
from quadleg.robot.model import LEGS, MEASURED, MODELLED, GaitParameters, RobotModel

LYING = ("off", "fault")  # states without power
PLAN_FRESH = 0.5  # s: without a newer plan the watchdog has the robot stand on all feet
# Messages that wait while the computer is busy, for LONGEST_STALL: samples of an IMU at 400 Hz, ticks and plans at
# 100 Hz. What is lost is not known afterwards.
IMU_QUEUE, TICK_QUEUE = 240, 60


class _TimedPlan(NamedTuple):
    time: float  # s, its stamp
    plan: GaitPlan
    heard: float  # s of a steady clock


class StateObserver:
    """Estimates one robot's state at each control tick of `period` s.

    `angles` says whether joint angles are measured or modelled; while it is empty there is no estimate. `now` is of a
    steady clock in s, other times are those of stamps. Raises ValueError for another kind of angles.
    """

    def __init__(self, robot: RobotModel, period: float, angles: str = "") -> None:
        if angles not in ("", MEASURED, MODELLED):
            raise ValueError(f"parameter joint_angles is '{angles}'; it must be {MEASURED}, {MODELLED} or empty")
        self._robot = robot
        self._period = period
        self.angles = angles
        self._gait: GaitParameters | None = None
        self._estimator = Estimator(robot, angles, period) if angles else None
        self._estimate: Estimate | None = None
        self._plans: deque[_TimedPlan] = deque(maxlen=TICK_QUEUE)
        self._state = "off"
        self._plan_refusal: CodedFact | None = None
        self._imu_trouble: CodedFact | None = None
        self._has_imu = any(frame.name == IMU_FRAME for frame in robot.frames)

    # What is heard

    def angles_are(self, angles: str) -> None:
        """Set whether joint angles are measured or modelled; a change restarts the estimate."""
        if angles != self.angles:
            self._estimator = Estimator(self._robot, angles, self._period)
            self.angles = angles
            if self._gait:
                self._estimator.walk_in(self._gait)

    def follow_gait(self, name: str) -> None:
        """Take the name of the gait that is walked; one that the robot does not have is ignored."""
        gait = next((gait for gait in self._robot.gaits if gait.name == name), None)
        if gait and gait != self._gait:
            self._gait = gait
            if self._estimator:
                self._estimator.walk_in(gait)

    def follow_state(self, state: str) -> None:
        self._state = state

    def imu(
        self, time: float, gyro: Vector, acceleration: Vector, variances: tuple[float, float] | None = None
    ) -> None:
        """Take one sample of the IMU: see `Estimator.imu`."""
        self._has_imu, self._imu_trouble = True, None
        if self._estimator:
            self._estimator.imu(time, gyro, acceleration, variances)

    def imu_lacks(self, quantity: str) -> None:
        """Note that the IMU does not measure a quantity."""
        self._has_imu = True
        self._imu_trouble = CodedFact.of(EstimateCode.IMU_INCOMPLETE, quantity=quantity)

    def planned(self, plan: GaitPlan, now: float, time: float = 0.0) -> None:
        """Take a plan with its stamp `time` (s): it counts for the ticks from then on."""
        if self._plans and time <= self._plans[-1].time:
            self._plans.clear()
        self._plans.append(_TimedPlan(time, plan, now))
        self._plan_refusal = None

    def refuse_plan(self, why: object) -> None:
        """Note an invalid plan; the one before stays."""
        self._plan_refusal = CodedFact.of(EstimateCode.PLAN_REFUSED, detail=why)

    def joints(self, time: float, angles: Sequence[float], now: float) -> Estimate | None:
        """Take one tick's joint angles (12, rad; NaN: unknown); return the estimate, None if there is none."""
        if self._estimator is None:
            return None
        planned = self._plan_at(time)
        plan = None if self._state in LYING or planned is None else planned.plan
        if plan and planned and now - planned.heard > PLAN_FRESH:
            plan = replace(
                plan, velocities=(ZERO_VECTOR,) * len(LEGS), loads=(1.0 / len(LEGS),) * len(LEGS), twist=None
            )
        self._estimator.legs(time, angles, plan)
        self._estimate = self._estimator.estimate
        return self._estimate

    def _plan_at(self, time: float) -> _TimedPlan | None:
        """Return the plan for a stamp (s): a busy computer delivers plans and joints in bursts, topic by topic."""
        plans = self._plans
        while len(plans) > 1 and plans[1].time <= time:
            plans.popleft()
        return plans[0] if plans else None

    def footprint(self, estimate: Estimate) -> tuple[Pose, Pose]:
        """The pose of base_footprint in the world, and that of base_link in it (REP-120)."""
        assert self._estimator is not None
        planned = self._plans[0].plan.feet if self._plans else self._robot.resting.feet
        legs = [leg for leg, carries in enumerate(estimate.contacts) if carries]
        legs = legs if len(legs) >= 2 else list(range(len(LEGS)))
        feet = self._estimator.feet
        body = Pose(estimate.position, estimate.quaternion)
        radius = self._robot.legs[0].foot_radius
        return footprint(body, [feet[leg] for leg in legs], [planned[leg] for leg in legs], radius)

    # What it tells

    def health(self) -> Health:
        """Return state, reason, figures and troubles of the estimate."""
        if self._estimator is None:
            return _waits(EstimateCode.ANGLES_UNTOLD)
        estimate = self._estimate
        if estimate is None:
            return _waits(EstimateCode.NO_JOINT_STATES, joint_angles=self.angles)
        blocks = {name: np.sqrt(np.diag(estimate.covariance)[rows]) for name, rows in BLOCKS.items()}
        values: dict[str, object] = {
            "joint_angles": self.angles,
            "innovation": f"{estimate.innovation:.3f}",
            "contacts": " ".join(leg for leg, down in zip(LEGS, estimate.contacts) if down),
            "slipping": " ".join(leg for leg, slips in zip(LEGS, estimate.slipping) if slips),
            "position_deviation_mm": numbers(1000 * blocks["position"]),
            "attitude_deviation_deg": numbers(np.degrees(blocks["attitude"])),
            "gyro_bias_deg_s": numbers(np.degrees(estimate.gyro_bias)),
            "imu_samples_refused": self._estimator.refused,
            "resets": self._estimator.resets,
        }
        troubles = tuple(filter(None, (self._plan_refusal, self._imu_trouble, *estimate.troubles)))
        if not self._has_imu:  # then nothing is wrong
            troubles = tuple(trouble for trouble in troubles if trouble != WITHOUT_IMU)
        state = EstimateState.RESTS if self._state in LYING else EstimateState.FOLLOWS
        if troubles:
            return Health("", values, WARN, state.value, notices=troubles)
        return Health("", values, OK, state.value, self._reason(state))

    def _reason(self, state: EstimateState) -> CodedFact:
        if state is EstimateState.RESTS:
            return CodedFact.of(EstimateCode.RESTS, robot_state=self._state)
        code = EstimateCode.FOLLOWS if self._has_imu else EstimateCode.FOLLOWS_WITHOUT_IMU
        return CodedFact.of(code, angles=self.angles)


def _waits(code: EstimateCode, **values: str) -> Health:
    return Health("", values, WARN, EstimateState.WAITS.value, notices=(CodedFact.of(code),))
