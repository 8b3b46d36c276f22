"""One joint from its first pulse to its calibration in the robot file, and to the proof that it turns the right way."""

from __future__ import annotations

from collections.abc import Sequence
from math import degrees, radians

from quadleg.cautions import FINGERS_QUESTION
from quadleg.commissioning.calibration.bench_servo import SKIP, YES, BenchServo, JointLeft, spoken
from quadleg.commissioning.calibration.calibration_fit import other_side, way
from quadleg.commissioning.calibration.channel_check import confirm_channel
from quadleg.commissioning.calibration.joint_marking import INWARD, Marking, offer_other_side
from quadleg.commissioning.calibration.servo_ends import find_ends
from quadleg.commissioning.calibration.session_progress import SessionProgress
from quadleg.commissioning.dialog import Choice, Dialog, Number, Question, ask, number_of
from quadleg.robot.model import JOINT_NAMES, Servo
from quadleg.robot_file.editor import Changes
from quadleg.servos.pulse_conversion import angle_from_pulse, pulse_from_angle

CHECKED = radians(3)  # how far a check may be off
SWING = radians(12)  # of the yes/no moves by leg


class JointCalibration:
    """The steps with the current servo; `progress` is kept after each."""

    def __init__(self, servo: BenchServo, progress: SessionProgress) -> None:
        self._servo = servo
        self._progress = progress
        self._limp_asked: set[str] = set()

    def calibrate(self, name: str) -> Dialog[bool]:
        """Calibrate one joint and save it; whether that was done."""
        servo = self._servo
        servo.take(name)
        self._progress.resume_joint()
        try:
            yield from servo.ready("It is calibrated already; s keeps that. " if servo.joint.servo.calibrated else "")
            yield from servo.to(sum(servo.joint.servo.kind.pulse_range) / 2)
            yield from confirm_channel(servo)
            calibrated = yield from self._calibrated()
            yield from servo.carry(servo.pulses.off)
            limp = yield from self._limp(calibrated)
            yield from servo.save({"servos": {name: _figures(calibrated)}, **limp})
        except JointLeft:
            yield from servo.carry(servo.pulses.off)
            servo.say(f"{name}: left as it was")
            self._progress.pass_joint()
            return False
        servo.saved.append(name)
        self._progress.pass_joint()
        servo.say(f"{name}: saved")
        return True

    def _calibrated(self) -> Dialog[Servo]:
        """The servo by its marks and ends, once a check move has shown that they are right."""
        slope = yield from self._slope_of_other_side()
        marking = Marking(self._servo, slope, self._progress.keep)
        while True:
            try:
                yield from marking.mark()
                servo = yield from find_ends(self._servo)
                if servo and (yield from self._checked(servo)):
                    return servo
            except JointLeft:
                if not (yield from self._dropped()):
                    continue
                raise
            self._servo.take(self._servo.name)
            self._progress.keep()

    def _slope_of_other_side(self) -> Dialog[float | None]:
        """The slope that the joint on the other side gives; none where that is still to be calibrated itself."""
        other = self._servo.robot.joints[JOINT_NAMES.index(other_side(self._servo.name))]
        old = other.name in self._progress.names and other.name not in self._progress.passed
        if not other.servo.calibrated or other.servo.kind != self._servo.joint.servo.kind or old:
            return None
        return (yield from offer_other_side(self._servo, other))

    def _dropped(self) -> Dialog[bool]:
        """Whether the joint is to be left although it has marks, which are then gone."""
        if not self._servo.marks:
            return True
        count = f"{len(self._servo.marks)} marks" if len(self._servo.marks) > 1 else "mark"
        question = Question(
            "drop",
            f"Leave the {spoken(self._servo.name)}, and drop its {count}?",
            (Choice("no", "n", "no: go on with this joint"), Choice("yes", "y", "yes: drop them and leave it")),
        )
        return (yield from ask(question)) == "yes"

    def _checked(self, servo: Servo) -> Dialog[bool]:
        """Go to zero, or to the middle where the limits leave that out; whether the person reads it there."""
        joint = self._servo.joint
        lower, upper = degrees(joint.lower) + INWARD, degrees(joint.upper) - INWARD
        target = 0.0 if lower < 0 < upper else float(round((lower + upper) / 2))
        pulse = pulse_from_angle(servo, radians(target))
        yield from self._servo.to(pulse)
        wired = degrees(angle_from_pulse(servo, self._servo.pulses.turned))
        while True:
            answer = yield from ask(
                Question(
                    "check",
                    f"Which angle does the {spoken(self._servo.name)} have now?\nA check: it was told {target:g}°.",
                    (Choice("again", "a", "that is wrong: drop the marks, mark this joint anew"), SKIP),
                    Number("°", -180, 180),
                )
            )
            if answer == SKIP.word:
                raise JointLeft
            read = number_of(answer)
            if read is None:
                return False
            if abs(read - wired) <= degrees(CHECKED):
                self._servo.say(f"{self._servo.name}: {abs(read - wired):.1f}° off in the check")
                return True
            off = f"{read:g}° instead of {wired:.1f}° is more than {degrees(CHECKED):g}° off"
            copied = "; these two are not mounted as in a mirror" if len(self._servo.marks) == 1 else ""
            self._servo.say(f"{off}{copied}: read again, or mark it anew")

    def _limp(self, servo: Servo) -> Dialog[Changes]:
        """Does this kind hold without pulses? Asked once a kind."""
        kind = servo.kind.name
        if kind in self._limp_asked or servo.kind.holds_without_pulses:
            return {}
        self._limp_asked.add(kind)
        answer = yield from self._servo.choose(
            "limp",
            f"Is the {spoken(self._servo.name)} limp now?\nThe pulses are off. Turn it gently by hand.",
            Choice("yes", "y", "limp: it turns"),
            Choice("no", "n", "it still holds"),
        )
        if answer == "no":
            self._servo.say(
                f"A {kind} holds without pulses: a stop does not make it limp. Only the switch of the servo supply does"
            )
        return {"servo_kinds": {kind: {"holds_without_pulses": answer == "no"}}}

    def announce_swings(self, leg: str, names: Sequence[str]) -> Dialog[None]:
        """Ask before the joints of a leg swing, to show that they turn the right way."""
        self._servo.take(self._servo.name)
        which = f"the {spoken(names[0])}" if len(names) == 1 else f"each joint of the {spoken(leg)} leg"
        yield from self._servo.choose(
            "moves",
            f"Now {which} swings a little and back. Which way is asked.\n"
            f"First pulses bring a joint that has dropped back at FULL SPEED. {FINGERS_QUESTION}",
            Choice("go", "g", "fingers clear: move"),
        )

    def prove(self, name: str) -> Dialog[None]:
        """Swing a calibrated joint, and calibrate it again until it swings the right way or is left."""
        while True:
            self._servo.take(name)
            answer = yield from self._swung()
            if answer == "yes":
                return
            yield from self._servo.save({"servos": {name: dict.fromkeys(_figures(self._servo.joint.servo))}})
            self._progress.reopen_joint()
            self._servo.say(
                f"{name} is not calibrated now: "
                + (
                    "its angles were read with the wrong sign, or of another joint"
                    if answer == "no"
                    else "its plug was moved since, or its channel is that of another joint"
                )
            )
            if not (yield from self.calibrate(name)):
                return

    def _swung(self) -> Dialog[str]:
        """Move the current joint to one side and back until the person has seen it; return the answer."""
        name, answer = self._servo.name, "again"
        while answer == "again":
            joint = self._servo.joint
            here = angle_from_pulse(joint.servo, self._servo.pulses.at(joint.servo))
            sign = 1 if here + SWING < joint.upper else -1
            yield from self._servo.go(joint.servo, pulse_from_angle(joint.servo, here + sign * SWING))
            yield from self._servo.go(joint.servo, pulse_from_angle(joint.servo, here))
            yield from self._servo.carry(self._servo.pulses.off)
            answer = yield from self._servo.choose(
                "swung",
                f"Did the {spoken(name)} just swing the right way?\n"
                f"It was told to swing once, so that {way(name, sign)}, and back.",
                YES,
                Choice("no", "n", "no, the other way"),
                Choice("other", "o", "another joint moved"),
                Choice("again", "g", "show me again: I saw nothing"),
            )
        return answer


def _figures(servo: Servo) -> dict[str, object]:
    """What a robot file says of a calibrated servo."""
    return {
        "pulse_at_zero_us": round(1e6 * servo.pulse_at_zero, 1),
        "us_per_degree": round(1e6 * radians(servo.pulse_per_radian), 4),
        "stops_us": [round(1e6 * stop) for stop in servo.stops],
    }
