"""Where the body is and how it moves, by its IMU, its legs and what was planned for them, tick after tick."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2, cos, hypot, radians, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from quadleg.dynamics.gravity import STANDARD_GRAVITY as GRAVITY
from quadleg.estimation.attitude import GAP
from quadleg.estimation.contact import Contacts, Loads
from quadleg.estimation.error_state_filter import (
    ACCELERATION_BIAS,
    ATTITUDE,
    GYRO_BIAS,
    GYRO_NOISE,
    POSITION,
    VELOCITY,
    YAW_BIAS,
    ErrorStateFilter,
    cross_matrix,
    of_foot,
    turned,
)
from quadleg.estimation.modelled_joints import ModelledJoints
from quadleg.gait.planner import GaitPlan
from quadleg.geometry.rotations import Quaternion, rotation_matrix
from quadleg.geometry.vectors import ZERO_VECTOR, Vector
from quadleg.kinematics.body_pose import all_forward
from quadleg.robot.model import (
    LEGS,
    MEASURED,
    MODELLED,
    RobotModel,
)

Array = NDArray[np.float64]

BLOCKS = {
    "attitude": ATTITUDE,
    "velocity": VELOCITY,
    "gyro_bias": GYRO_BIAS,
    "acceleration_bias": ACCELERATION_BIAS,
    "position": POSITION,
    **{leg: of_foot(number) for number, leg in enumerate(LEGS)},
}


@dataclass(frozen=True)
class LegNoise:
    """Standard deviations of what the joints say: a foot's `place` (m), how a standing foot `drifts` by chance (m/√s),
    by how much of its way its place is wrong, by chance (`way`), and evenly, so that it adds up (`creep`)."""

    place: float
    drifts: float
    way: float
    creep: float


# Tuned on the demo robot in physics; see test/test_odometry.py.
LEG_NOISE = {MEASURED: LegNoise(5e-5, 3.4e-4, 0.002, 0.002), MODELLED: LegNoise(1e-3, 5e-3, 0.3, 0.05)}
HEIGHT_TOO = np.diag([1.0, 1.0, 9.0])  # feet sink as load comes on them: the height creeps three times as much
# Without an IMU, which would feel how feet slip and the body tips: of the way, and rad/s about the vertical.
BLIND_CREEP, BLIND_TURN = 0.08, 0.05
# rad/s: how far its turning rate, by the feet that stand, is then from the true one, a trot's swaying in it.
BLIND_RATE = 0.4
STRIDE = 0.05  # m: over such a way of a foot its error is another one
STILL_DRIFT = 1e-4  # m/√s: of a foot while nothing is planned to move
RISEN = 0.01  # m over the resting pose
STILL_JOINTS, STILL_TIME = 0.01, 0.5  # rad, s: legs that have not moved further for so long stand still
LANDING_DRIFT = 0.03  # m/√s: of a foot while another one touches the ground
NEAR = 0.003  # m over the others: a foot that comes down may touch the ground
FAIR_SHARE = 0.4  # of the weight; a foot that carries less holds less firmly
REST_SPEED, SETTLING = 0.005, 0.01  # m/s, rad/s about the vertical: of a robot that lies still
TURNED = radians(4.0)  # by so much a hand has turned a robot that lies, without that the gyro felt it; no source
CALM_TIME, CALM_SHARE = 0.3, 0.02  # s; a robot lies calmly that feels gravity within this share of it
CARRIED = 0.1  # rad/s: one that turns faster does not lie still
WALKING_SPEED = 0.3  # m/s: all that is known of the velocity without any leg or while it is carried
LEVEL = 0.05  # rad√s: how level a body is kept, for want of an IMU
UNKNOWN_SLOPE = 0.05  # rad: nobody measures then how the ground slopes, however long the robot stands on it
LOST_TIME = 0.3  # s without a foot that stands still: the velocity is then doubted
JUMP = 0.5  # s from one tick to the next: nobody knows what happened between them
SURPRISE_SHARE = 0.05  # of a new surprise in the mean that is said
TURN_TIME = 0.06  # s over which the turning rate by the legs is evened
TWIST_TIME = 0.005  # s: a turning rate is one sample of the gyro
NO_IMU = "no IMU: estimating from leg kinematics; uncertainty grows"
SAID = 5.0  # s that something is said which has passed


@dataclass(frozen=True)
class Estimate:
    """What is known of the body, base_link, in the world: m, m/s, rad/s, and a quaternion (w, x, y, z).

    `velocity` is along the world's axes, `turning` along the body's. The rows of `covariance` are named by `BLOCKS`:
    errors of attitude are rotation vectors in the world, others plain differences. `contacts` are the feet that carry,
    `loads` the forces of the ground on them (N, along the world's axes), `innovation` the mean squared surprise of the
    feet, 1 being as expected. `turning_noise` is by how much `turning` is wrong by chance, beside the gyro's bias.
    `troubles` are sentences, none where all is well.
    """

    position: Vector
    quaternion: Quaternion
    velocity: Vector
    turning: Vector
    turning_noise: float
    gyro_bias: Vector
    acceleration_bias: Vector
    covariance: Array
    contacts: tuple[bool, ...]
    loads: tuple[Vector, ...]
    slipping: tuple[bool, ...]
    innovation: float
    troubles: tuple[str, ...]


class Estimator:
    """The estimate of one robot, from its IMU's samples (`imu`) and, once a control tick, its joints and plan (`legs`).

    It begins at the origin of the world, facing +x, with the ground under its feet at height 0. `angles` says whether
    joint angles are `measured` or `modelled`, known from commands alone. `period` is that of the ticks in s (None: the
    robot file's). `resets` counts how often time went back, `refused` the IMU's samples that were of no use.
    """

    def __init__(self, robot: RobotModel, angles: str = MEASURED, period: float | None = None) -> None:
        if angles not in LEG_NOISE:
            raise ValueError(f"angles are '{angles}'; they must be {MEASURED} or {MODELLED}")
        self._robot = robot
        self._modelled = angles == MODELLED
        self._noise = LEG_NOISE[angles]
        self._period = period or 1.0 / robot.control_rate
        self._radius = robot.legs[0].foot_radius
        self._loads = Loads(robot)
        self.resets = 0
        self._begin()

    def _begin(self) -> None:
        self._filter = ErrorStateFilter(self._robot)
        self._inertial = self._filter.inertial
        self._contacts = Contacts(self._period)
        self._servos = ModelledJoints(self._robot)
        self._force = np.array([0.0, 0.0, self._robot.masses.total * GRAVITY])  # on all feet, in base_link
        self._time: float | None = None
        self._elapsed = self._integrated = 0.0  # s: of the ticks, and of the IMU's samples
        self._arrived = self._heard = 0.0  # when there was a sample, and one of use
        self._stood = 0.0  # when there was a foot that stood still
        self._skipped = 0
        self._jumped = -SAID  # when the ticks last jumped
        self._jump = 0.0
        self._calm = 0.0
        self._tipped_for = 0.0  # s for which a robot that lies feels another vertical than it knows
        self._froze = False
        self._posture: Array | None = None  # joint angles from which they have not moved, and since when
        self._moved = 0.0
        self._given: Array | None = None  # joint angles as they came, and as they were taken to be
        self._angles: Array | None = None
        self._from_base: tuple[Vector, ...] = (ZERO_VECTOR,) * len(LEGS)
        self._seen = np.zeros((4, 3))
        self._known = [True] * len(LEGS)
        self._resting, self._still, self._carried = True, False, False
        self._crept = self._twisted = 0.0  # m, rad: by how much place and yaw may be wrong evenly, for how it walked
        self._surprise = 1.0
        self._leg_turning = 0.0  # rad/s about the body's z, by the feet that stand

    # What comes in

    def imu(self, time: float, gyro: Vector, acceleration: Vector) -> None:
        """One sample of the IMU: rad/s and m/s² in its axes, means over the time (s) since the sample before.

        What is not finite, beyond any IMU's range, or not later than the one before is refused and counted.
        """
        if self._inertial.integrated - self._elapsed > 2 * self._period:
            self._skipped += 1  # its clock is fast, or the tick it belongs to did without
            self._inertial.skip(time)
            return
        self._arrived = self._elapsed
        self._inertial.take(time, gyro, acceleration)

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
        joints = np.array(angles, dtype=float)
        self._known = np.isfinite(joints).reshape(-1, 3).all(axis=1).tolist()
        joints = np.where(np.isfinite(joints), joints, 0.0 if self._given is None else self._given)
        self._resting = plan is None
        self._given = joints
        self._elapsed += dt
        if self._posture is None or float(np.abs(joints - self._posture).max()) > STILL_JOINTS:
            self._posture, self._moved = joints, self._elapsed
        calm = self._elapsed - self._moved > STILL_TIME
        self._still = plan is not None and calm and self._risen and not any(map(any, plan.velocities))
        jumped = dt > JUMP
        if jumped:
            self._jumped, self._jump = self._elapsed, dt
        self._predict(jumped)
        if self._modelled:
            joints = self._servos.step(joints, plan.loads if plan else (0.0,) * 4, self._force, dt)
        self._stand(joints, plan, dt, jumped)
        self._angles = joints

    # Prediction

    def _predict(self, jumped: bool) -> None:
        """Up to the tick: by the IMU's samples, and without them as it went, or, after a while, evenly."""
        inertial = self._inertial
        measured = inertial.integrated - self._integrated
        if measured > 0.0:
            self._heard = self._elapsed
        behind = self._elapsed - inertial.integrated
        blind = 0.0
        if jumped:
            inertial.integrated, inertial.foretold = self._elapsed, 0.0
        elif behind > 1.5 * self._period:
            blind = behind
            felt = inertial.felt
            if self._imu_is_missing or felt is None:
                inertial.turning = (0.0, 0.0, self._leg_turning)
                up = rotation_matrix(inertial.quaternion)[2]
                felt = GRAVITY * up[0], GRAVITY * up[1], GRAVITY * up[2]
            inertial.go(blind, inertial.turning, felt)
            # Samples of this time may still come, as far back as the last one that came.
            since = max(self._elapsed - self._period - self._arrived, 0.0)
            inertial.foretold = min(inertial.foretold + blind, since)
        if measured + blind > 0.0:
            self._force = (self._robot.masses.total / (measured + blind)) * np.array(inertial.impulse)
        self._integrated = inertial.integrated
        guessed = min(inertial.guessed, measured)
        inertial.impulse, inertial.guessed = ZERO_VECTOR, 0.0
        self._filter.predict(measured - guessed, guessed, blind)
        if not self._still:
            dt, creep = measured + blind, self._noise.creep
            if self._imu_is_missing:
                creep = max(creep, BLIND_CREEP)
                if self._risen and not self._resting:
                    self._twisted += BLIND_TURN * dt
            self._crept += (creep + self._twisted) * dt * hypot(*inertial.velocity[:2])

    @property
    def _risen(self) -> bool:
        """Whether the belly is off the ground: limp legs that straighten when they get power turn a body that lies."""
        return -max(z for _, _, z in self._from_base) + self._radius > self._robot.resting.height + RISEN

    @property
    def _imu_is_missing(self) -> bool:
        return self._elapsed - self._heard > GAP

    # The legs

    def _stand(self, joints: Array, plan: GaitPlan | None, dt: float, jumped: bool) -> None:
        inertial, noise = self._inertial, self._noise
        loads = plan.loads if plan else (0.0,) * len(LEGS)
        r = np.array(rotation_matrix(inertial.quaternion))
        before, self._from_base = self._from_base, all_forward(self._robot, joints.tolist())
        seen = (np.array(self._from_base) - inertial.arm) @ r.T
        if self._angles is None:
            self._seen = seen
            self._put_on_ground(seen)
        else:
            self._filter.feet += self._rolled(joints, dt)
        landed = self._contacts.plan(loads, self._known)
        down = self._contacts.down
        if jumped:
            landed = list(range(len(LEGS)))
        for leg in range(len(LEGS)):
            if not down[leg] or leg in landed:
                self._filter.land(leg, seen[leg], noise.place)
        standing = [leg for leg in range(len(LEGS)) if down[leg] and leg not in landed]
        if self._imu_is_missing:
            self._feel_turning(standing, before, dt)
        if plan and standing:
            self._filter.drift(self._drifts(plan, seen, standing, dt))
            self._hold(standing, seen, dt)
        self._seen = seen
        if self._imu_is_missing:
            ax, ay, _ = (row[2] for row in rotation_matrix(inertial.quaternion))
            self._filter.correct([0, 1], np.array((ay, -ax)), LEVEL / sqrt(dt))
        if self._resting or not self._risen:
            self._level_if_turned(seen, dt)
        if self._resting:
            self._rest(seen, dt)
        elif not any(self._known):
            self._filter.correct([3, 4, 5], -np.array(inertial.velocity), WALKING_SPEED / sqrt(dt))
        elif standing and (self._elapsed - self._stood > LOST_TIME or inertial.frozen > self._froze):
            self._trust_feet(standing, seen)
        self._froze = inertial.frozen

    def _trust_feet(self, standing: list[int], seen: Array) -> None:
        """The velocity was wrong: an IMU that freezes said so, or else all feet would have slipped for long."""
        self._filter.p[VELOCITY, VELOCITY] += WALKING_SPEED**2 * np.eye(3)
        for leg in standing:
            self._filter.land(leg, seen[leg], self._noise.place)
        self._contacts.trust()
        self._stood = self._elapsed

    def _put_on_ground(self, seen: Array) -> None:
        """The world's origin is on the ground under base_link."""
        x, y, _ = self._inertial.arm
        self._filter.put((x, y, self._radius - float(seen[:, 2].min())), self._noise.place)

    def _rolled(self, joints: Array, dt: float) -> Array:
        """(4, 3): how far the spheres of feet that stand roll over the ground in a tick, by the turns of their legs."""
        assert self._angles is not None
        (xx, xy, xz), (yx, yy, yz), _ = rotation_matrix(self._inertial.quaternion)
        wx, wy, wz = (dt * rate for rate in self._inertial.turning)
        now, before = joints.tolist(), self._angles.tolist()
        result = []
        for i in range(0, 3 * len(LEGS), 3):
            abduction = now[i]
            shank = now[i + 1] + now[i + 2] - before[i + 1] - before[i + 2]
            x, y, z = wx + abduction - before[i], wy + shank * cos(abduction), wz + shank * sin(abduction)
            result.append((self._radius * (yx * x + yy * y + yz * z), -self._radius * (xx * x + xy * y + xz * z), 0.0))
        return np.array(result)

    def _drifts(self, plan: GaitPlan, seen: Array, standing: list[int], dt: float) -> Array:
        """(4,) m²: how far the standing feet may have moved over the ground in a tick."""
        if self._still:
            return np.full(len(LEGS), STILL_DRIFT**2 * dt)
        noise = self._noise
        if self._imu_is_missing:  # the feet are all there is: to trust the slow ones more would be to go too slowly
            return np.full(len(LEGS), (LANDING_DRIFT if len(standing) < 3 else noise.drifts) ** 2 * dt)
        drift = (LANDING_DRIFT if self._touches(plan, seen) else noise.drifts) ** 2 * dt
        way = seen - self._seen
        lengths = np.sqrt(np.einsum("ij,ij->i", way, way))
        light = np.array([max(1.0, FAIR_SHARE / load) if load else 1.0 for load in plan.loads]) ** 4
        result: Array = light * (drift + noise.way**2 * STRIDE * lengths)
        return result

    def _feel_turning(self, standing: list[int], before: tuple[Vector, ...], dt: float) -> None:
        """How fast feet that stand go round the body, the other way, is how fast it turns."""
        found = 0.0
        if len(standing) > 1:
            was, now = (np.array([feet[leg][:2] for leg in standing]) for feet in (before, self._from_base))
            was, now = was - was.mean(axis=0), now - now.mean(axis=0)
            found = -atan2(float((was[:, 0] * now[:, 1] - was[:, 1] * now[:, 0]).sum()), float((was * now).sum())) / dt
        self._leg_turning += min(dt / TURN_TIME, 1.0) * (found - self._leg_turning)

    def _touches(self, plan: GaitPlan, seen: Array) -> bool:
        """Whether a foot just comes down: it pushes, and the others lose their hold for a moment."""
        if self._contacts.coming(plan.loads):
            return True
        heights = seen[:, 2].tolist()
        ground = [z for z, load in zip(heights, plan.loads) if load]
        high = sum(ground) / len(ground) + NEAR
        return any(
            not load and velocity[2] < 0.0 and z < high
            for z, load, velocity in zip(heights, plan.loads, plan.velocities)
        )

    def _hold(self, standing: list[int], seen: Array, dt: float) -> None:
        """Corrects the state by the feet that stand where they stood."""
        off = seen - self._filter.feet
        used, total = [], 0.0
        for leg in standing:
            surprise = self._filter.surprise(leg, off[leg], self._noise.place)
            if self._contacts.judge(leg, surprise, sqrt(float(off[leg] @ off[leg])) / dt):
                used.append(leg)
                total += surprise / 3
        if used:
            self._stood = self._elapsed
            self._surprise += SURPRISE_SHARE * (total / len(used) - self._surprise)
            index = [row for leg in used for row in range(15 + 3 * leg, 18 + 3 * leg)]
            self._filter.correct(index, off[used].ravel(), self._noise.place, walking=not self._still)
        for leg, slips in enumerate(self._contacts.slipping):
            if slips:
                r = np.array(rotation_matrix(self._inertial.quaternion))
                self._filter.land(leg, r @ (np.array(self._from_base[leg]) - self._inertial.arm), self._noise.place)

    def _level_if_turned(self, seen: Array, dt: float) -> None:
        """Take the vertical that is felt where a hand, or the fall of a limp robot, has left another one."""
        felt, up = self._inertial.felt, rotation_matrix(self._inertial.quaternion)[2]
        size = hypot(*felt) if felt else 0.0
        calm = not self._imu_is_missing and abs(size / GRAVITY - 1.0) < CALM_SHARE
        turned = calm and felt is not None and sum(a * b for a, b in zip(felt, up)) < size * cos(TURNED)
        self._tipped_for = self._tipped_for + dt if turned else 0.0
        if self._tipped_for > CALM_TIME:
            self._tipped_for = 0.0
            self._filter.level()
            self._put_on_ground(seen)

    def _rest(self, seen: Array, dt: float) -> None:
        """The robot is off, and lies still unless somebody carries it."""
        inertial = self._inertial
        if inertial.felt and not self._imu_is_missing:
            turns = max(map(abs, inertial.turning)) if self._calm >= CALM_TIME else 0.0
            self._carried = turns > CARRIED
            if self._calm < CALM_TIME:
                felt = sqrt(sum(a * a for a in inertial.felt))
                self._calm = self._calm + dt if abs(felt / GRAVITY - 1.0) < CALM_SHARE else 0.0
                self._filter.level()
                self._put_on_ground(seen)
            if not self._carried:
                # Limp legs settle slowly and evenly: averaging makes nothing better of it.
                self._filter.correct([YAW_BIAS], np.array(inertial.turning[2:]), SETTLING)
                self._filter.p[YAW_BIAS, YAW_BIAS] = max(self._filter.p[YAW_BIAS, YAW_BIAS], SETTLING**2)
        speed = WALKING_SPEED if self._carried else REST_SPEED
        self._filter.correct([3, 4, 5], -np.array(inertial.velocity), speed)

    # What comes out

    @property
    def refused(self) -> int:
        """How many samples of the IMU were of no use."""
        return self._inertial.refused + self._inertial.jumps + self._skipped

    @property
    def feet(self) -> tuple[Vector, ...]:
        """The foot centres in base_link (m), as the joints were taken to be."""
        return self._from_base

    @property
    def estimate(self) -> Estimate:
        """What is known after the last tick."""
        inertial = self._inertial
        matrix = rotation_matrix(inertial.quaternion)
        ax, ay, az = turned(matrix, inertial.arm)
        wx, wy, wz = turned(matrix, inertial.turning)
        (x, y, z), (vx, vy, vz) = inertial.place, inertial.velocity
        carrying = tuple(down and not slips for down, slips in zip(self._contacts.down, self._contacts.slipping))
        feet = [turned(matrix, foot) for foot in self._from_base]
        felt = turned(matrix, inertial.felt or (0.0, 0.0, GRAVITY))
        return Estimate(
            position=(x - ax, y - ay, z - az),
            quaternion=inertial.quaternion,
            velocity=(vx - wy * az + wz * ay, vy - wz * ax + wx * az, vz - wx * ay + wy * ax),
            turning=inertial.turning,
            turning_noise=BLIND_RATE if self._imu_is_missing else GYRO_NOISE / sqrt(TWIST_TIME),
            gyro_bias=inertial.gyro_bias,
            acceleration_bias=inertial.acceleration_bias,
            covariance=self._covariance(),
            contacts=carrying,
            loads=self._loads.share(matrix, feet, carrying, felt),
            slipping=tuple(self._contacts.slipping),
            innovation=self._surprise,
            troubles=tuple(self._troubles()),
        )

    def _covariance(self) -> Array:
        """With what adds up evenly along the way, which the filter's noise, being by chance, has not."""
        result = self._filter.covariance()
        creep = self._noise.creep
        result[POSITION, POSITION] += self._crept**2 * HEIGHT_TOO
        result[2, 2] += self._twisted**2
        if self._imu_is_missing:
            result[[0, 1], [0, 1]] += UNKNOWN_SLOPE**2
        result[VELOCITY, VELOCITY] += (creep * hypot(*self._inertial.velocity[:2])) ** 2 * np.eye(3)
        return result

    def _troubles(self) -> list[str]:
        inertial = self._inertial
        troubles = []
        if inertial.frozen:
            troubles.append("the IMU repeats one and the same sample: it is left out")
        elif GAP < inertial.step < JUMP and self._elapsed - self._arrived < 2 * inertial.step:
            troubles.append(
                f"the IMU's samples are {1000 * inertial.step:.0f} ms apart; {1000 * GAP:.0f} ms is the most"
            )
        elif self._imu_is_missing:
            troubles.append(NO_IMU)
        if self._resting and self._carried:
            troubles.append("the robot is moved while it is off: its place is not followed")
        for leg, known, slips in zip(LEGS, self._known, self._contacts.slipping):
            if not known:
                troubles.append(f"{leg}: not all of its joint angles are known; the foot is left out")
            elif slips:
                troubles.append(f"{leg} slips: the foot is left out")
        if self._elapsed - self._jumped < SAID:
            troubles.append(f"time jumped by {self._jump:.1f} s: how the robot moved in it is not known")
        if self.resets and self._elapsed < SAID:
            troubles.append("time went back: the estimate has begun anew")
        return troubles


def in_body(estimate: Estimate) -> tuple[Vector, Array, Array]:
    """As nav_msgs/Odometry wants it: the velocity (m/s) in base_link, and the (6, 6) covariances of the pose in the
    world and of the twist in base_link, linear before angular."""
    r = np.array(rotation_matrix(estimate.quaternion))
    p = estimate.covariance
    pose_rows = [*range(POSITION.start, POSITION.stop), *range(ATTITUDE.start, ATTITUDE.stop)]
    to_body = np.hstack((cross_matrix(estimate.velocity), np.eye(3)))  # the attitude's error turns the velocity too
    motion = [*range(ATTITUDE.start, ATTITUDE.stop), *range(VELOCITY.start, VELOCITY.stop)]
    twist = np.zeros((6, 6))
    twist[:3, :3] = r.T @ to_body @ p[np.ix_(motion, motion)] @ to_body.T @ r
    twist[3:, 3:] = p[GYRO_BIAS, GYRO_BIAS] + estimate.turning_noise**2 * np.eye(3)
    x, y, z = (r.T @ np.array(estimate.velocity)).tolist()
    return (x, y, z), p[np.ix_(pose_rows, pose_rows)], twist
