"""Steady walking with one twist: where feet and body are over a stride, for many twists at once.

Everything is in base_footprint, which moves with the strides; places are (x, y) in m.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quadleg.dynamics.centre_of_mass import centre_of_mass, centre_of_mass_batch
from quadleg.gait.schedule import stride_samples
from quadleg.gait.swing import advance_batch, lift_batch
from quadleg.geometry.arrays import Array
from quadleg.geometry.planar import from_frame_batch, motions, to_frame_batch
from quadleg.kinematics.body_pose import all_inverse_batch, stance_angles
from quadleg.robot.model import GaitParameters, RobotModel

SAMPLES = 48  # of a stride


@dataclass(frozen=True)
class Strides:
    """One stride for each of n twists: foot centres (n, samples, 4, 3), and who is in the air (samples, 4)."""

    feet: Array
    in_air: NDArray[np.bool_]

    def support_groups(self) -> Iterator[tuple[list[int], NDArray[np.intp]]]:
        """Return each set of feet that stand together, with the samples at which they do."""
        for in_air in np.unique(self.in_air, axis=0):
            yield np.flatnonzero(~in_air).tolist(), np.flatnonzero((self.in_air == in_air).all(axis=1))


def strides(robot: RobotModel, gait: GaitParameters, twists: Array, samples: int = SAMPLES) -> Strides:
    """The strides for twists (n, 3) over the ground, by the gait's `way_scale`.

    A foot in stance stays where it landed; halfway it is where it is at home.
    """
    since, in_air = stride_samples(gait, samples)
    home = np.array(robot.standing.feet)
    twist = twists[:, None, None, :] / np.array(gait.way_scale)
    half = gait.duty_factor * gait.stride_period / 2
    down = to_frame_batch(motions(twist, since * gait.stride_period - half), home[:, :2])

    swing_time = (1 - gait.duty_factor) * gait.stride_period
    share = np.clip((since - gait.duty_factor) / (1 - gait.duty_factor), 0.0, 1.0)
    lifted = to_frame_batch(motions(twist, np.full_like(since, half)), home[:, :2])
    landing = from_frame_batch(motions(twist, np.full_like(since, swing_time + half)), home[:, :2])
    over = lifted + (landing - lifted) * advance_batch(share)[..., None]
    up = to_frame_batch(motions(twist, share * swing_time), over)

    feet = np.empty((len(twists), samples, 4, 3))
    feet[..., :2] = np.where(in_air[..., None], up, down)
    feet[..., 2] = home[:, 2] + np.where(in_air, gait.foot_clearance * lift_batch(share), 0.0)
    return Strides(feet, in_air)


def angles_of(robot: RobotModel, feet: Array, shifts: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Joint angles (n, 12) for feet (n, 4, 3) with the body shifted by (n, 2), and whether all are reachable (n,)."""
    in_base = feet.copy()
    in_base[..., :2] -= shifts[:, None, :]
    in_base[..., 2] -= robot.standing.height
    return all_inverse_batch(robot, in_base)


@dataclass(frozen=True)
class Balance:
    """The centre of mass over the ground: its `offset` (2,) in m from below base_link with the feet at home, and by
    how much it goes along with a foot that leaves home, `share` (the legs have mass).
    """

    offset: Array
    share: float

    @classmethod
    def of(cls, robot: RobotModel) -> Balance:
        """By the masses of the robot's links, standing."""
        angles = stance_angles(robot, robot.standing)
        home = np.array(robot.standing.feet)
        step = 0.01
        moved = home.copy()
        moved[:, :2] += step
        shifted, _ = angles_of(robot, moved[None], np.zeros((1, 2)))
        offset = np.array(centre_of_mass(robot, angles)[:2])
        change = centre_of_mass_batch(robot, shifted)[0, :2] - offset
        return cls(offset, float(change.mean() / step / 4))

    @property
    def lean(self) -> Array:
        """(2,) the shift of the body in m that brings the centre of mass over the middle of the feet."""
        return -self.offset / self.follows

    @property
    def follows(self) -> float:
        """By how much the centre of mass goes along with a shift of the body over feet that stay."""
        return 1 - 4 * self.share

    def centres(self, robot: RobotModel, feet: Array) -> Array:
        """(..., 2): the centre of mass over feet (..., 4, 3), with the body not shifted."""
        home = np.array(robot.standing.feet)[:, :2]
        return self.offset + self.share * (feet[..., :2] - home).sum(axis=-2)
