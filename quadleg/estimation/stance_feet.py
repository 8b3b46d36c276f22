"""Feet in stance as landmarks: where the joints put them, how far they may have moved, and what they correct."""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, cos, exp, hypot, sin, sqrt

import numpy as np

from quadleg.estimation.contact import Contacts
from quadleg.estimation.error_state_filter import OUTLIER_GATE, ErrorStateFilter
from quadleg.gait.planner import GaitPlan
from quadleg.geometry.arrays import Array
from quadleg.geometry.planar import Planar
from quadleg.geometry.rotations import rotation_matrix
from quadleg.geometry.vectors import ZERO_VECTOR, Vector
from quadleg.kinematics.body_pose import all_forward
from quadleg.robot.model import AS_PLANNED, LEGS, MEASURED, MODELLED, RobotModel


@dataclass(frozen=True)
class LegNoise:
    """Standard deviations of kinematics: least and largest of a foot's place (m), random drift of a standing foot
    (m/√s), and the error of its place by its way, random (`way`, m/√m) and systematic (`creep`, a share)."""

    least_place: float
    most_place: float
    drifts: float
    way: float
    creep: float


# Tuned on the demo robot in physics; see test/test_odometry.py and docs/estimation.md.
LEG_NOISE = {MEASURED: LegNoise(5e-5, 4e-3, 3.4e-4, 4.5e-4, 0.002), MODELLED: LegNoise(1e-3, 1e-3, 5e-3, 0.03, 0.05)}
STILL_DRIFT = 1e-4  # m/√s of a foot while the robot stands still
LANDING_DRIFT = 0.03  # m/√s of a foot while another one touches down
NEAR = 0.003  # m above the others: from there on a descending foot may touch the ground
FAIR_SHARE = 0.4  # of the weight; a foot with a smaller load slips more easily
ADAPTS = 0.03  # gain from the excess of a tick's normalized innovation to the logarithm of `place`
INNOVATION_SHARE = 0.05  # of a new innovation in the reported mean
TURN_TIME = 0.06  # s: low-pass of the yaw rate by the legs


