"""The hand of a person who tilts a simulated robot: what its IMU feels then."""

from __future__ import annotations

import random
from collections.abc import Callable
from math import cos, radians, sin

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.geometry.rotations import quaternion_from_rotation_vector, rotation_matrix
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector, dot
from quadleg.servos.simulated_sensors import ACCELERATION_NOISE, GYRO_NOISE, Motion

FIRST_WAIT = 0.5  # s from a word to the hand until it moves the body
MOVE_TIME = 1.5  # s of a tilt
TILT = radians(30)
# How far the axis and the angle of a tilt are off, to each side: over a straight edge that is laid square to the body
# by eye (common practice, no source).
AXIS_ERROR, ANGLE_ERROR = radians(2), radians(5)


class TiltingHand:
    """Tilts a level body whose IMU sits in base_link as `mounting` says; its errors are drawn by `seed`.

    `clock` is that of the simulated board, in s. `axis_errors` (rad) are those of the next tilts, else they are drawn.
    """

    def __init__(self, mounting: Pose, clock: Callable[[], float], seed: int) -> None:
        self._axes = tuple(zip(*mounting.matrix))  # of the IMU, in base_link
        self._clock = clock
        self._draw = random.Random(seed)
        self.axis_errors: list[float] = []
        self.lay_level()

    def lay_level(self) -> None:
        """Lay the body down level, at once."""
        self._axis: Vector = (0.0, 1.0, 0.0)
        self._angle, self._begin = 0.0, self._clock()

    def tilt(self, axis: Vector) -> None:
        """Lay the body down level, then tilt it soon about a level axis of base_link (unit length)."""
        error = self.axis_errors.pop(0) if self.axis_errors else self._draw.uniform(-AXIS_ERROR, AXIS_ERROR)
        x, y, z = axis
        c, s = cos(error), sin(error)
        self._axis = c * x - s * y, s * x + c * y, z
        self._angle = TILT + self._draw.uniform(-ANGLE_ERROR, ANGLE_ERROR)
        self._begin = self._clock() + FIRST_WAIT

    def feel(self) -> Motion:
        """What the IMU feels now, in its own axes, with noise."""
        part = min(max((self._clock() - self._begin) / MOVE_TIME, 0.0), 1.0)
        # The minimum-jerk movement of Flash & Hogan, J. Neuroscience 5 (1985) 1688.
        angle = self._angle * part**3 * (10 - 15 * part + 6 * part**2)
        rate = self._angle / MOVE_TIME * 30 * part**2 * (1 - part) ** 2
        ax, ay, az = self._axis
        up = rotation_matrix(quaternion_from_rotation_vector((angle * ax, angle * ay, angle * az)))[2]
        turn = (rate * ax, rate * ay, rate * az)
        gx, gy, gz = (dot(axis, turn) + self._draw.gauss(0.0, GYRO_NOISE) for axis in self._axes)
        fx, fy, fz = (
            STANDARD_GRAVITY * dot(axis, up) + self._draw.gauss(0.0, ACCELERATION_NOISE) for axis in self._axes
        )
        return (gx, gy, gz), (fx, fy, fz)
