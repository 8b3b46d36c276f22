"""Where the body is and how it moves, by its IMU, its legs and what was planned for them, tick after tick."""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from quadleg.dynamics.gravity import STANDARD_GRAVITY as GRAVITY
from quadleg.estimation.attitude import GAP
from quadleg.estimation.body_estimate import Estimate
from quadleg.estimation.contact import Loads
from quadleg.estimation.error_state_filter import GYRO_NOISE, VELOCITY, ErrorStateFilter, turned
from quadleg.estimation.inertial_prediction import JUMP, InertialPrediction
from quadleg.estimation.modelled_joints import ModelledJoints
from quadleg.estimation.stance_feet import LEG_NOISE, StanceFeet
from quadleg.estimation.systematic_error import SystematicError
from quadleg.estimation.zero_velocity import WALKING_SPEED, ZeroVelocity
from quadleg.gait.planner import GaitPlan
from quadleg.geometry.rotations import rotation_matrix
from quadleg.geometry.vectors import Vector
from quadleg.robot.model import LEGS, MEASURED, MODELLED, RobotModel

Array = NDArray[np.float64]

# rad/s: how far the turning rate by the feet that stand is from the true one, a trot's swaying in it.
BLIND_RATE = 0.4
RISEN = 0.01  # m over the resting pose
STILL_JOINTS, STILL_TIME = 0.01, 0.5  # rad, s: legs that have not moved further for so long stand still
LEVEL = 0.05  # rad√s: how level a body is kept, for want of an IMU
LOST_TIME = 0.3  # s without a foot that stands still: the velocity is then doubted
TWIST_TIME = 0.005  # s: a turning rate is one sample of the gyro
NO_IMU = "no_imu"  # code of a trouble
SAID = 5.0  # s that something is said which has passed