class StanceFeet:
    """The feet of one robot, in the order of `LEGS`.

    `from_base` are the foot centres in base_link (m), `seen` those from the IMU along the world's axes, (4, 3) m.
    `standing` are the legs whose feet stand since an earlier tick, `innovation` is the mean squared normalized
    innovation, `turn_rate` the body's yaw rate by the feet that stand (rad/s), `place` the standard
    deviation of a foot's place by kinematics (m). `scale` is the true way by that of the joint angles, as a tape has
    told it: forward, to the left and turning left.
    """

    def __init__(self, robot: RobotModel, noise: LegNoise, kalman: ErrorStateFilter, period: float) -> None:
        self._robot = robot
        self._noise = noise
        self.place = noise.least_place
        self.scale: Planar = AS_PLANNED
        self._radius = robot.legs[0].foot_radius
        self._filter = kalman
        self._inertial = kalman.inertial
        self.contacts = Contacts(period)
        self.known = [True] * len(LEGS)
        self.standing: list[int] = []
        self.innovation = 1.0
        self.turn_rate = 0.0
        self._angles: list[float] | None = None
        self._slipped: Array = np.zeros((len(LEGS), 2))  # m in base_link in the last tick, as planned
        self.from_base: tuple[Vector, ...] = (ZERO_VECTOR,) * len(LEGS)
        self._from_base_before = self.from_base
        self.seen = self._before = np.zeros((4, 3))

    @property
    def body_height(self) -> float:
        """How high base_link is over the lowest foot's contact point, the body being level, in m."""
        return -max(z for _, _, z in self.from_base) + self._radius

    @property
    def carrying(self) -> tuple[bool, ...]:
        """Which feet carry: those that are down and do not slip."""
        return tuple(down and not slips for down, slips in zip(self.contacts.down, self.contacts.slipping))

    # One tick: move, then land, then correct

    def move(self, joints: Array, dt: float) -> None:
        """Take the joint angles, (12,) rad, `dt` s after the last; standing feet roll with their legs."""
        angles: list[float] = joints.tolist()
        before, self.from_base = self.from_base, all_forward(self._robot, angles)
        r = np.array(rotation_matrix(self._inertial.quaternion))
        seen = (np.array(self.from_base) - self._inertial.arm) @ r.T
        if self._angles is None:
            self._before = self.seen = seen
            self.put_on_ground()
        else:
            self._filter.feet += self._rolled(angles, self._angles, dt)
            self._before = self.seen
        self.seen, self._angles, self._from_base_before = seen, angles, before

    def slip(self, plan: GaitPlan | None, dt: float) -> None:
        """Move the standing feet over the ground by what the joint angles do not tell of the planned way.

        A body that goes with the plan's twist v goes with v / `scale` by its joint angles: its feet slip by the rest.
        """
        self._slipped = np.zeros((len(LEGS), 2))
        if not plan or not plan.twist or self.scale == AS_PLANNED:
            return
        vx, vy, turn = (dt * (value - value / scale) for value, scale in zip(plan.twist, self.scale))
        for leg, ((x, y, _), load) in enumerate(zip(plan.feet, plan.loads)):
            if load:
                self._slipped[leg] = vx - turn * y, vy + turn * x
        forward = np.array(rotation_matrix(self._inertial.quaternion))[:2, 0]
        ahead, aside = forward / hypot(*forward)
        self._filter.feet[:, :2] += self._slipped @ ((ahead, aside), (-aside, ahead))

    def land(self, loads: tuple[float, ...], unseen: bool) -> None:
        """Find which feet stand by the planned `loads` (`unseen`: none, after a gap); reset the others' landmarks."""
        landed = self.contacts.plan(loads, self.known)
        if unseen:
            landed = list(range(len(LEGS)))
        down = self.contacts.down
        self.standing = [leg for leg in range(len(LEGS)) if down[leg] and leg not in landed]
        for leg in range(len(LEGS)):
            if leg not in self.standing:
                self._filter.land(leg, self.seen[leg], self.place)

    def correct(self, plan: GaitPlan, still: bool, imu: bool, dt: float) -> bool:
        """Correct the state by the feet that stand; return whether there is one.

        `still`: the plan and the joints are at rest. `imu`: there is an IMU.
        """
        self._filter.drift(self._drifts(plan, still, imu, dt))
        off = self.seen - self._filter.feet
        used, total, found = [], 0.0, 0.0
        for leg in self.standing:
            innovation = self._filter.normalized_innovation(leg, off[leg], self.place)
            found += min(innovation, OUTLIER_GATE) / 3
            if self.contacts.judge(leg, innovation, sqrt(float(off[leg] @ off[leg])) / dt):
                used.append(leg)
                total += innovation / 3
        self._adapt(found / max(len(self.standing), 1))
        if used:
            self.innovation += INNOVATION_SHARE * (total / len(used) - self.innovation)
            index = [row for leg in used for row in range(15 + 3 * leg, 18 + 3 * leg)]
            self._filter.correct(index, off[used].ravel(), self.place, walking=not still)
        for leg, slips in enumerate(self.contacts.slipping):
            if slips:
                r = np.array(rotation_matrix(self._inertial.quaternion))
                self._filter.land(leg, r @ (np.array(self.from_base[leg]) - self._inertial.arm), self.place)
        return bool(used)

    def _adapt(self, innovation: float) -> None:
        """Adapt the noise of a foot's place: the mean normalized innovation of standing feet should be 1."""
        noise = self._noise
        place = self.place * exp(ADAPTS * (innovation - 1.0))
        self.place = min(max(place, noise.least_place), noise.most_place)

    def trust(self) -> None:
        """Clear all slips, and start new landmarks for the feet that stand."""
        for leg in self.standing:
            self._filter.land(leg, self.seen[leg], self.place)
        self.contacts.trust()

    def put_on_ground(self) -> None:
        """Put the world's origin on the ground below base_link."""
        x, y, _ = self._inertial.arm
        self._filter.reset_place((x, y, self._radius - float(self.seen[:, 2].min())), self.place)

    def feel_turning(self, dt: float) -> None:
        """Update the yaw rate: that of the standing feet around the body, with the opposite sign."""
        found = 0.0
        if len(self.standing) > 1:
            was, now = (
                np.array([feet[leg][:2] for leg in self.standing]) for feet in (self._from_base_before, self.from_base)
            )
            now = now - self._slipped[self.standing]
            was, now = was - was.mean(axis=0), now - now.mean(axis=0)
            found = -atan2(float((was[:, 0] * now[:, 1] - was[:, 1] * now[:, 0]).sum()), float((was * now).sum())) / dt
        self.turn_rate += min(dt / TURN_TIME, 1.0) * (found - self.turn_rate)

    # Motion of a standing foot

    def _rolled(self, now: list[float], before: list[float], dt: float) -> Array:
        """(4, 3) m: how far standing foot spheres roll over the ground in a tick, by the rotation of their legs."""
        (xx, xy, xz), (yx, yy, yz), _ = rotation_matrix(self._inertial.quaternion)
        wx, wy, wz = (dt * rate for rate in self._inertial.angular_velocity)
        result = []
        for i in range(0, 3 * len(LEGS), 3):
            abduction = now[i]
            shank = now[i + 1] + now[i + 2] - before[i + 1] - before[i + 2]
            x, y, z = wx + abduction - before[i], wy + shank * cos(abduction), wz + shank * sin(abduction)
            result.append((self._radius * (yx * x + yy * y + yz * z), -self._radius * (xx * x + xy * y + xz * z), 0.0))
        return np.array(result)

    def _drifts(self, plan: GaitPlan, still: bool, imu: bool, dt: float) -> Array:
        """(4,) m²: variance of the standing feet's motion over the ground in a tick."""
        if still:
            return np.full(len(LEGS), STILL_DRIFT**2 * dt)
        noise = self._noise
        if not imu:  # only feet measure: more trust in slow ones would bias the speed low
            drifts = LANDING_DRIFT if len(self.standing) < 3 else noise.drifts
            return np.full(len(LEGS), drifts**2 * dt)
        drift = (LANDING_DRIFT if self._touches(plan) else noise.drifts) ** 2 * dt
        way = self.seen - self._before
        lengths = np.sqrt(np.einsum("ij,ij->i", way, way))
        light = np.array([max(1.0, FAIR_SHARE / load) if load else 1.0 for load in plan.loads]) ** 4
        return light * (drift + noise.way**2 * lengths)

    def _touches(self, plan: GaitPlan) -> bool:
        """Whether a foot is touching down: its impact makes the others slip for a moment."""
        if self.contacts.coming(plan.loads):
            return True
        heights = self.seen[:, 2].tolist()
        ground = [z for z, load in zip(heights, plan.loads) if load]
        high = sum(ground) / len(ground) + NEAR
        return any(
            not load and velocity[2] < 0.0 and z < high
            for z, load, velocity in zip(heights, plan.loads, plan.velocities)
        )
