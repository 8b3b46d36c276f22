"""Marks of a joint, each a pulse and the angle that a person reads there, until a line through them is believed."""

from __future__ import annotations

from collections.abc import Callable
from math import ceil, degrees, floor, radians

from quadleg.commissioning.calibration.bench_servo import SKIP, BenchServo, sides, spoken
from quadleg.commissioning.calibration.calibration_fit import (
    NEAREST_MARKS,
    Fit,
    Mark,
    fit,
    fit_fault,
    mark_fault,
    mirrored,
)
from quadleg.commissioning.dialog import Choice, Dialog, Number, Question, number_of
from quadleg.robot.model import Joint

INWARD = 5.0  # degrees between two marks at the same end
SPREAD = 30.0  # degrees that marks are apart, before they are enough
BEYOND = 30.0  # degrees beyond a joint's limits that are still believed


class Marking:
    """Marks the current servo. Where the `slope` (s/rad) is known, one mark is enough.

    `keep` is called after each change of the marks.
    """

    def __init__(self, servo: BenchServo, slope: float | None, keep: Callable[[], None]) -> None:
        self._servo = servo
        self._slope = slope
        self._keep = keep
        servo.found = self._fit()

    def mark(self) -> Dialog[None]:
        """Ask for marks, until a fit of them is believed. Raises JointLeft."""
        joint = self._servo.joint
        asked = known_angles(joint)
        answered: list[float] = []
        while True:
            angles = [degrees(mark.angle) for mark in self._servo.marks]
            enough = bool(angles) if self._slope is not None else bool(angles) and max(angles) - min(angles) >= SPREAD
            todo = [angle for angle in asked if angle not in answered and self._is_open(angle)]
            if not todo and enough:
                return
            target = (todo or asked)[0]
            choices = [Choice("next", "n", "another angle first")] if len(todo) > 1 else []
            if self._servo.found:
                choices.append(Choice("near", "g", f"go near {target:g}°, slowly"))
            if self._servo.marks:
                choices.append(Choice("undo", "u", "take last mark back"))
            if enough:
                choices.append(Choice("done", "d", "enough marks"))
            answer = yield from self._servo.jog(
                Question(
                    "mark",
                    f"Bring the {spoken(joint.name)} to {target:g}°, or near it.\n"
                    f"Then type the angle that it really has; any other that you read well does too. {sides(joint)}.",
                    (*choices, SKIP),
                    Number("°", degrees(joint.lower) - BEYOND, degrees(joint.upper) + BEYOND),
                    jog=True,
                )
            )
            if answer == "next":
                asked.remove(target)
                asked.append(target)
            elif answer == "near" and self._servo.found:
                yield from self._servo.to(self._servo.found.pulse(radians(target)))
            elif answer == "undo":
                self._servo.marks.pop()
                del answered[-1:]
                self._servo.found = self._fit()
                self._keep()
            elif answer == "done":
                return
            elif (read := number_of(answer)) is not None and self._take_mark(radians(read)):
                answered.append(target)

    def _is_open(self, angle: float) -> bool:
        """Whether the servo gets to an angle in degrees, by what is known so far, and no mark is near it yet."""
        if any(abs(mark.angle - radians(angle)) < NEAREST_MARKS for mark in self._servo.marks):
            return False
        shortest, longest = self._servo.joint.servo.kind.pulse_range
        return self._servo.found is None or shortest < self._servo.found.pulse(radians(angle)) < longest

    def _take_mark(self, angle: float) -> bool:
        """Mark where the servo has turned to; whether nothing speaks against that."""
        mark = Mark(self._servo.pulses.turned, angle)
        if fault := mark_fault(self._servo.marks, mark):
            self._servo.say(f"Not marked: {fault}")
            return False
        self._servo.marks.append(mark)
        self._servo.found = self._fit()
        kind = self._servo.joint.servo.kind
        if self._servo.found and (fault := fit_fault(self._servo.found, self._servo.marks, kind)):
            self._servo.say(f"Not marked: {fault}")
            self._servo.marks.pop()
            self._servo.found = self._fit()
            return False
        self._keep()
        return True

    def _fit(self) -> Fit | None:
        marks = self._servo.marks
        if len(marks) >= 2:
            return fit(marks)
        return fit(marks, self._slope) if marks and self._slope else None


def offer_other_side(servo: BenchServo, other: Joint) -> Dialog[float | None]:
    """The slope (s/rad) of the same joint on the other side, mirrored, where the person wants it."""
    answer = yield from servo.choose(
        "mirror",
        f"Copy from the {spoken(other.name)}, mirrored?\n"
        f"Its turn for a pulse is taken over, and one angle is enough here. Only where both servos are of one kind "
        f"and mounted as in a mirror; the check move shows whether they are.",
        Choice("yes", "y", "yes: one angle is enough"),
        Choice("no", "n", "no: mark them all"),
    )
    return mirrored(other.servo, servo.name, 0).pulse_per_radian if answer == "yes" else None


def known_angles(joint: Joint) -> list[float]:
    """The angles in degrees to mark: two at each end of the joint's limits, each a whole multiple of 5.

    A line through marks at the ends is nowhere between them further off than their worst reading; through marks in
    the middle it is, towards the ends.
    """
    lower, upper = 5.0 * ceil(degrees(joint.lower) / 5 - 1e-9), 5.0 * floor(degrees(joint.upper) / 5 + 1e-9)
    return [lower, upper, upper - INWARD, lower + INWARD]
