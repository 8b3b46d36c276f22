"""How an IMU sits in the body, from gravity in three poses: level, front down and left side down.

Level, gravity gives roll and pitch as well as the ground is level. Each tilt gives one level axis, across which gravity
moved; the yaw that fits both tilts best is as good as the edges over which the body was tilted. The gyro's turn from
level to each tilt has to lead gravity to where the accelerometer then finds it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from math import acos, atan2, degrees, radians

import numpy as np

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.errors import MountingError
from quadleg.geometry.registration import fit_rotation
from quadleg.geometry.rotation_arrays import axis_aligned_rotations
from quadleg.geometry.rotations import Quaternion, rotation_matrix
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import UP, Vector, cross, dot

LEAST_TILT, MOST_TILT = radians(15), radians(60)  # with 20 to 40° asked for
# Share of g. MPU-6050, PS-MPU-6000A rev. 3.4, section 6.2: 3 % of scale, 50 and 80 mg of offset.
GRAVITY_TOLERANCE = 0.10
# Of the angle between the two tilts: 2° each over a straight edge (common practice, no source), and 0.8° each of an
# offset of 50 mg in a tilt of 30°.
SQUARE_TOLERANCE = radians(6)
SAME_AXIS = radians(45)  # two tilts whose axes are less apart were about the same one
# Between gravity by gyro and by accelerometer: 3 % of a turn of 60° (section 6.1), 5° of those offsets, and drift.
GYRO_TOLERANCE = radians(10)
ALIGNED = radians(8)  # from an axis-aligned mounting: more was meant so, or is a mistake

FORWARD_AXIS, LEFT_AXIS = (0.0, 1.0, 0.0), (-1.0, 0.0, 0.0)  # in base_link, by the right-hand rule
_REARWARD, _RIGHTWARD = (-1.0, 0.0, 0.0), (0.0, -1.0, 0.0)  # where up leans in base_link in each tilt
_SIDES = ("forward", "to the left", "up")


class MountingFault(Enum):
    """Why no mounting follows from readings; `again`: it does once this one pose is repeated."""

    MOVED = "moved"
    NOT_LEVEL = "not_level"
    TOO_LITTLE = "tilted_too_little"
    TOO_FAR = "tilted_too_far"
    SAME_AXIS = "same_axis"
    GRAVITY = "gravity"
    GYRO_OPPOSITE = "gyro_opposite"
    GYRO_DISAGREES = "gyro_disagrees"
    MIRRORED = "mirrored"
    NOT_SQUARE = "not_square"

    @property
    def again(self) -> bool:
        return self in _AGAIN

    def error(self, found: str, cure: str) -> MountingError:
        """The error of this fault."""
        return MountingError(self.value, found, cure)


_AGAIN = {
    MountingFault.MOVED,
    MountingFault.NOT_LEVEL,
    MountingFault.TOO_LITTLE,
    MountingFault.TOO_FAR,
    MountingFault.SAME_AXIS,
}


@dataclass(frozen=True)
class RestReading:
    """Means over a rest, in the IMU's axes: specific force (m/s²) and angular rate (rad/s).

    `turned` is the IMU's attitude then in that at the beginning of the recording, by the gyro.
    """

    force: Vector
    rate: Vector
    turned: Quaternion = (1.0, 0.0, 0.0, 0.0)

    @property
    def size(self) -> float:
        """The size of the specific force in m/s²."""
        return dot(self.force, self.force) ** 0.5

    @property
    def up(self) -> Vector:
        """The direction of the specific force: upward, at rest."""
        x, y, z = self.force
        return x / self.size, y / self.size, z / self.size


@dataclass(frozen=True)
class ImuMounting:
    """`pose` of imu_link in base_link, without a place. `tilts` (rad) are those of the two poses, `apart` (rad) is the
    angle between their directions. `aligned` says where the axes point in the nearest axis-aligned mounting,
    `misaligned` (rad) is the turn from there."""

    pose: Pose
    tilts: tuple[float, float]
    apart: float
    aligned: str
    misaligned: float

    @property
    def rpy_deg(self) -> list[float]:
        """As the robot file has it."""
        return [round(degrees(angle), 2) + 0.0 for angle in self.pose.rpy]


def angle_between(a: Vector, b: Vector) -> float:
    """The angle in rad, 0 to π, between two directions of unit length."""
    across = cross(a, b)
    return atan2(dot(across, across) ** 0.5, dot(a, b))


def check_gravity(reading: RestReading) -> None:
    """Raise MountingError where an accelerometer at rest does not feel g."""
    share = reading.size / STANDARD_GRAVITY - 1
    if abs(share) > GRAVITY_TOLERANCE:
        raise MountingFault.GRAVITY.error(
            f"at rest the accelerometer says {reading.size:.2f} m/s², {100 * share:+.0f} % off {STANDARD_GRAVITY:.2f}",
            f"within {100 * GRAVITY_TOLERANCE:.0f} % would be right: check the sensor's kind in the robot file, its "
            f"full scale and its supply, or change the sensor",
        )


def check_tilt(level: RestReading, tilted: RestReading) -> None:
    """Raise MountingError where a tilt was too small or too far, or where gyro and accelerometer contradict each
    other."""
    check_gravity(tilted)
    tilt = angle_between(level.up, tilted.up)
    if tilt < LEAST_TILT:
        raise MountingFault.TOO_LITTLE.error(f"tilted by only {degrees(tilt):.0f}°", "20 to 40° would be right")
    if tilt > MOST_TILT:
        raise MountingFault.TOO_FAR.error(f"tilted by {degrees(tilt):.0f}°", "20 to 40° would be right")
    x, y, z = (dot(column, level.up) for column in zip(*rotation_matrix(tilted.turned)))
    by_gyro = (x, y, z)
    apart = angle_between(by_gyro, tilted.up)
    if apart <= GYRO_TOLERANCE:
        return
    turned = angle_between(level.up, by_gyro)
    felt = (
        f"gravity turned by {degrees(tilt):.0f}° in the accelerometer, and by {degrees(turned):.0f}° by the gyro's turn"
    )
    if turned > GYRO_TOLERANCE and dot(_across(level.up, by_gyro), _across(level.up, tilted.up)) < 0:
        raise MountingFault.GYRO_OPPOSITE.error(
            f"{felt}, to the opposite side ({degrees(apart):.0f}° apart)",
            "one of the two sensors has left-handed axes or a wrong sign: check the driver or change the sensor, since "
            "no mounting makes up for that",
        )
    raise MountingFault.GYRO_DISAGREES.error(
        f"{felt}, {degrees(apart):.0f}° apart; {degrees(GYRO_TOLERANCE):.0f}° at most would be right",
        "tilt in one slow move from level, within a few seconds; if it says so again, the axes of gyro and "
        "accelerometer do not match: check the driver or change the sensor",
    )


def check_other_axis(level: RestReading, forward: RestReading, left: RestReading) -> None:
    """Raise MountingError where the second tilt was about the axis of the first."""
    apart = abs(_turn_about(level.up, forward.up, left.up))
    if min(apart, radians(180) - apart) < SAME_AXIS:
        raise MountingFault.SAME_AXIS.error(
            f"seen from above, this tilt is {degrees(apart):.0f}° from the one forward, so about the same axis",
            "lower the left side, and neither the front nor the rear: 90° would be right",
        )


def find_mounting(level: RestReading, forward: RestReading, left: RestReading) -> ImuMounting:
    """The mounting that the three poses give. Raises MountingError where they contradict each other."""
    check_gravity(level)
    check_tilt(level, forward)
    check_tilt(level, left)
    turn = _turn_about(level.up, forward.up, left.up)
    if abs(turn + radians(90)) <= SQUARE_TOLERANCE:
        raise MountingFault.MIRRORED.error(
            f"seen from above, the tilt to the left is {degrees(-turn):.0f}° clockwise from the one forward, where "
            f"90° anticlockwise would be right",
            "if the front or the left side went up, begin again and lower them; if not, the accelerometer's axes are "
            "left-handed, or its sign is wrong (at rest it says +g upward): check the driver or change the sensor",
        )
    if abs(turn - radians(90)) > SQUARE_TOLERANCE:
        raise MountingFault.NOT_SQUARE.error(
            f"the tilts forward and to the left are {degrees(turn):.1f}° apart, where 90° within "
            f"{degrees(SQUARE_TOLERANCE):.0f}° would be right",
            "begin again, and tilt over a straight edge that lies square to the body for forward and along it for left",
        )
    # Both tilts count alike: how square an edge lies does not depend on the angle of the tilt.
    pose = fit_rotation(
        (level.up, UP), [(_across(level.up, forward.up), _REARWARD), (_across(level.up, left.up), _RIGHTWARD)]
    )
    aligned, misaligned = nearest_aligned(pose)
    tilts = angle_between(level.up, forward.up), angle_between(level.up, left.up)
    return ImuMounting(pose, tilts, turn, aligned, misaligned)


def nearest_aligned(pose: Pose) -> tuple[str, float]:
    """Where the IMU's axes point in the axis-aligned mounting next to this one, in words, and the turn from there in
    rad."""
    aligned = axis_aligned_rotations()
    traces = np.einsum("nij,ij->n", aligned, np.array(pose.matrix))
    best = int(np.argmax(traces))
    words = []
    for row, side in zip(aligned[best], _SIDES):
        axis = int(np.argmax(np.abs(row)))
        words.append(f"{'+' if row[axis] > 0 else '-'}{'xyz'[axis]} {side}")
    return ", ".join(words), acos(min(max((float(traces[best]) - 1) / 2, -1.0), 1.0))


def turn_between(a: Pose, b: Pose) -> float:
    """The turn in rad from one rotation to another."""
    product = np.array(a.matrix).T @ np.array(b.matrix)
    return acos(min(max((float(np.trace(product)) - 1) / 2, -1.0), 1.0))


def _across(up: Vector, direction: Vector) -> Vector:
    """The part of a direction that is level."""
    x, y, z = (value - dot(up, direction) * along for value, along in zip(direction, up))
    return x, y, z


def _turn_about(up: Vector, forward: Vector, left: Vector) -> float:
    """The turn in rad, -π to π, from the level part of one direction to that of another, anticlockwise from above."""
    a, b = _across(up, forward), _across(up, left)
    return atan2(dot(up, cross(a, b)), dot(a, b))
