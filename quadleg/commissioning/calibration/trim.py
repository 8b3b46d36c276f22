"""`quadleg trim`: the robot stands, a person nudges one joint after the other, and the zeros are saved."""

from __future__ import annotations

from dataclasses import dataclass
from math import degrees, radians

from quadleg.cautions import STILL_HELD, TRIMMING
from quadleg.commissioning.calibration.bench import Bench, BenchCommand, confirm, own_file
from quadleg.commissioning.calibration.bench_servo import until_saved
from quadleg.commissioning.calibration.in_process_robot import InProcessRobot
from quadleg.commissioning.calibration.progress_file import Progress, ProgressFile
from quadleg.commissioning.dialog import Choice, Dialog, Ended, Question, ask, jogged
from quadleg.errors import OutputPathError, Refused
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.robot_file.editor import RobotFileEditor
from quadleg.robot_file.load import load_robot
from quadleg.safety.state_machine import State

LARGEST = radians(8)  # what is more off than this is calibrated, not trimmed


@dataclass
class Trim(BenchCommand):
    """One `quadleg trim`."""

    cut_at_end: bool = False  # it sits down instead
    robot: RobotModel | None = None
    bench: Bench | None = None
    standing: InProcessRobot | None = None
    unfinished: ProgressFile | None = None
    joint: int = 0

    def dialog(self) -> Dialog[bool]:
        """The whole dialog; whether what was nudged is saved.

        Raises QuadlegError where the file or the board are no good, or the robot does not stand.
        """
        self.path = yield from own_file(self.path)
        self.robot = robot = load_robot(self.path).on_board(self.board)
        if robot.uncalibrated:
            raise Refused(f"not calibrated: {', '.join(robot.uncalibrated)}. `quadleg calibrate` comes first")
        self.unfinished = ProgressFile(self.path, "trim")
        try:
            nudges = (yield from self.unfinished.offered(robot)).nudges
            yield from self._confirmed(robot)
        except Ended:
            self.say("Ended. Nothing was powered.")
            return False
        self.bench = Bench(robot, self.seed, self.quick)
        self.standing = InProcessRobot(robot, self.bench.open, self.bench.clock, self.bench.sleep, self.say)
        # Before it has power: the joints then come to the resting pose with them.
        self.standing.offsets = [nudges.get(joint.name, 0.0) / joint.servo.pulse_per_radian for joint in robot.joints]
        try:
            self.say("It rises.")
            self.standing.rise()
            return (yield from self._nudged(robot, self.standing))
        except Ended:
            if self.over:
                raise self._fallen() from None
            self.say(f"Ended without saving. {self._where_kept()}".strip())
            return False
        finally:
            self.say("It sits down.")
            self.say("The pulses are off." if self.standing.sit() else STILL_HELD)

    def _confirmed(self, robot: RobotModel) -> Dialog[None]:
        yield from confirm(TRIMMING)
        placed = (
            f"Are the legs in the resting pose?\n"
            f"Belly down, legs folded, hip axes {1000 * robot.resting.height:.0f} mm above the ground. The first "
            f"pulses turn each joint there at FULL SPEED, one after the other; then the robot rises to "
            f"{1000 * robot.standing.height:.0f} mm."
        )
        yield from ask(Question("placed", placed, (Choice("yes", "y", "legs placed, fingers clear: stand up"),)))

    def _nudged(self, robot: RobotModel, standing: InProcessRobot) -> Dialog[bool]:
        file = RobotFileEditor(self.path)
        choices = (
            Choice("next", "n", "next joint"),
            Choice("previous", "p", "previous joint"),
            Choice("undo", "u", "undo this joint"),
            Choice("save", "s", "save and sit down"),
        )
        while True:
            name = JOINT_NAMES[self.joint].replace("_", " ")
            text = f"Nudge the {name} until it stands right.\nSaved, the nudge becomes part of its zero."
            answer = yield from ask(Question("trim", text, choices, jog=True))
            if standing.over:
                raise self._fallen()
            if standing.state is not State.ACTIVE and answer != "save":
                self.say(f"The robot holds, and nothing is changed: {standing.why}")
            elif answer == "next":
                self.joint = (self.joint + 1) % len(JOINT_NAMES)
            elif answer == "previous":
                self.joint = (self.joint - 1) % len(JOINT_NAMES)
            elif answer == "undo":
                standing.offsets[self.joint] = 0.0
                self._keep(robot, standing)
            elif answer == "save":
                return (yield from self._saved(robot, standing, file))
            else:
                self._nudge(robot, standing, answer)

    def _nudge(self, robot: RobotModel, standing: InProcessRobot, answer: str) -> None:
        per_radian = robot.joints[self.joint].servo.pulse_per_radian
        pulse = jogged(answer, 1e6 * per_radian * standing.offsets[self.joint])
        assert pulse is not None
        offset = pulse / 1e6 / per_radian
        if abs(offset) > LARGEST:
            self.say(f"{degrees(LARGEST):g}° are the most that is trimmed: calibrate {JOINT_NAMES[self.joint]} anew")
            return
        standing.offsets[self.joint] = offset
        self._keep(robot, standing)

    def _keep(self, robot: RobotModel, standing: InProcessRobot) -> None:
        """Keep the nudges, for the case that this ends before they are saved."""
        assert self.unfinished
        nudges = {
            joint.name: joint.servo.pulse_per_radian * offset
            for joint, offset in zip(robot.joints, standing.offsets)
            if offset
        }
        try:
            self.unfinished.write(Progress(nudges=nudges), robot)
        except OutputPathError as error:
            self.say(f"An end without saving would lose the nudges: {error}")

    def _where_kept(self) -> str:
        if not (self.unfinished and self.unfinished.path.exists()):
            return ""
        return f"The nudges are kept in {self.unfinished.path}: `quadleg trim` offers them again."

    def _fallen(self) -> Refused:
        return Refused(
            f"the robot stands no more, and the robot file was not changed: {self.over}. {self._where_kept()}".strip()
        )

    def _saved(self, robot: RobotModel, standing: InProcessRobot, file: RobotFileEditor) -> Dialog[bool]:
        zeros = {
            joint.name: {
                "pulse_at_zero_us": round(1e6 * (joint.servo.pulse_at_zero + joint.servo.pulse_per_radian * offset), 1)
            }
            for joint, offset in zip(robot.joints, standing.offsets)
            if offset
        }

        def write() -> None:
            if zeros:
                file.save({"servos": zeros})
            self.say(f"Saved: {', '.join(zeros)}" if zeros else "Nothing was nudged, nothing is changed.")
            if file.kept:
                self.say(f"The robot file as it was before is kept as {file.kept}.")
            if self.unfinished:
                self.unfinished.remove()

        yield from until_saved(write, zeros, self.say)
        return True

    # What a screen shows and asks

    def cut(self) -> None:
        """Pulses off at once, from any thread. Raises BoardError where the board does not take that."""
        if self.standing:
            self.standing.cut()

    @property
    def over(self) -> str:
        """Why the robot stands no more, so that nothing is left to ask; else empty."""
        return self.standing.over if self.standing else ""

    @property
    def title(self) -> str:
        return f"trim {self.path.name}   {self.standing.state.value if self.standing else 'off'}"

    def facts(self) -> list[tuple[str, str]]:
        """What is known, as pairs of a heading and words."""
        if not (self.standing and self.robot and self.bench):
            return []
        lines = [("told", f"{degrees(self.standing.angle(self.joint)):.1f}°")]
        if self.bench.protractor:
            read = degrees(self.bench.protractor(JOINT_NAMES[self.joint]))
            lines.append(("protractor", f"{round(2 * read) / 2:g}° simulated"))
        for joint, offset in zip(self.robot.joints, self.standing.offsets):
            if offset:
                pulse = 1e6 * joint.servo.pulse_per_radian * offset
                lines.append((joint.name.replace("_", " "), f"{pulse:+.0f} µs"))
        return lines
