"""From marks (a pulse and the angle that a person read) to a servo's calibration, and what is wrong with them.

Pulses are in s, angles in rad; what a person reads is in µs and degrees.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, copysign, degrees, pi, radians

import numpy as np

from quadleg.robot.model import Joint, Servo, ServoKind

TEETH = 25  # on the spline of a servo of this class: common practice, no source
NEAREST_MARKS = radians(1)
LARGEST_RESIDUAL = radians(3)
SLOPES = (0.6, 1.6)  # of what the kind turns for its pulses: data sheets round


@dataclass(frozen=True)
class Mark:
    """At this pulse (s) the joint stood at this angle (rad)."""

    pulse: float
    angle: float


@dataclass(frozen=True)
class Fit:
    """The line through marks; `residual` in rad is how far the worst of them lies off it, `worst` which one that is."""

    pulse_at_zero: float
    pulse_per_radian: float
    residual: float
    worst: int

    def pulse(self, angle: float) -> float:
        """The pulse in s for an angle in rad."""
        return self.pulse_at_zero + self.pulse_per_radian * angle


def fit(marks: Sequence[Mark], pulse_per_radian: float | None = None) -> Fit:
    """The least-squares line of pulse for angle through at least two marks; through one where the slope is given."""
    angles, pulses = np.array([mark.angle for mark in marks]), np.array([mark.pulse for mark in marks])
    if pulse_per_radian is None:
        spread = angles - angles.mean()
        pulse_per_radian = float(spread @ pulses / (spread @ spread))
    zero = float(pulses.mean() - pulse_per_radian * angles.mean())
    off = np.abs((pulses - zero) / pulse_per_radian - angles)
    return Fit(zero, pulse_per_radian, float(off.max()), int(off.argmax()))


def mark_fault(marks: Sequence[Mark], new: Mark) -> str | None:
    """What is wrong with one more mark, in words."""
    for mark in marks:
        if abs(mark.angle - new.angle) < NEAREST_MARKS:
            return (
                f"there is a mark at {degrees(mark.angle):g}° already: two marks so near to each other tell nothing of "
                f"the turn for a pulse; {degrees(NEAREST_MARKS):g}° apart or more would be right"
            )
        if abs(mark.pulse - new.pulse) < 1e-6:
            return (
                f"the pulse is that of the mark at {degrees(mark.angle):g}°, so the angle must be the same: jog first, "
                f"or undo that mark"
            )
    return None


def fit_fault(found: Fit, marks: Sequence[Mark], kind: ServoKind) -> str | None:
    """What speaks against a fit, in words."""
    shortest, longest = kind.pulse_range
    share = abs(found.pulse_per_radian) / ((longest - shortest) / kind.turn)
    if not SLOPES[0] <= share <= SLOPES[1]:
        read, usual = (1e6 * radians(slope) for slope in (found.pulse_per_radian, (longest - shortest) / kind.turn))
        return (
            f"the marks say {abs(read):.1f} µs a degree, a {kind.name} has about {usual:.1f}: one of the angles was "
            f"read with the wrong sign, or turn_deg and pulse_range_us of the kind are wrong"
        )
    if found.residual > LARGEST_RESIDUAL:
        return (
            f"the marks do not lie on a line: the one at {degrees(marks[found.worst].angle):g}° is off by "
            f"{degrees(found.residual):.1f}°; undo marks down to it and read it again"
        )
    return None


def horn_teeth(read: float, wanted: float, teeth: int = TEETH) -> int:
    """By how many teeth of the spline a horn has to be turned to bring the joint from one angle to another (rad).

    Positive turns the joint to larger angles. 0: as near as the teeth allow.
    """
    return round((wanted - read) * teeth / (2 * pi))


def travel_fault(servo: Servo, joint: Joint, teeth: int = TEETH) -> str | None:
    """Whether a calibrated servo cannot turn its joint from limit to limit, and what cures it, in words."""
    low, high = servo.stops
    first, last = sorted(servo.pulse_at_zero + servo.pulse_per_radian * limit for limit in (joint.lower, joint.upper))
    tolerance = 1e-6
    if first >= low - tolerance and last <= high + tolerance:
        return None
    allowed = sorted((stop - servo.pulse_at_zero) / servo.pulse_per_radian for stop in servo.stops)
    said = (
        f"there is no travel left on one side: this servo turns {joint.name} from {degrees(allowed[0]):.0f}° to "
        f"{degrees(allowed[1]):.0f}°, and its limits are {degrees(joint.lower):.0f}° to {degrees(joint.upper):.0f}°."
    )
    lost = degrees(abs((last - first) - (high - low)) / abs(servo.pulse_per_radian))
    if last - first > high - low:
        return f"{said} Its whole travel is {lost:.0f}° short: narrow the limits"
    # A tooth turns the joint at a given pulse; the limits then need other pulses.
    needed = max(low - first, 0.0) - max(last - high, 0.0)
    angle = -needed / servo.pulse_per_radian
    count = ceil(abs(angle) * teeth / (2 * pi))
    tooth = 2 * pi / teeth
    room = (high - low - (last - first)) / abs(servo.pulse_per_radian)
    if count * tooth - abs(angle) > room:
        return (
            f"{said} A whole tooth is {degrees(tooth):.1f}°, and there is no place between two teeth that fits: "
            f"narrow the limits"
        )
    return f"{said} Turn the horn by {teeth_in_words(int(copysign(count, angle)), joint)}"


def teeth_in_words(teeth: int, joint: Joint) -> str:
    """So many teeth, and to which side the joint comes to stand by them."""
    return f"{abs(teeth)} {'tooth' if abs(teeth) == 1 else 'teeth'}, so that {way(joint.name, teeth)}"


def way(name: str, sign: float) -> str:
    """What a joint does when its angle grows (positive `sign`) or shrinks, in words."""
    leg, joint = name.rsplit("_", 1)
    if joint == "abduction":
        outward = (sign > 0) == leg.endswith("left")
        return f"the leg stands further {'outward' if outward else 'inward'}"
    part = "upper leg" if joint == "hip" else "lower leg"
    return f"the {part} stands further {'rearward' if sign > 0 else 'forward'}"


def mirrored(servo: Servo, joint: str, channel: int) -> Servo:
    """The calibration of the same joint on the other side, if its horn sits as this one's does in a mirror.

    A mirror between left and right keeps angles of hip and knee and turns those of abduction; the servo itself is
    mounted turned about, not mirrored, so its pulse goes to the other side of the middle.
    """
    both = sum(servo.kind.pulse_range)
    low, high = servo.stops
    turns = 1 if joint.endswith("abduction") else -1
    return replace(
        servo,
        channel=channel,
        pulse_at_zero=both - servo.pulse_at_zero,
        pulse_per_radian=turns * servo.pulse_per_radian,
        stops=(both - high, both - low),
    )


def other_side(name: str) -> str:
    """The joint of that name on the other side."""
    return name.replace("left", "right") if "left" in name else name.replace("right", "left")
