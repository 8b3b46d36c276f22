"""`quadleg calibrate`: from horns that went on anywhere to a robot that knows its angles, as a conversation.

One servo at a time is powered. What is found is saved after each joint, and each mark is kept in a file beside the
robot file (`unfinished.py`), so that an end anywhere loses nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import ceil, degrees, floor, radians

from quadleg.commissioning.calibration.calibration_fit import (
    NEAREST_MARKS,
    TEETH,
    Fit,
    Mark,
    fit,
    fit_fault,
    horn_teeth,
    mark_fault,
    mirrored,
    other_side,
    teeth_in_words,
    travel_fault,
    way,
)
from quadleg.commissioning.calibration.progress_file import Progress, ProgressFile
from quadleg.commissioning.calibration.servo_pulses import Pulses, Stopped
from quadleg.commissioning.dialog import (
    STILL_HELD,
    Choice,
    Ended,
    Number,
    Question,
    Talk,
    ask,
    jogged,
    number_of,
)
from quadleg.errors import (
    BoardError,
    OutputPathError,
    Refused,
    RobotFileError,
)
from quadleg.robot.model import (
    JOINT_NAMES,
    LEGS,
    Joint,
    RobotModel,
    Servo,
)
from quadleg.robot_file.editor import Changes, RobotFileEditor
from quadleg.servos.pulse_conversion import angle_from_pulse, pulse_from_angle

CAUTIONS = (
    "The robot is on a stand, all its feet free.",
    "Fingers are clear of knees and hips while anything moves: they pinch.",
    "The servo supply's switch is in reach: it is the real emergency stop.",
    "Pulses go off before that switch is closed again: servos would jump.",
    "Fuse and wire are made for the stall current; no servo on a computer's pin.",
    "Lithium batteries as their maker says; mains wiring by licensed people.",
)
WIGGLE = 40e-6  # s to each side: some 4°
CHECKED = radians(3)  # how far a check may be off
SWING = radians(12)  # of the yes/no moves by leg
INWARD = 5.0  # degrees between two marks at the same end
SPREAD = 30.0  # degrees that marks are apart, before they are enough
BEYOND = 30.0  # degrees beyond a joint's limits that are still believed

YES, NO = Choice("yes", "y", "yes"), Choice("no", "n", "no")
SKIP = Choice("skip", "s", "leave this joint")


class _Left(Exception):
    """This joint is left as it was."""


class Calibration:
    """One session with a robot's file and its board.

    `say` shows a sentence; `protractor` tells the true angle (rad) of a joint of a simulated robot. `name`, `number`,
    `marks`, `found` and `facts` say where it stands.
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
        self._robot = robot
        self._file = file
        self._pulses = pulses
        self._say = say
        self._protractor = protractor
        self._teeth = teeth
        self._limp_asked: set[str] = set()
        self._passed: set[str] = set()  # joints that are done or left in this conversation
        self._also_saved: list[str] = []
        self._wanted = 0.0
        self._names: Sequence[str] = ()
        self.name = ""
        self.number, self.count = 0, 0
        self.marks: list[Mark] = []
        self.found: Fit | None = None
        self.saved: list[str] = []
        self._shown: list[str] = []  # joints that the person has seen turn the right way
        self._from: Progress = Progress()  # what an earlier session left
        self._unfinished: ProgressFile | None = None
        self._kept = ""  # why progress cannot be kept, once said

    def facts(self) -> list[tuple[str, str]]:
        """What is known of the joint at hand, as pairs of a heading and words."""
        if not self.name:
            return []
        servo = self._bench()
        powered = self._pulses.live == servo.channel
        lines = [
            ("channel", f"{servo.channel}, a {servo.kind.name}"),
            ("pulse", f"{1e6 * self._pulses.at(servo):.1f} µs" if powered else "none: no servo is powered"),
        ]
        if powered:
            lines += [
                ("asked for", f"{1e6 * self._wanted:.0f} µs"),
                ("one count", f"{1e6 * self._pulses.count:.2f} µs"),
                ("turned to", f"{1e6 * self._pulses.turned:.1f} µs"),
            ]
        if self._protractor:
            lines.append(("protractor", f"{round(2 * degrees(self._protractor(self.name))) / 2:g}° simulated"))
        lines += [(f"at {degrees(mark.angle):g}°", f"{1e6 * mark.pulse:.1f} µs") for mark in self.marks]
        if self.found:
            lines.append(("fit", f"{1e6 * radians(self.found.pulse_per_radian):+.3f} µs/degree"))
            lines.append(("zero", f"{1e6 * self.found.pulse_at_zero:.1f} µs"))
            if len(self.marks) > 2:
                lines.append(("worst mark", f"{degrees(self.found.residual):.2f}° off"))
        return lines

    # The two conversations

    def calibrate(self, names: Sequence[str] = JOINT_NAMES) -> Talk[bool]:
        """Calibrate these joints, one after the other; whether all of them were."""
        return (yield from self._session(names, self._joints, "calibrate"))

    def fit_horns(self, names: Sequence[str] = JOINT_NAMES) -> Talk[bool]:
        """Bring these servos to their middle, one after the other, for their horns to go on."""
        return (yield from self._session(names, self._horns, "fit_horns"))

    def _session(self, names: Sequence[str], work: Callable[[Sequence[str]], Talk[bool]], command: str) -> Talk[bool]:
        complete = False
        self._unfinished = ProgressFile(self._file.path, command)
        try:
            self._from = yield from self._unfinished.offered(self._robot)
            names = self._from.names or names
            self._names, self.count = names, len(names)
            self._passed, self._shown = set(self._from.passed), list(self._from.shown)
            yield from ask(
                Question(
                    "cautions", "\n• ".join(("Confirm before you start.", *CAUTIONS)), (Choice("yes", "y", "all so"),)
                )
            )
            if self._pulses.found:
                yield from ask(
                    Question("running", self._found_running(), (Choice("off", "o", "switch these pulses off"),))
                )
            yield from self._carry(self._pulses.off)
            complete = yield from work(names)
            self._unfinished.remove()
        except Ended:
            kept = ([f"Saved: {', '.join(self.saved)}"] if self.saved else []) + self._also_saved
            self._say(f"Ended. {'; '.join(kept) or 'Nothing was changed'}.")
            if self._unfinished.path.exists():
                self._say(f"The same command goes on from here: the rest is kept in {self._unfinished.path}.")
        finally:
            if self._file.kept:
                self._say(f"The robot file as it was before is kept as {self._file.kept}.")
            if not self._pulses.close():
                self._say(STILL_HELD)
        return complete

    def _keep(self) -> None:
        """Keep what is done and marked, for the case that this session ends here."""
        assert self._unfinished
        passed = tuple(name for name in self._names if name in self._passed)
        saved = tuple(name for name in passed if name in self.saved or name in self._from.saved)
        marks = tuple(self.marks)
        progress = Progress(tuple(self._names), passed, saved, tuple(self._shown), self.name if marks else "", marks)
        try:
            self._unfinished.write(progress, self._robot)
        except OutputPathError as error:
            if str(error) != self._kept:
                self._kept = str(error)
                self._say(f"An end before the joint is saved would lose its marks: {error}")

    def _found_running(self) -> str:
        owners = {joint.servo.channel: joint.name for joint in self._robot.joints}
        powered = ", ".join(owners.get(channel, f"channel {channel}") for channel in self._pulses.found)
        return (
            f"The board makes pulses already: {powered}. Is `quadleg run` running? End it first. Then switch them off: "
            f"what they hold up will drop."
        )

    # Horns

    def _horns(self, names: Sequence[str]) -> Talk[bool]:
        for self.number, self.name in enumerate(names, 1):
            if self.name in self._passed:
                continue
            try:
                yield from self._horn()
            except _Left:
                self._say(f"{self.name}: left")
            yield from self._carry(self._pulses.off)
            self._passed.add(self.name)
            self._keep()
        self._say("All horns are asked for. Next: `quadleg calibrate` without --fit-horns.")
        return True

    def _horn(self) -> Talk[None]:
        joint = self._joint
        middle = (joint.lower + joint.upper) / 2
        yield from self._ready("Take the horn off first. ")
        yield from self._go(self._bench(), sum(joint.servo.kind.pulse_range) / 2)
        put_on = (
            f"Put the horn on so that the joint stands as near as it can to {degrees(middle):g}°.\n"
            f"The servo is in its middle, and that angle is the middle of the joint's limits. {_sides(joint)}."
        )
        while True:
            answer = yield from ask(
                Question("horn", f"{put_on}\nWhich angle does it have now?", (SKIP,), Number("°", -180, 180))
            )
            read = number_of(answer)
            if read is None:
                raise _Left
            teeth = horn_teeth(radians(read), middle, self._teeth)
            if not teeth:
                self._say(f"{joint.name}: {read:g}° is as near as {self._teeth} teeth allow. Screw the horn on.")
                return
            put_on = (
                f"Turn the horn by {teeth_in_words(teeth, joint)}.\n"
                f"It read {read:g}°, and should then read {read + 360 * teeth / self._teeth:.0f}°. The servo keeps its "
                f"middle meanwhile."
            )

    # Joints

    def _joints(self, names: Sequence[str]) -> Talk[bool]:
        complete = True
        for leg in LEGS:
            own = [name for name in names if name.startswith(leg)]
            done = []
            for name in own:
                self.number, self.name = list(names).index(name) + 1, name
                earlier = name in self._passed
                if name in self._from.saved if earlier else (yield from self._one(name)):
                    done.append(name)
            if unseen := [name for name in done if name not in self._shown]:
                yield from self._moves_announced(leg, unseen)
            for name in unseen:
                yield from self._way_shown(name)
                self._shown.append(name)
                self._keep()
            complete = complete and len(done) == len(own)
        left = self._robot.uncalibrated
        self._say(
            f"Not calibrated yet, and refused by `quadleg run`: {', '.join(left)}."
            if left
            else "Every joint is calibrated. `quadleg check` says what the robot can do, `quadleg run` starts it."
        )
        return complete

    def _one(self, name: str) -> Talk[bool]:
        """Calibrate one joint and save it; whether that was done."""
        self.name, self.marks, self.found = name, [], None
        if name == self._from.joint:
            self.marks, self._from = list(self._from.marks), replace(self._from, joint="", marks=())
        try:
            yield from self._ready("It is calibrated already; s keeps that. " if self._joint.servo.calibrated else "")
            yield from self._go(self._bench(), sum(self._joint.servo.kind.pulse_range) / 2)
            yield from self._channel()
            slope = yield from self._from_the_other_side()
            self.found = self._fit(slope)
            while True:
                try:
                    yield from self._marked(slope)
                    servo = yield from self._ends()
                    if servo and (yield from self._checked(servo)):
                        break
                except _Left:
                    if not (yield from self._dropped()):
                        continue
                    raise
                self.marks, self.found = [], None
                self._keep()
            yield from self._carry(self._pulses.off)
            limp = yield from self._limp(servo)
            yield from self._save({"servos": {name: _figures(servo)}, **limp})
        except _Left:
            yield from self._carry(self._pulses.off)
            self._say(f"{name}: left as it was")
            self._pass(name)
            return False
        self.saved.append(name)
        self._pass(name)
        self._say(f"{name}: saved")
        return True

    def _pass(self, name: str) -> None:
        """This joint is done with."""
        self._passed.add(name)
        self.marks = []
        self._keep()

    def _dropped(self) -> Talk[bool]:
        """Whether the joint is to be left although it has marks, which are then gone."""
        if not self.marks:
            return True
        count = f"{len(self.marks)} marks" if len(self.marks) > 1 else "mark"
        question = Question(
            "drop",
            f"Leave the {_said(self.name)}, and drop its {count}?",
            (Choice("no", "n", "no: go on with this joint"), Choice("yes", "y", "yes: drop them and leave it")),
        )
        return (yield from ask(question)) == "yes"

    @property
    def _joint(self) -> Joint:
        return self._robot.joints[JOINT_NAMES.index(self.name)]

    def _bench(self) -> Servo:
        """The servo at hand by its pulses alone: all that its kind takes."""
        servo, kind = self._joint.servo, self._joint.servo.kind
        shortest, longest = kind.pulse_range
        return replace(servo, stops=kind.pulse_range, pulse_per_radian=(longest - shortest) / kind.turn)

    def _ready(self, first: str) -> Talk[None]:
        servo = self._bench()
        again = "where it was" if self._pulses.at(servo) != sum(servo.kind.pulse_range) / 2 else "to its middle"
        yield from self._choose(
            "ready",
            f"{first}The first pulse turns the {_said(self.name)} {again} at FULL SPEED.\n"
            f"Fingers clear, switch in reach?",
            Choice("go", "g", "fingers clear: power this servo"),
            SKIP,
        )

    def _channel(self) -> Talk[None]:
        """Which joint is on this channel? The answer may swap two channels of the file."""
        while True:
            servo = self._bench()
            middle = self._pulses.at(servo)
            for pulse in (middle + WIGGLE, middle - WIGGLE, middle + WIGGLE, middle):
                yield from self._go(servo, pulse)
            answer = yield from self._choose(
                "moved",
                f"Was that the {_said(self.name)}?\n"
                f"The servo on channel {servo.channel} has just moved a little to both sides, twice.",
                YES,
                Choice("other", "o", "no, another joint moved"),
                Choice("nothing", "n", "nothing moved"),
                Choice("two", "t", "two joints moved"),
                Choice("again", "g", "show me again"),
                SKIP,
            )
            if answer == "yes":
                return
            if answer == "nothing":
                self._say(
                    f"Nothing on channel {servo.channel}: look at the plug (brown or black to ground), at the supply's "
                    f"switch, and whether the joint is blocked"
                )
            elif answer == "two":
                self._say(
                    f"Two servos are on channel {servo.channel}, by a split cable: each needs a channel of its own. "
                    f"Unplug the other one"
                )
            elif answer == "other":
                others = [name for name in JOINT_NAMES if name != self.name]
                choices = [Choice(name, key, _said(name)) for name, key in zip(others, "abcdefghijk")]
                back = Choice("back", "z", "I am not sure: back")
                moved = yield from self._choose("which", "Which joint moved?", *choices, back)
                if moved != back.word:
                    yield from self._swap(moved)

    def _swap(self, moved: str) -> Talk[None]:
        here, there = self._joint.servo.channel, self._robot.joints[JOINT_NAMES.index(moved)].servo.channel
        yield from self._carry(self._pulses.off)
        yield from self._save({"servos": {self.name: {"channel": there}, moved: {"channel": here}}})
        self._say(
            f"The file had them swapped: {moved} is on channel {here}, so {self.name} is taken to be on {there}. Saved."
        )
        self._also_saved.append(f"Channels swapped: those of {self.name} and {moved}")
        if moved in self.saved:
            self._say(f"{moved} was calibrated in this session with the other servo: calibrate it again")
        yield from self._ready("")

    def _from_the_other_side(self) -> Talk[float | None]:
        """The slope of the same joint on the other side, mirrored, where the person wants it."""
        other = self._robot.joints[JOINT_NAMES.index(other_side(self.name))]
        old = other.name in self._names and other.name not in self._passed
        if not other.servo.calibrated or other.servo.kind != self._joint.servo.kind or old:
            return None
        answer = yield from self._choose(
            "mirror",
            f"Copy from the {_said(other.name)}, mirrored?\n"
            f"Its turn for a pulse is taken over, and one angle is enough here. Only where both servos are of one kind "
            f"and mounted as in a mirror; the check move shows whether they are.",
            Choice("yes", "y", "yes: one angle is enough"),
            Choice("no", "n", "no: mark them all"),
        )
        return mirrored(other.servo, self.name, 0).pulse_per_radian if answer == "yes" else None

    def _marked(self, slope: float | None) -> Talk[None]:
        """Marks, until a fit of them is believed."""
        joint = self._joint
        asked = known_angles(joint)
        answered: list[float] = []
        while True:
            angles = [degrees(mark.angle) for mark in self.marks]
            enough = bool(angles) if slope is not None else bool(angles) and max(angles) - min(angles) >= SPREAD
            todo = [angle for angle in asked if angle not in answered and self._is_open(angle)]
            if not todo and enough:
                return
            target = (todo or asked)[0]
            choices = [Choice("next", "n", "another angle first")] if len(todo) > 1 else []
            if self.found:
                choices.append(Choice("near", "g", f"go near {target:g}°, slowly"))
            if self.marks:
                choices.append(Choice("undo", "u", "take last mark back"))
            if enough:
                choices.append(Choice("done", "d", "enough marks"))
            answer = yield from self._jog(
                Question(
                    "mark",
                    f"Bring the {_said(joint.name)} to {target:g}°, or near it.\n"
                    f"Then type the angle that it really has; any other that you read well does too. {_sides(joint)}.",
                    (*choices, SKIP),
                    Number("°", degrees(joint.lower) - BEYOND, degrees(joint.upper) + BEYOND),
                    jog=True,
                )
            )
            if answer == "next":
                asked.remove(target)
                asked.append(target)
            elif answer == "near" and self.found:
                yield from self._to(self.found.pulse(radians(target)))
            elif answer == "undo":
                self.marks.pop()
                del answered[-1:]
                self.found = self._fit(slope)
                self._keep()
            elif answer == "done":
                return
            elif (read := number_of(answer)) is not None and self._mark(radians(read), slope):
                answered.append(target)

    def _is_open(self, angle: float) -> bool:
        """Whether the servo gets to an angle in degrees, by what is known so far, and no mark is near it yet."""
        if any(abs(mark.angle - radians(angle)) < NEAREST_MARKS for mark in self.marks):
            return False
        shortest, longest = self._joint.servo.kind.pulse_range
        return self.found is None or shortest < self.found.pulse(radians(angle)) < longest

    def _mark(self, angle: float, slope: float | None) -> bool:
        """Mark where the servo has turned to; whether nothing speaks against that."""
        mark = Mark(self._pulses.turned, angle)
        if fault := mark_fault(self.marks, mark):
            self._say(f"Not marked: {fault}")
            return False
        self.marks.append(mark)
        self.found = self._fit(slope)
        if self.found and (fault := fit_fault(self.found, self.marks, self._joint.servo.kind)):
            self._say(f"Not marked: {fault}")
            self.marks.pop()
            self.found = self._fit(slope)
            return False
        self._keep()
        return True

    def _fit(self, slope: float | None) -> Fit | None:
        if len(self.marks) >= 2:
            return fit(self.marks)
        return fit(self.marks, slope) if self.marks and slope else None

    def _ends(self) -> Talk[Servo | None]:
        """The servo with its stops; None where it shall be marked anew."""
        assert self.found
        shortest, longest = self._joint.servo.kind.pulse_range
        ends = []
        for end, (limit, sign) in zip((shortest, longest), ((min, -1), (max, 1))):
            at_limit = limit(self.found.pulse(self._joint.lower), self.found.pulse(self._joint.upper))
            turns = sign * (1 if self.found.pulse_per_radian > 0 else -1)
            side = "shorter" if sign < 0 else "longer"
            while True:
                answer = yield from self._jog(
                    Question(
                        "end",
                        f"Does anything stop the {_said(self.name)} towards {side} pulses?\n"
                        f"That way {way(self.name, turns)}. Where something touches, hums or pulls a cable before the "
                        f"servo's own end, jog to just before that.",
                        (
                            Choice("none", "n", "nothing does"),
                            Choice("here", "h", "no further than here"),
                            Choice("near", "g", "go to joint's limit"),
                            SKIP,
                        ),
                        jog=True,
                    )
                )
                here = self._pulses.at(self._bench())
                if answer == "near":
                    yield from self._to(at_limit)
                elif answer == "here" and (beyond := self._mark_beyond(here, sign)):
                    self._say(
                        f"Not the end: you marked {degrees(beyond.angle):g}° further that way. Jog on, or take `n`"
                    )
                else:
                    break
            ends.append(here if answer == "here" else end)
        if ends[0] >= ends[1]:
            self._say("The two ends are the wrong way round, or the same: mark them again")
            return (yield from self._ends())
        servo = replace(
            self._joint.servo,
            pulse_at_zero=round(self.found.pulse_at_zero * 1e6, 1) / 1e6,
            pulse_per_radian=round(self.found.pulse_per_radian * 1e6 * radians(1), 4) / 1e6 / radians(1),
            stops=(ceil(ends[0] * 1e6 - 1e-6) / 1e6, floor(ends[1] * 1e6 + 1e-6) / 1e6),
            calibrated=True,
        )
        return (yield from self._travelled(servo))

    def _mark_beyond(self, pulse: float, sign: int) -> Mark | None:
        """A mark farther to one side than a pulse, if there is one."""
        return next((mark for mark in self.marks if sign * (mark.pulse - pulse) > self._pulses.count), None)

    def _travelled(self, servo: Servo) -> Talk[Servo | None]:
        """The same servo if it turns its joint from limit to limit, or if the limits are narrowed to what it does."""
        joint = replace(self._joint, servo=servo)
        fault = travel_fault(servo, joint, self._teeth)
        if not fault:
            return servo
        low, high = sorted(angle_from_pulse(servo, stop) for stop in servo.stops)
        narrow = (
            ceil(max(degrees(joint.lower), degrees(low) + 0.1)),
            floor(min(degrees(joint.upper), degrees(high) - 0.1)),
        )
        answer = yield from self._choose(
            "travel",
            f"{fault[0].upper()}{fault[1:]}.",
            Choice(
                "narrow",
                "w",
                f"narrow the limits of both {self.name.split('_')[0]} legs to {narrow[0]}° to {narrow[1]}°",
            ),
            Choice("ends", "e", "ask for its two ends again"),
            Choice("again", "a", "the horn is turned, or I misread: drop the marks, mark anew"),
            SKIP,
        )
        if answer == "again":
            return None
        if answer == "ends":
            return (yield from self._ends())
        pair, _, part = self.name.split("_")
        mirrored_limits = part == "abduction" and "right" in self.name
        limits = [-narrow[1], -narrow[0]] if mirrored_limits else list(narrow)
        yield from self._save({"joint_limits_deg": {pair: {part: limits}}})
        self._say(f"joint_limits_deg.{pair}.{part} is now {limits}. Saved.")
        self._also_saved.append(f"Limits narrowed: joint_limits_deg.{pair}.{part}")
        return servo

    def _checked(self, servo: Servo) -> Talk[bool]:
        """Go to zero, or to the middle where the limits leave that out; whether the person reads it there."""
        joint = self._joint
        lower, upper = degrees(joint.lower) + INWARD, degrees(joint.upper) - INWARD
        target = 0.0 if lower < 0 < upper else float(round((lower + upper) / 2))
        pulse = pulse_from_angle(servo, radians(target))
        yield from self._to(pulse)
        wired = degrees(angle_from_pulse(servo, self._pulses.turned))
        while True:
            answer = yield from ask(
                Question(
                    "check",
                    f"Which angle does the {_said(self.name)} have now?\nA check: it was told {target:g}°.",
                    (Choice("again", "a", "that is wrong: drop the marks, mark this joint anew"), SKIP),
                    Number("°", -180, 180),
                )
            )
            if answer == SKIP.word:
                raise _Left
            read = number_of(answer)
            if read is None:
                return False
            if abs(read - wired) <= degrees(CHECKED):
                self._say(f"{self.name}: {abs(read - wired):.1f}° off in the check")
                return True
            off = f"{read:g}° instead of {wired:.1f}° is more than {degrees(CHECKED):g}° off"
            copied = "; these two are not mounted as in a mirror" if len(self.marks) == 1 else ""
            self._say(f"{off}{copied}: read again, or mark it anew")

    def _limp(self, servo: Servo) -> Talk[Changes]:
        """Does this kind hold without pulses? Asked once a kind."""
        kind = servo.kind.name
        if kind in self._limp_asked or servo.kind.holds_without_pulses:
            return {}
        self._limp_asked.add(kind)
        answer = yield from self._choose(
            "limp",
            f"Is the {_said(self.name)} limp now?\nThe pulses are off. Turn it gently by hand.",
            Choice("yes", "y", "limp: it turns"),
            Choice("no", "n", "it still holds"),
        )
        if answer == "no":
            self._say(
                f"A {kind} holds without pulses: a stop does not make it limp. Only the switch of the servo supply does"
            )
        return {"servo_kinds": {kind: {"holds_without_pulses": answer == "no"}}}

    def _moves_announced(self, leg: str, names: Sequence[str]) -> Talk[None]:
        self.marks, self.found = [], None
        which = f"the {_said(names[0])}" if len(names) == 1 else f"each joint of the {_said(leg)} leg"
        yield from self._choose(
            "moves",
            f"Now {which} swings a little and back. Which way is asked.\n"
            f"First pulses bring a joint that has dropped back at FULL SPEED. Fingers clear?",
            Choice("go", "g", "fingers clear: move"),
        )

    def _way_shown(self, name: str) -> Talk[None]:
        """Move a calibrated joint to one side and ask whether it went there."""
        while True:
            self.name, self.marks, self.found = name, [], None
            joint = self._joint
            here = angle_from_pulse(joint.servo, self._pulses.at(joint.servo))
            sign = 1 if here + SWING < joint.upper else -1
            yield from self._go(joint.servo, pulse_from_angle(joint.servo, here + sign * SWING))
            yield from self._go(joint.servo, pulse_from_angle(joint.servo, here))
            yield from self._carry(self._pulses.off)
            answer = yield from self._choose(
                "swung",
                f"Did the {_said(name)} just swing the right way?\n"
                f"It was told to swing once, so that {way(name, sign)}, and back.",
                YES,
                Choice("no", "n", "no, the other way"),
                Choice("other", "o", "another joint moved"),
                Choice("again", "g", "show me again: I saw nothing"),
            )
            if answer == "yes":
                return
            if answer == "again":
                continue
            yield from self._save({"servos": {name: dict.fromkeys(_figures(joint.servo))}})
            self.saved = [other for other in self.saved if other != name]
            self._passed.discard(name)
            self._from = replace(self._from, saved=tuple(other for other in self._from.saved if other != name))
            self._keep()
            self._say(
                f"{name} is not calibrated now: "
                + (
                    "its angles were read with the wrong sign, or of another joint"
                    if answer == "no"
                    else "its plug was moved since, or its channel is that of another joint"
                )
            )
            if not (yield from self._one(name)):
                return

    # What all of these do

    def _choose(self, key: str, text: str, *choices: Choice) -> Talk[str]:
        answer = yield from ask(Question(key, text, choices))
        if answer == SKIP.word:
            raise _Left
        return answer

    def _jog(self, question: Question) -> Talk[str]:
        """Ask, and jog by the answers until one is none."""
        while True:
            answer = yield from ask(question)
            if answer == SKIP.word:
                raise _Left
            pulse = jogged(answer, 1e6 * self._wanted)
            if pulse is None:
                return answer
            shortest, longest = (round(1e6 * end) for end in self._joint.servo.kind.pulse_range)
            if not shortest <= pulse <= longest:
                self._say(f"No further: {shortest} to {longest} µs is all that a {self._joint.servo.kind.name} takes")
            yield from self._to(pulse / 1e6)

    def _to(self, pulse: float) -> Talk[None]:
        """Bring the servo at hand to a pulse in s within its kind's range."""
        yield from self._go(self._bench(), pulse)

    def _go(self, servo: Servo, pulse: float) -> Talk[None]:
        low, high = servo.stops
        # A step finer than a count is kept, though only whole counts are sent.
        self._wanted = min(max(pulse, low), high)
        yield from self._carry(lambda: self._pulses.go(servo, self._wanted))

    def _carry(self, action: Callable[[], None]) -> Talk[None]:
        """Do it on the board, again and again until the board takes it or the person ends it all."""
        broken = False
        while True:
            try:
                if broken:
                    self._pulses.again()
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
                    f"{why}\nGoing on may turn the servo back to where it was at FULL SPEED. Fingers clear?",
                    (Choice("again", "a", "go on from here"),),
                )
            )

    def _save(self, changes: Changes) -> Talk[None]:
        """Write it, again and again until that works or the person ends it all."""
        while True:
            try:
                self._robot = self._file.save(changes)
                return
            except (OutputPathError, RobotFileError) as error:
                self._say(f"To write by hand, should all else fail: {changes}")
                why = str(error)
            yield from ask(Question("save", f"Not saved.\n{why}", (Choice("again", "a", "save again"),)))


