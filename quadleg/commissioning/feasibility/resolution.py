"""The finest step of each joint: one count of the PWM board, in angle, in height and in pulse, beside the deadband."""

from __future__ import annotations

from dataclasses import dataclass
from math import degrees

import numpy as np

from quadleg.commissioning.feasibility.verdict import Verdict, judged
from quadleg.geometry.arrays import Array
from quadleg.hardware.pca9685 import period_from_prescale, prescale_from_frequency
from quadleg.kinematics.body_pose import stance_angles
from quadleg.kinematics.leg import jacobian
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.servos.pulse_conversion import pulse_from_counts

_FINE = 0.001  # m of a foot's height a count: more is seen as jerks (our own choice)


@dataclass(frozen=True)
class Resolution:
    """Of one count: its `pulse` in s, each joint's `angles` (12,) in rad and what that makes of the foot's `heights`
    (12,) in m, standing; `deadbands` (12,) in counts.
    """

    pulse: float
    angles: Array
    heights: Array
    deadbands: Array

    @classmethod
    def of(cls, robot: RobotModel) -> Resolution:
        """At the chip's true period."""
        settings = robot.board
        prescale = prescale_from_frequency(settings.frequency, settings.clock)
        pulse = pulse_from_counts(1, period_from_prescale(prescale, settings.clock))
        angles = np.array([pulse / abs(joint.servo.pulse_per_radian) for joint in robot.joints])
        standing = stance_angles(robot, robot.standing)
        levers = np.hstack([jacobian(leg, standing[3 * i : 3 * i + 3])[2] for i, leg in enumerate(robot.legs)])
        deadbands = np.array([joint.servo.kind.deadband / pulse for joint in robot.joints])
        return cls(pulse, angles, np.abs(levers) * angles, deadbands)

    def verdicts(self) -> list[Verdict]:
        """Of the count, and of the deadband against it."""
        worst = int(self.heights.argmax())
        most = float(self.heights[worst])
        why = (
            f"a count of 4096 is {1e6 * self.pulse:.2f} µs, up to {degrees(self.angles.max()):.2f}° and "
            f"{1000 * most:.2f} mm of height ({JOINT_NAMES[worst]})"
        )
        cure = "raise board.frequency_hz, as far as the servos take it"
        count = judged("resolution", most <= _FINE, why, cure)
        wide = float(self.deadbands.max())
        why = f"{1e6 * wide * self.pulse:g} µs, {wide:.2f} counts"
        moves = "each count moves the servo" if wide <= 1.0 else "the servo passes over single counts"
        return [count, judged("deadband", wide <= 1.0, f"{why}: {moves}", "servos with a finer deadband")]