class Estimator:
    """The estimate of one robot, from its IMU's samples (`imu`) and, once a control tick, its joints and plan (`legs`).

    It begins at the origin of the world, facing +x, with the ground under its feet at height 0. `angles` says whether
    joint angles are `measured` or `modelled`, known from commands alone. `period` is that of the ticks in s (None: the
    robot file's). `resets` counts how often time went back.
    """

    def __init__(self, robot: RobotModel, angles: str = MEASURED, period: float | None = None) -> None:
        if angles not in LEG_NOISE:
            raise ValueError(f"angles are '{angles}'; they must be {MEASURED} or {MODELLED}")
        self._robot = robot
        self._modelled = angles == MODELLED
        self._noise = LEG_NOISE[angles]
        self._period = period or 1.0 / robot.control_rate
        self._loads = Loads(robot)
        self.resets = 0
        self._begin()

    def _begin(self) -> None:
        self._filter = ErrorStateFilter(self._robot)
        self._inertial = self._filter.inertial
        self._prediction = InertialPrediction(self._robot, self._filter, self._period)
        self._feet = StanceFeet(self._robot, self._noise, self._filter, self._period)
        self._lying = ZeroVelocity(self._filter, self._feet)
        self._systematic = SystematicError(self._noise.creep)
        self._servos = ModelledJoints(self._robot)
        self._time: float | None = None
        self._stood = 0.0  # s of the ticks, when there was a foot that stood still
        self._jumped = -SAID  # when the ticks last jumped
        self._jump = 0.0
        self._froze = False
        self._posture: Array | None = None  # joint angles from which they have not moved, and since when
        self._moved = 0.0
        self._given: Array | None = None  # joint angles as they came
        self._resting = True

    # What comes in

    def imu(self, time: float, gyro: Vector, acceleration: Vector) -> None:
        """One sample of the IMU: rad/s and m/s² in its axes, means over the time (s) since the sample before.

        What is not finite, beyond any IMU's range, or not later than the one before is refused and counted.
        """
        self._prediction.take(time, gyro, acceleration)

    def legs(self, time: float, angles: Sequence[float], plan: GaitPlan | None) -> None:
        """One control tick at `time` (s): twelve joint angles (rad; NaN where one is not known), and what was planned.

        None for a plan: the robot is off and lies. Time that goes back begins the estimate anew; the same time again
        changes nothing.
        """
        if time == self._time:
            return
        if self._time is not None and time < self._time:
            self._begin()
            self.resets += 1
        dt = self._period if self._time is None else time - self._time
        self._time = time
        prediction = self._prediction
        prediction.elapsed += dt
        joints = np.array(angles, dtype=float)
        self._feet.known = np.isfinite(joints).reshape(-1, 3).all(axis=1).tolist()
        joints = np.where(np.isfinite(joints), joints, 0.0 if self._given is None else self._given)
        self._resting, self._given = plan is None, joints
        still = self._is_still(joints, plan)
        jumped = dt > JUMP
        if jumped:
            self._jumped, self._jump = prediction.elapsed, dt
        seconds = prediction.predict(self._feet.turn_rate, jumped)
        if not still:
            up = self._risen and not self._resting
            self._systematic.grow(seconds, self._inertial.velocity, prediction.imu, up)
        if self._modelled:
            joints = self._servos.step(joints, plan.loads if plan else (0.0,) * 4, prediction.force, dt)
        self._correct(joints, plan, still, jumped, dt)

    def _is_still(self, joints: Array, plan: GaitPlan | None) -> bool:
        elapsed = self._prediction.elapsed
        if self._posture is None or float(np.abs(joints - self._posture).max()) > STILL_JOINTS:
            self._posture, self._moved = joints, elapsed
        calm = elapsed - self._moved > STILL_TIME
        return plan is not None and calm and self._risen and not any(map(any, plan.velocities))

    @property
    def _risen(self) -> bool:
        """Whether the belly is off the ground: limp legs that straighten when they get power turn a body that lies."""
        return self._feet.body_height > self._robot.resting.height + RISEN

    def _correct(self, joints: Array, plan: GaitPlan | None, still: bool, jumped: bool, dt: float) -> None:
        """By the feet that stand, and by what is known of a robot that lies, or has no IMU or no leg to go by."""
        inertial, feet, imu = self._inertial, self._feet, self._prediction.imu
        feet.move(joints, dt)
        feet.land(plan.loads if plan else (0.0,) * len(LEGS), jumped)
        if not imu:
            feet.feel_turning(dt)
        if plan and feet.standing and feet.correct(plan, still, imu, dt):
            self._stood = self._prediction.elapsed
        if not imu:
            ax, ay, _ = (row[2] for row in rotation_matrix(inertial.quaternion))
            self._filter.correct([0, 1], np.array((ay, -ax)), LEVEL / sqrt(dt))
        if self._resting or not self._risen:
            self._lying.level_if_tipped(imu, dt)
        if self._resting:
            self._lying.rest(imu, dt)
        elif not any(feet.known):
            self._lying.slow(WALKING_SPEED / sqrt(dt))
        elif feet.standing and (self._prediction.elapsed - self._stood > LOST_TIME or inertial.frozen > self._froze):
            # The velocity was wrong: an IMU that freezes said so, or else all feet would have slipped for long.
            self._filter.p[VELOCITY, VELOCITY] += WALKING_SPEED**2 * np.eye(3)
            feet.trust()
            self._stood = self._prediction.elapsed
        self._froze = inertial.frozen

    # What comes out

    @property
    def refused(self) -> int:
        """How many samples of the IMU were of no use."""
        return self._prediction.refused

    @property
    def feet(self) -> tuple[Vector, ...]:
        """The foot centres in base_link (m), as the joints were taken to be."""
        return self._feet.from_base

    @property
    def estimate(self) -> Estimate:
        """What is known after the last tick."""
        inertial = self._inertial
        matrix = rotation_matrix(inertial.quaternion)
        ax, ay, az = turned(matrix, inertial.arm)
        wx, wy, wz = turned(matrix, inertial.angular_velocity)
        (x, y, z), (vx, vy, vz) = inertial.place, inertial.velocity
        carrying, imu = self._feet.carrying, self._prediction.imu
        covariance = self._filter.covariance()
        self._systematic.add_to(covariance, inertial.velocity, imu)
        feet = [turned(matrix, foot) for foot in self._feet.from_base]
        felt = turned(matrix, inertial.specific_force or (0.0, 0.0, GRAVITY))
        return Estimate(
            position=(x - ax, y - ay, z - az),
            quaternion=inertial.quaternion,
            velocity=(vx - wy * az + wz * ay, vy - wz * ax + wx * az, vz - wx * ay + wy * ax),
            angular_velocity=inertial.angular_velocity,
            angular_velocity_noise=GYRO_NOISE / sqrt(TWIST_TIME) if imu else BLIND_RATE,
            gyro_bias=inertial.gyro_bias,
            acceleration_bias=inertial.acceleration_bias,
            covariance=covariance,
            contacts=carrying,
            loads=self._loads.share(matrix, feet, carrying, felt),
            slipping=tuple(self._feet.contacts.slipping),
            innovation=self._feet.innovation,
            troubles=self._troubles(),
        )

    def _troubles(self) -> dict[str, str]:
        """Sentences by their stable codes."""
        prediction, feet = self._prediction, self._feet
        troubles: dict[str, str] = {}
        if self._inertial.frozen:
            troubles["imu_frozen"] = "the IMU repeats one and the same sample: it is left out"
        elif step := prediction.step_too_long:
            apart = f"the IMU's samples are {1000 * step:.0f} ms apart"
            troubles["imu_slow"] = f"{apart}; {1000 * GAP:.0f} ms is the most"
        elif not prediction.imu:
            troubles[NO_IMU] = "no IMU: estimating from leg kinematics; uncertainty grows"
        if self._resting and self._lying.carried:
            troubles["carried"] = "the robot is moved while it is off: its place is not followed"
        for leg, known, slips in zip(LEGS, feet.known, feet.contacts.slipping):
            if not known:
                unknown = f"{leg}: not all of its joint angles are known; the foot is left out"
                troubles[f"{leg}_unknown"] = unknown
            elif slips:
                troubles[f"{leg}_slips"] = f"{leg} slips: the foot is left out"
        if prediction.elapsed - self._jumped < SAID:
            jumped = f"time jumped by {self._jump:.1f} s"
            troubles["time_jumped"] = f"{jumped}: how the robot moved in it is not known"
        if self.resets and prediction.elapsed < SAID:
            troubles["time_went_back"] = "time went back: the estimate has begun anew"
        return troubles
