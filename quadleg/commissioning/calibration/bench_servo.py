"""The current servo of a calibration: moved by answers, through failures of the board, and saved."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from math import degrees, radians
from typing import Any

from quadleg.cautions import FINGERS_QUESTION, READY_QUESTION
from quadleg.commissioning.calibration.calibration_fit import TEETH, Fit, Mark, way
from quadleg.commissioning.calibration.servo_pulses import Pulses, Stopped
from quadleg.commissioning.dialog import Choice, Dialog, Question, ask, jogged
from quadleg.errors import BoardError, OutputPathError, RobotFileError
from quadleg.robot.model import JOINT_NAMES, Joint, RobotModel, Servo
from quadleg.robot_file.editor import Changes, RobotFileEditor

YES = Choice("yes", "y", "yes")
SKIP = Choice("skip", "s", "leave this joint")


class JointLeft(Exception):
    """This joint is left as it was."""


class BenchServo:
    """One joint of a robot after the other (`name`), with its `marks` and the line `found` through them.

    `say` shows a sentence; `protractor` tells the true angle (rad) of a joint of a simulated robot; the spline of the
    servos has so many `teeth`. `robot` is what the file says after the last `save`, `saved` are the joints whose
    calibration is in there, `also_saved` says what else is. `wanted` is the pulse in s that was asked for last.
    """

    def __init__(
        self,
        robot: RobotModel,
        file: RobotFileEditor,
        pulses: Pulses,
        say: Callable[[str], None],
        protractor: Callable[[str], float] | None = None,
        teeth: int = TEETH,
    ) -> None:
        self.robot = robot
        self.file = file
        self.pulses = pulses
        self.say = say
        self.protractor = protractor
        self.teeth = teeth
        self.wanted = 0.0
        self.name = ""
        self.marks: list[Mark] = []
        self.found: Fit | None = None
        self.saved: list[str] = []
        self.also_saved: list[str] = []

    def take(self, name: str) -> None:
        """Turn to a joint, of which nothing is marked yet."""
        self.name, self.marks, self.found = name, [], None

    @property
    def joint(self) -> Joint:
        """The current joint, as the robot file has it."""
        return self.robot.joints[JOINT_NAMES.index(self.name)]

    @property
    def unlimited(self) -> Servo:
        """The current servo with all pulses that its kind takes."""
        servo, kind = self.joint.servo, self.joint.servo.kind
        shortest, longest = kind.pulse_range
        return replace(servo, stops=kind.pulse_range, pulse_per_radian=(longest - shortest) / kind.turn)

    def facts(self) -> list[tuple[str, str]]:
        """What is known of the current joint, as pairs of a heading and words."""
        if not self.name:
            return []
        servo = self.unlimited
        powered = self.pulses.live == servo.channel
        lines = [
            ("channel", f"{servo.channel}, a {servo.kind.name}"),
            ("pulse", f"{1e6 * self.pulses.at(servo):.1f} µs" if powered else "none: no servo is powered"),
        ]
        if powered:
            lines += [
                ("asked for", f"{1e6 * self.wanted:.0f} µs"),
                ("one count", f"{1e6 * self.pulses.count:.2f} µs"),
                ("turned to", f"{1e6 * self.pulses.turned:.1f} µs"),
            ]
        if self.protractor:
            lines.append(("protractor", f"{round(2 * degrees(self.protractor(self.name))) / 2:g}° simulated"))
        lines += [(f"at {degrees(mark.angle):g}°", f"{1e6 * mark.pulse:.1f} µs") for mark in self.marks]
        if self.found:
            lines.append(("fit", f"{1e6 * radians(self.found.pulse_per_radian):+.3f} µs/degree"))
            lines.append(("zero", f"{1e6 * self.found.pulse_at_zero:.1f} µs"))
            if len(self.marks) > 2:
                lines.append(("worst mark", f"{degrees(self.found.residual):.2f}° off"))
        return lines

    def ready(self, first: str) -> Dialog[None]:
        """Ask before the first pulse, after the words `first`. Raises JointLeft where the person leaves the joint."""
        servo = self.unlimited
        again = "where it was" if self.pulses.at(servo) != sum(servo.kind.pulse_range) / 2 else "to its middle"
        yield from self.choose(
            "ready",
            f"{first}The first pulse turns the {spoken(self.name)} {again} at FULL SPEED.\n{READY_QUESTION}",
            Choice("go", "g", "fingers clear: power this servo"),
            SKIP,
        )

    def choose(self, key: str, text: str, *choices: Choice) -> Dialog[str]:
        """Ask for one of these answers. Raises JointLeft when it is SKIP."""
        answer = yield from ask(Question(key, text, choices))
        if answer == SKIP.word:
            raise JointLeft
        return answer

    def jog(self, question: Question) -> Dialog[str]:
        """Ask, and move by jogging answers until another one comes. Raises JointLeft as `choose` does."""
        while True:
            answer = yield from ask(question)
            if answer == SKIP.word:
                raise JointLeft
            pulse = jogged(answer, 1e6 * self.wanted)
            if pulse is None:
                return answer
            shortest, longest = (round(1e6 * end) for end in self.joint.servo.kind.pulse_range)
            if not shortest <= pulse <= longest:
                self.say(f"No further: {shortest} to {longest} µs is all that a {self.joint.servo.kind.name} takes")
            yield from self.to(pulse / 1e6)

    def to(self, pulse: float) -> Dialog[None]:
        """Bring the current servo to a pulse in s within its kind's range."""
        yield from self.go(self.unlimited, pulse)

    def go(self, servo: Servo, pulse: float) -> Dialog[None]:
        """Bring a servo to a pulse in s, or to the nearer of its stops."""
        low, high = servo.stops
        # A step finer than a count is kept, though only whole counts are sent.
        self.wanted = min(max(pulse, low), high)
        yield from self.carry(lambda: self.pulses.go(servo, self.wanted))

    def carry(self, action: Callable[[], None]) -> Dialog[None]:
        """Run an action on the board, asking to try again when it fails. Raises Ended."""
        broken = False
        while True:
            try:
                if broken:
                    self.pulses.again()
                action()
                return
            except Stopped:
                why = "Stopped: the pulses are off."
            except BoardError as error:
                broken = True
                why = (
                    f"The board does not take it: {error}.\nIf only the cable is out, the servo HOLDS its last pulse: "
                    f"the switch of the servo supply makes it limp. Nothing is lost: plug in again and go on."
                )
            yield from ask(
                Question(
                    "again",
                    f"{why}\nGoing on may turn the servo back to where it was at FULL SPEED. {FINGERS_QUESTION}",
                    (Choice("again", "a", "go on from here"),),
                )
            )

    def save(self, changes: Changes) -> Dialog[None]:
        """Write changes into the robot file."""

        def write() -> None:
            self.robot = self.file.save(changes)

        yield from until_saved(write, changes, self.say)


def until_saved(write: Callable[[], None], changes: Mapping[str, Any], say: Callable[[str], None]) -> Dialog[None]:
    """Write changes to a robot file, asking to try again when it fails. Raises Ended."""
    while True:
        try:
            write()
            return
        except (OutputPathError, RobotFileError) as error:
            say(f"To write by hand, should all else fail: {changes}")
            why = str(error)
        yield from ask(Question("save", f"Not saved.\n{why}", (Choice("again", "a", "save again"),)))


def spoken(name: str) -> str:
    """The name of a joint or a leg in a sentence."""
    return name.replace("_", " ")


def sides(joint: Joint) -> str:
    """What zero is and which side is positive, in words."""
    zeros = {"abduction": "the leg straight down", "hip": "the upper leg straight down", "knee": "the leg stretched"}
    zero = zeros[joint.name.rsplit("_", 1)[1]]
    return f"0° is {zero}; with a larger angle {way(joint.name, 1)}"