def known_angles(joint: Joint) -> list[float]:
    """The angles in degrees to mark: two at each end of the joint's limits, each a whole multiple of 5.

    A line through marks at the ends is nowhere between them further off than their worst reading; through marks in
    the middle it is, towards the ends.
    """
    lower, upper = 5.0 * ceil(degrees(joint.lower) / 5 - 1e-9), 5.0 * floor(degrees(joint.upper) / 5 + 1e-9)
    return [lower, upper, upper - INWARD, lower + INWARD]


def _figures(servo: Servo) -> dict[str, object]:
    """What a robot file says of a calibrated servo."""
    return {
        "pulse_at_zero_us": round(1e6 * servo.pulse_at_zero, 1),
        "us_per_degree": round(1e6 * radians(servo.pulse_per_radian), 4),
        "stops_us": [round(1e6 * stop) for stop in servo.stops],
    }


def _said(name: str) -> str:
    return name.replace("_", " ")


def _sides(joint: Joint) -> str:
    """What zero is and which side is positive, in words."""
    name = joint.name.rsplit("_", 1)[1]
    zero = {"abduction": "the leg straight down", "hip": "the upper leg straight down", "knee": "the leg stretched"}[
        name
    ]
    return f"0° is {zero}; with a larger angle {way(joint.name, 1)}"


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
