"""A servo in its middle, for its horn to go on near the middle of the joint's limits."""

from __future__ import annotations

from math import degrees, radians

from quadleg.commissioning.calibration.bench_servo import SKIP, BenchServo, JointLeft, sides
from quadleg.commissioning.calibration.calibration_fit import horn_teeth, teeth_in_words
from quadleg.commissioning.dialog import Dialog, Number, Question, ask, number_of


def fit_horn(servo: BenchServo) -> Dialog[None]:
    """Bring the current servo to its middle and say by how many teeth to turn its horn. Raises JointLeft."""
    joint = servo.joint
    middle = (joint.lower + joint.upper) / 2
    yield from servo.ready("Take the horn off first. ")
    yield from servo.go(servo.unlimited, sum(joint.servo.kind.pulse_range) / 2)
    put_on = (
        f"Put the horn on so that the joint stands as near as it can to {degrees(middle):g}°.\n"
        f"The servo is in its middle, and that angle is the middle of the joint's limits. {sides(joint)}."
    )
    while True:
        answer = yield from ask(
            Question("horn", f"{put_on}\nWhich angle does it have now?", (SKIP,), Number("°", -180, 180))
        )
        read = number_of(answer)
        if read is None:
            raise JointLeft
        teeth = horn_teeth(radians(read), middle, servo.teeth)
        if not teeth:
            servo.say(f"{joint.name}: {read:g}° is as near as {servo.teeth} teeth allow. Screw the horn on.")
            return
        put_on = (
            f"Turn the horn by {teeth_in_words(teeth, joint)}.\n"
            f"It read {read:g}°, and should then read {read + 360 * teeth / servo.teeth:.0f}°. The servo keeps its "
            f"middle meanwhile."
        )
