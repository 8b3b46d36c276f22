"""`quadleg calibrate`: from horns that went on anywhere to a robot that knows its angles, as a dialog.

One servo at a time is powered. What is found is saved after each joint, and each mark is kept in a file beside the
robot file, so that an end anywhere loses nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import degrees, radians

from quadleg.cautions import CALIBRATING, STILL_HELD
from quadleg.commissioning.calibration.bench import confirm
from quadleg.commissioning.calibration.bench_servo import SKIP, BenchServo, JointLeft, sides
from quadleg.commissioning.calibration.calibration_fit import horn_teeth, teeth_in_words
from quadleg.commissioning.calibration.joint_calibration import JointCalibration
from quadleg.commissioning.calibration.session_progress import SessionProgress
from quadleg.commissioning.dialog import Choice, Dialog, Ended, Number, Question, ask, number_of
from quadleg.errors import Refused
from quadleg.robot.model import JOINT_NAMES, LEGS


class Calibration:
    """One session with a robot's file and its board.

    `servo` is the current one, the `number`th of `count`.
    """

    def __init__(self, servo: BenchServo) -> None:
        self.servo = servo
        self.number, self.count = 0, 0

    def calibrate(self, names: Sequence[str] = JOINT_NAMES) -> Dialog[bool]:
        """Calibrate these joints, one after the other; whether all of them were."""
        return (yield from self._session(names, self._joints, "calibrate"))

    def fit_horns(self, names: Sequence[str] = JOINT_NAMES) -> Dialog[bool]:
        """Bring these servos to their middle, one after the other, for their horns to go on."""
        return (yield from self._session(names, self._horns, "fit_horns"))

    def _session(
        self, names: Sequence[str], work: Callable[[SessionProgress], Dialog[bool]], command: str
    ) -> Dialog[bool]:
        servo, complete = self.servo, False
        progress = SessionProgress(servo, command)
        try:
            yield from progress.begin(names)
            self.count = len(progress.names)
            yield from confirm(CALIBRATING)
            if servo.pulses.found:
                yield from ask(
                    Question("running", self._found_running(), (Choice("off", "o", "switch these pulses off"),))
                )
            yield from servo.carry(servo.pulses.off)
            complete = yield from work(progress)
            progress.finish()
        except Ended:
            kept = ([f"Saved: {', '.join(servo.saved)}"] if servo.saved else []) + servo.also_saved
            servo.say(f"Ended. {'; '.join(kept) or 'Nothing was changed'}.")
            if progress.unfinished:
                servo.say(f"The same command goes on from here: the rest is kept in {progress.unfinished}.")
        finally:
            if servo.file.kept:
                servo.say(f"The robot file as it was before is kept as {servo.file.kept}.")
            if not servo.pulses.close():
                servo.say(STILL_HELD)
        return complete

    def _found_running(self) -> str:
        owners = {joint.servo.channel: joint.name for joint in self.servo.robot.joints}
        powered = ", ".join(owners.get(channel, f"channel {channel}") for channel in self.servo.pulses.found)
        return (
            f"The board makes pulses already: {powered}. Is `quadleg run` running? End it first. Then switch them off: "
            f"what they hold up will drop."
        )

    def _horns(self, progress: SessionProgress) -> Dialog[bool]:
        for self.number, name in enumerate(progress.names, 1):
            self.servo.take(name)
            if name in progress.passed:
                continue
            try:
                yield from fit_horn(self.servo)
            except JointLeft:
                self.servo.say(f"{name}: left")
            yield from self.servo.carry(self.servo.pulses.off)
            progress.pass_joint()
        self.servo.say("All horns are asked for. Next: `quadleg calibrate` without --fit-horns.")
        return True

    def _joints(self, progress: SessionProgress) -> Dialog[bool]:
        joints, complete = JointCalibration(self.servo, progress), True
        for leg in LEGS:
            own = [name for name in progress.names if name.startswith(leg)]
            done = []
            for name in own:
                self.number, self.servo.name = progress.names.index(name) + 1, name
                earlier = name in progress.passed
                if progress.is_saved(name) if earlier else (yield from joints.calibrate(name)):
                    done.append(name)
            if unseen := [name for name in done if name not in progress.shown]:
                yield from joints.announce_swings(leg, unseen)
            for name in unseen:
                yield from joints.prove(name)
                progress.show_joint()
            complete = complete and len(done) == len(own)
        left = self.servo.robot.uncalibrated
        self.servo.say(
            f"Not calibrated yet, and refused by `quadleg run`: {', '.join(left)}."
            if left
            else "Every joint is calibrated. `quadleg check` says what the robot can do, `quadleg run` starts it."
        )
        return complete


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


def split_words(words: Sequence[str]) -> tuple[str, list[str]]:
    """The robot ("" for none) and the names of joints and legs among the words of a command line.

    Raises Refused where a word is neither, or a second robot.
    """
    known = {*JOINT_NAMES, *LEGS}
    names = [word for word in words if word in known]
    robots = [word for word in words if word not in known]
    if len(robots) > 1:
        raise Refused(
            f"{robots[1]} is neither a leg nor a joint: one robot file, and names as {LEGS[2]} or {JOINT_NAMES[8]}, "
            f"would be right"
        )
    return robots[0] if robots else "", names


def joints_of(words: Sequence[str]) -> list[str]:
    """The joints of names of joints and legs, in the robot's order; all of them for none."""
    return [name for name in JOINT_NAMES if not words or name in words or name.rsplit("_", 1)[0] in words]
