"""The estimate of a robot by what is heard of it, one after another: IMU, joints, the plan and the watchdog's state."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from quadleg.estimation.body_estimate import BLOCKS, Estimate
from quadleg.estimation.footprint import footprint
from quadleg.estimation.odometry import NO_IMU, Estimator
from quadleg.estimation.tilt import IMU_FRAME
from quadleg.gait.planner import GaitPlan
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import ZERO_VECTOR, Vector
from quadleg.health import WARN, Health, numbers
from quadleg.robot.model import LEGS, MEASURED, MODELLED, RobotModel

LYING = ("off", "fault")  # states without power
PLAN_FRESH = 0.5  # s: without a newer plan the robot stands on all feet, by the watchdog's doing


class StateObserver:
    """One robot's state, once a control tick of `period` s.

    `angles` says whether joint angles are measured or modelled; while it is empty nothing is estimated. `now` is of a
    steady clock in s, other times are those of stamps. Raises ValueError for another kind of angles.
    """

    def __init__(self, robot: RobotModel, period: float, angles: str = "") -> None:
        if angles not in ("", MEASURED, MODELLED):
            raise ValueError(f"parameter joint_angles is '{angles}'; it must be {MEASURED}, {MODELLED} or empty")
        self._robot = robot
        self._period = period
        self.angles = angles
        self._estimator = Estimator(robot, angles, period) if angles else None
        self._estimate: Estimate | None = None
        self._plan: GaitPlan | None = None
        self._planned_at = 0.0
        self._state = "off"
        self._plan_refusal = self._imu_trouble = ""
        self._has_imu = any(frame.name == IMU_FRAME for frame in robot.frames)

    # What is heard

    def angles_are(self, angles: str) -> None:
        """Take whether joint angles are measured or modelled; if that is new the estimate begins anew."""
        if angles != self.angles:
            self._estimator = Estimator(self._robot, angles, self._period)
            self.angles = angles

    def follow_state(self, state: str) -> None:
        """Take the watchdog's state."""
        self._state = state

    def imu(self, time: float, gyro: Vector, acceleration: Vector) -> None:
        """Take one sample of the IMU: see `Estimator.imu`."""
        self._has_imu, self._imu_trouble = True, ""
        if self._estimator:
            self._estimator.imu(time, gyro, acceleration)

    def imu_lacks(self, quantity: str) -> None:
        """Take that the IMU does not measure a quantity."""
        self._has_imu = True
        self._imu_trouble = f"imu/data says that it has no {quantity}: both it and the other are needed"

    def planned(self, plan: GaitPlan, now: float) -> None:
        """Take the plan of the feet."""
        self._plan, self._planned_at, self._plan_refusal = plan, now, ""

    def refuse_plan(self, why: object) -> None:
        """Take that a plan makes no sense; the one before stays."""
        self._plan_refusal = f"planned feet refused: {why}"

    def joints(self, time: float, angles: Sequence[float], now: float) -> Estimate | None:
        """Take one tick's joint angles (12, rad; NaN where one is not known); the estimate then, where there is one."""
        if self._estimator is None:
            return None
        plan = None if self._state in LYING else self._plan
        if plan and now - self._planned_at > PLAN_FRESH:
            plan = replace(plan, velocities=(ZERO_VECTOR,) * len(LEGS), loads=(1.0 / len(LEGS),) * len(LEGS))
        self._estimator.legs(time, angles, plan)
        self._estimate = self._estimator.estimate
        return self._estimate

    def footprint(self, estimate: Estimate) -> tuple[Pose, Pose]:
        """The pose of base_footprint in the world, and that of base_link in it (REP-120)."""
        assert self._estimator is not None
        planned = self._plan.feet if self._plan else self._robot.resting.feet
        legs = [leg for leg, carries in enumerate(estimate.contacts) if carries]
        legs = legs if len(legs) >= 2 else list(range(len(LEGS)))
        feet = self._estimator.feet
        body = Pose(estimate.position, estimate.quaternion)
        radius = self._robot.legs[0].foot_radius
        return footprint(body, [feet[leg] for leg in legs], [planned[leg] for leg in legs], radius)

    # What it says

    def health(self) -> Health:
        """How good the estimate is."""
        if self._estimator is None:
            words = f"servo_output does not say whether joint_states are {MEASURED} or {MODELLED}: it has to run, or "
            words += "the parameter joint_angles to say so"
            return Health(words, level=WARN, state="waits", complaints={"angles_untold": words})
        estimate = self._estimate
        if estimate is None:
            words = "no joint_states are heard"
            return Health(words, {"joint_angles": self.angles}, WARN, "waits", {"no_joint_states": words})
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
        own = {"plan_refused": self._plan_refusal or "", "imu_incomplete": self._imu_trouble or ""}
        troubles = {code: said for code, said in {**own, **estimate.troubles}.items() if said}
        if not self._has_imu:  # then nothing is wrong
            troubles.pop(NO_IMU, None)
        state = "rests" if self._state in LYING else "follows"
        if troubles:
            return Health("; ".join(troubles.values()), values, WARN, state, troubles)
        if self._state in LYING:
            return Health(f"the robot is {self._state}: the estimate rests", values, state=state)
        without = "" if self._has_imu else ", without an IMU"
        return Health(f"follows the body with {self.angles} joint angles{without}", values, state=state)
