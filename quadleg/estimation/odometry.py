"""Pose and twist of the body, estimated from its IMU, its joints and the plan of its feet."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from math import isfinite, sqrt
from typing import NamedTuple

import numpy as np

from quadleg.dynamics.gravity import STANDARD_GRAVITY as GRAVITY
from quadleg.estimation.body_estimate import Estimate
from quadleg.estimation.contact import Loads
from quadleg.estimation.credibility import LOST_TIME, Credibility
from quadleg.estimation.error_state_filter import POSITION, VELOCITY, ErrorStateFilter, turned
from quadleg.estimation.estimate_codes import EstimateCode, FootCode
from quadleg.estimation.imu_stream import GAP
from quadleg.estimation.inertial_prediction import JUMP, InertialPrediction
from quadleg.estimation.modelled_joints import ModelledJoints
from quadleg.estimation.stance_feet import LEG_NOISE, StanceFeet
from quadleg.estimation.stillness import StillnessTest
from quadleg.estimation.systematic_error import SystematicError
from quadleg.estimation.zero_velocity import WALKING_SPEED, ZeroVelocity
from quadleg.gait.planner import GaitPlan
from quadleg.geometry.arrays import Array
from quadleg.geometry.rotations import rotation_matrix
from quadleg.geometry.vectors import Vector
from quadleg.health import CodedFact
from quadleg.robot.model import LEGS, MEASURED, MODELLED, GaitParameters, RobotModel

# rad/s: error of the yaw rate by the standing feet, including the sway of a trot.
BLIND_RATE = 0.4
RISEN = 0.01  # m over the resting pose
LEVEL = 0.05  # rad√s: noise of the assumption that the body is level, without an IMU
TWIST_TIME = 0.005  # s: an angular velocity is one sample of the gyro
WITHOUT_IMU = CodedFact.of(EstimateCode.NO_IMU)
REPORT_TIME = 5.0  # s to keep reporting an event after it is over


class _Tick(NamedTuple):
    time: float
    angles: Array
    plan: GaitPlan | None


class Estimator:
    """The estimate of one robot, from its IMU's samples (`imu`) and, once a control tick, its joints and plan (`legs`).

    It starts at the origin of the world, facing +x, with the ground under its feet at height 0. `angles` says whether
    joint angles are `measured` or `modelled`, known from commands alone. `period` is that of the ticks in s (None: the
    robot file's). `resets` counts how often it was reset: time went back, or the
    estimate was implausible.

    A tick whose samples are late waits for them; meanwhile the estimate is extrapolated at its last velocity.
    """

    def __init__(self, robot: RobotModel, angles: str = MEASURED, period: float | None = None) -> None:
        if angles not in LEG_NOISE:
            raise ValueError(f"angles are '{angles}'; they must be {MEASURED} or {MODELLED}")
        self._robot = robot
        self._modelled = angles == MODELLED
        self._noise = LEG_NOISE[angles]
        self._period = period or 1.0 / robot.control_rate
        self._loads = Loads(robot)
        self._gait: GaitParameters | None = None
        self.resets = 0
        self._went_back = False
        self._begin()

    def _begin(self) -> None:
        self._filter = ErrorStateFilter(self._robot)
        self._inertial = self._filter.inertial
        self._prediction = InertialPrediction(self._robot, self._filter, self._period)
        self._feet = StanceFeet(self._robot, self._noise, self._filter, self._period)
        self._stillness = StillnessTest(self._period)
        self._lying = ZeroVelocity(self._filter, self._feet, self._stillness)
        self._credibility = Credibility(self._robot, self._filter)
        self._systematic = SystematicError(self._noise.creep)
        self._servos = ModelledJoints(self._robot)
        self._waiting: deque[_Tick] = deque()
        self._newest: float | None = None  # s of the stamps: the last tick that came
        self._time: float | None = None  # and that was taken
        self._stood = 0.0  # s of the ticks, when there was a foot that stood still
        self._jumped = -REPORT_TIME  # when the ticks last jumped
        self._jump = 0.0
        self._froze = False
        self._lost = -REPORT_TIME  # when it last began anew
        self._given: Array | None = None  # joint angles as they came
        self._resting = True
        self._take_gait()

    def _take_gait(self) -> None:
        """Take over what a tape has told of modelled joint angles in the gait that is walked."""
        if self._gait and self._modelled:
            off = self._gait.odometry_scale_deviation
            self._feet.scale = self._gait.odometry_scale
            self._systematic.creep = max(off[:2]) if off else self._noise.creep

    # What comes in

    def imu(
        self, time: float, gyro: Vector, acceleration: Vector, variances: tuple[float, float] | None = None
    ) -> None:
        """One sample of the IMU: rad/s and m/s² in its axes, means over the time (s) since the sample before.

        `variances` are the sensor's own, (rad/s)² and (m/s²)², where it says them; 0 where it does not. What is not
        finite, beyond any IMU's range, or not later than the one before is refused and counted.
        """
        self._prediction.take(time, gyro, acceleration, variances)

    def walk_in(self, gait: GaitParameters) -> None:
        """Take the gait in which the plan walks: its `odometry_scale` counts from now on."""
        self._gait = gait
        self._take_gait()

    def legs(self, time: float, angles: Sequence[float], plan: GaitPlan | None) -> None:
        """One control tick at `time` (s): twelve joint angles (rad; NaN where one is not known), and what was planned.

        None for a plan: the robot is off and lies. Time that goes back begins the estimate anew; the same time again
        changes nothing.
        """
        if time == self._newest:
            return
        if self._newest is not None and time < self._newest:
            self._begin()
            self.resets += 1
            self._went_back = True
        prediction, waiting = self._prediction, self._waiting
        prediction.meet(time, self._newest is None)
        self._newest = time
        waiting.append(_Tick(time, np.array(angles, dtype=float), plan))
        while waiting and prediction.ready(waiting[0].time):
            self._step(waiting.popleft())

    def _step(self, tick: _Tick) -> None:
        """Predict up to one tick, and correct by its legs."""
        time, joints, plan = tick
        dt = self._period if self._time is None else time - self._time
        self._time = time
        prediction = self._prediction
        values = joints.tolist()
        self._feet.known = known = [isfinite(sum(values[i : i + 3])) for i in range(0, len(values), 3)]
        if not all(known):
            joints = np.where(np.isfinite(joints), joints, 0.0 if self._given is None else self._given)
        self._resting, self._given = plan is None, joints
        jumped = dt > JUMP
        seconds = prediction.predict(time, dt, self._feet.turn_rate, jumped)
        if jumped:
            self._jumped, self._jump = prediction.elapsed, dt
        self._stillness.update(prediction.turn, prediction.specific_force, joints)
        moves = plan is None or not self._risen or any(map(any, plan.velocities))
        still = self._stillness.still and not moves
        if not still:
            up = self._risen and not self._resting
            self._systematic.grow(seconds, self._inertial.velocity, prediction.imu, up)
        if self._modelled:
            joints = self._servos.step(joints, plan.loads if plan else (0.0,) * 4, prediction.force, dt)
        self._correct(joints, plan, still, dt)

    @property
    def _risen(self) -> bool:
        """Whether the belly is off the ground: limp legs that straighten at power-up turn a lying body."""
        return self._feet.body_height > self._robot.resting.height + RISEN

    def _correct(self, joints: Array, plan: GaitPlan | None, still: bool, dt: float) -> None:
        """Correct by the standing feet, and by what is known of a robot that lies, or has no IMU or no known leg."""
        inertial, feet, imu = self._inertial, self._feet, self._prediction.imu
        feet.move(joints, dt)
        feet.slip(plan, dt)
        feet.land(plan.loads if plan else (0.0,) * len(LEGS), dt > (GAP if imu else JUMP))
        if not imu:
            feet.feel_turning(dt)
        good = self._resting
        if plan and feet.standing and feet.correct(plan, still, imu, dt):
            self._stood, good = self._prediction.elapsed, True
        if not imu:
            ax, ay, _ = (row[2] for row in rotation_matrix(inertial.quaternion))
            self._filter.correct([0, 1], np.array((ay, -ax)), LEVEL / sqrt(dt))
        if self._resting or not self._risen:
            self._lying.level_if_tipped(imu)
        if self._resting:
            self._lying.rest(imu, dt)
        elif not any(feet.known):
            self._lying.slow(WALKING_SPEED / sqrt(dt))
        elif feet.standing and (
            self._prediction.elapsed - self._stood > LOST_TIME or self._prediction.frozen > self._froze
        ):
            # The velocity is wrong: the IMU froze, or all feet would have slipped for LOST_TIME.
            self._filter.p[VELOCITY, VELOCITY] += WALKING_SPEED**2 * np.eye(3)
            feet.trust()
            self._stood = self._prediction.elapsed
        self._froze = self._prediction.frozen
        if self._credibility.lost(still, good, dt) and imu:
            self._credibility.begin_anew()
            feet.trust()
            self._lost = self._prediction.elapsed
            self.resets += 1

    # What comes out

    @property
    def refused(self) -> int:
        """How many samples of the IMU were rejected."""
        return self._prediction.refused

    @property
    def feet(self) -> tuple[Vector, ...]:
        """The foot centres in base_link (m), by the measured or modelled joints."""
        return self._feet.from_base

    @property
    def estimate(self) -> Estimate:
        """The estimate after the last tick."""
        inertial = self._inertial
        matrix = rotation_matrix(inertial.quaternion)
        ax, ay, az = turned(matrix, inertial.arm)
        wx, wy, wz = turned(matrix, inertial.angular_velocity)
        (x, y, z), (vx, vy, vz) = inertial.place, inertial.velocity
        ahead = self._prediction.ahead
        x, y, z = x + ahead * vx, y + ahead * vy, z + ahead * vz
        carrying, imu = self._feet.carrying, self._prediction.imu
        covariance = self._filter.covariance()
        if ahead:
            covariance[POSITION, POSITION] += ahead**2 * covariance[VELOCITY, VELOCITY]
        self._systematic.add_to(covariance, inertial.velocity, imu)
        feet = [turned(matrix, foot) for foot in self._feet.from_base]
        felt = turned(matrix, inertial.specific_force or (0.0, 0.0, GRAVITY))
        return Estimate(
            position=(x - ax, y - ay, z - az),
            quaternion=inertial.quaternion,
            velocity=(vx - wy * az + wz * ay, vy - wz * ax + wx * az, vz - wx * ay + wy * ax),
            angular_velocity=inertial.angular_velocity,
            angular_velocity_noise=self._filter.gyro_noise / sqrt(TWIST_TIME) if imu else BLIND_RATE,
            gyro_bias=inertial.gyro_bias,
            covariance=covariance,
            contacts=carrying,
            loads=self._loads.share(matrix, feet, carrying, felt),
            slipping=tuple(self._feet.contacts.slipping),
            innovation=self._feet.innovation,
            troubles=self._troubles(),
        )

    def _troubles(self) -> tuple[CodedFact, ...]:
        """Return the troubles of the estimate."""
        prediction, feet = self._prediction, self._feet
        troubles = []
        if prediction.frozen:
            troubles.append(CodedFact.of(EstimateCode.IMU_FROZEN))
        elif step := prediction.step_too_long:
            apart, most = f"{1000 * step:.0f}", f"{1000 * GAP:.0f}"
            troubles.append(CodedFact.of(EstimateCode.IMU_SLOW, apart_ms=apart, most_ms=most))
        elif prediction.silent:
            troubles.append(WITHOUT_IMU)
        if self._resting and self._lying.carried:
            troubles.append(CodedFact.of(EstimateCode.CARRIED))
        for leg, known, slips in zip(LEGS, feet.known, feet.contacts.slipping):
            if not known:
                troubles.append(CodedFact.of(FootCode.unknown(leg)))
            elif slips:
                troubles.append(CodedFact.of(FootCode.slips(leg)))
        if prediction.elapsed - self._jumped < REPORT_TIME:
            troubles.append(CodedFact.of(EstimateCode.TIME_JUMPED, seconds=f"{self._jump:.1f}"))
        if prediction.elapsed - self._lost < REPORT_TIME:
            speed = f"{self._credibility.speed:.1f}"
            troubles.append(CodedFact.of(EstimateCode.ESTIMATE_LOST, speed=speed))
        if self._went_back and prediction.elapsed < REPORT_TIME:
            troubles.append(CodedFact.of(EstimateCode.TIME_WENT_BACK))
        return tuple(troubles)
