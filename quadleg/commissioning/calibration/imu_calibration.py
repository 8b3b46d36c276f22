"""`quadleg calibrate --imu`: how the IMU sits in the body, from three poses into which a person brings the robot.

No servo is powered: only registers of the PWM chip are read, to see that it makes no pulses.
"""

from __future__ import annotations

from collections.abc import Callable
from math import degrees

from quadleg.cautions import TILTING
from quadleg.commissioning.calibration.bench import confirm
from quadleg.commissioning.calibration.bench_servo import until_saved
from quadleg.commissioning.calibration.imu_mounting import (
    ALIGNED,
    FORWARD_AXIS,
    LEFT_AXIS,
    ImuMounting,
    MountingFault,
    RestReading,
    angle_between,
    check_gravity,
    check_other_axis,
    check_tilt,
    find_mounting,
    turn_between,
)
from quadleg.commissioning.calibration.servo_pulses import Stopped
from quadleg.commissioning.calibration.tilt_recorder import REST, TiltRecorder
from quadleg.commissioning.dialog import Choice, Dialog, Ended, Question, ask
from quadleg.errors import BoardError, MountingError, Refused
from quadleg.estimation.tilt import IMU_FRAME
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import ZERO_VECTOR, Vector
from quadleg.robot.model import FixedFrame, RobotModel
from quadleg.robot_file.editor import RobotFileEditor
from quadleg.servos.tilting_hand import TiltingHand

_GO = Choice("go", "g", "it is so: measure")
_RESTS = f"It is done when the robot has kept still for {REST:g} s."
LEVEL_TEXT = (
    "Lay the robot on its belly on level ground, legs limp and out of the way.\n"
    "What a spirit level shows there goes into roll and pitch. Take the hands off. " + _RESTS
)
FORWARD_TEXT = (
    "Now the front down. Answer FIRST, while the robot still lies level; THEN lift its rear by 20 to 40°.\n"
    "Tilt it slowly about the front edge of its belly, or lay a book square under its rear: the axis of this tilt "
    "becomes the robot's left-right axis, so turn it nowhere else. Then hold it still. " + _RESTS
)
LEFT_TEXT = (
    "Lay the robot down level again. Answer FIRST; THEN lift its right side by 20 to 40°.\n"
    "Tilt it slowly about the left edge of its belly, or lay a book along under its right side: the axis of this tilt "
    "becomes the robot's front-rear axis. Then hold it still. " + _RESTS
)


class ImuCalibration:
    """One session with a robot's file and its IMU. `hand` tilts a simulated robot; a person does a real one.

    `found` is the mounting, once it is known.
    """

    def __init__(
        self,
        robot: RobotModel,
        file: RobotFileEditor,
        recorder: TiltRecorder,
        say: Callable[[str], None],
        hand: TiltingHand | None = None,
    ) -> None:
        self._robot = robot
        self._file = file
        self._recorder = recorder
        self._say = say
        self._hand = hand
        self._taken: list[tuple[str, str]] = []
        self.found: ImuMounting | None = None

    def calibrate(self) -> Dialog[bool]:
        """The whole dialog; whether a mounting is saved. Raises Refused where the poses contradict each other."""
        try:
            yield from confirm(TILTING)
            level = yield from self._level()
            forward = yield from self._tilted("forward", FORWARD_TEXT, FORWARD_AXIS, level, lambda _: None)
            left = yield from self._tilted(
                "left", LEFT_TEXT, LEFT_AXIS, level, lambda reading: check_other_axis(level, forward, reading)
            )
            self.found = find_mounting(level, forward, left)
            return (yield from self._saved(self.found))
        except Ended:
            self._say("Ended. The robot file is not changed.")
            return False
        except MountingError as error:
            raise Refused(f"nothing is saved: {error}") from error

    def facts(self) -> list[tuple[str, str]]:
        """What is known, as pairs of a heading and words."""
        lines = list(self._taken)
        if self._recorder.recording:
            lines += [("tilt", f"{degrees(self._recorder.tilt):.0f}°"), ("still", f"{self._recorder.rest:.1f} s")]
        return lines

    def _level(self) -> Dialog[RestReading]:
        def record() -> RestReading:
            if self._hand:
                self._hand.lay_level()
            reading = self._recorder.level()
            check_gravity(reading)
            return reading

        reading = yield from self._recorded("level", LEVEL_TEXT, record)
        self._taken.append(("level", f"{reading.size:.2f} m/s²"))
        self._say(f"level: still, {reading.size:.2f} m/s²")
        return reading

    def _tilted(
        self, key: str, text: str, axis: Vector, level: RestReading, check: Callable[[RestReading], None]
    ) -> Dialog[RestReading]:
        def record() -> RestReading:
            if self._hand:
                self._hand.tilt(axis)
            self._say(f"{key}: tilt it now, slowly, then hold it still")
            reading = self._recorder.tilted(level)
            check_tilt(level, reading)
            check(reading)
            return reading

        reading = yield from self._recorded(key, text, record)
        tilt = degrees(angle_between(level.up, reading.up))
        self._taken.append((key, f"{tilt:.0f}°"))
        self._say(f"{key}: still, tilted by {tilt:.1f}°; gyro and accelerometer agree")
        return reading

    def _recorded(self, key: str, text: str, record: Callable[[], RestReading]) -> Dialog[RestReading]:
        """Ask for a pose until it is recorded. Raises Ended, and MountingError where it is of no use to ask again."""
        again = ""
        while True:
            yield from ask(Question(key, f"{again}{text}", (_GO,)))
            try:
                return record()
            except Stopped:
                why = "stopped"
            except BoardError as error:
                why = str(error)
            except MountingError as error:
                if not MountingFault(error.code).again:
                    raise
                why = str(error)
            self._say(f"{key}: not taken: {why}")
            again = f"Once more, since this was not taken: {why}.\n"

    def _saved(self, found: ImuMounting) -> Dialog[bool]:
        frame = next((frame for frame in self._robot.frames if frame.name == IMU_FRAME), None)
        self._explain(found, frame)
        old = f"{[round(degrees(angle), 2) for angle in frame.rpy]}" if frame else "none"
        simulated = "\nIt is that of a simulated IMU." if self._hand else ""
        text = (
            f"Save this mounting?\nframes.{IMU_FRAME}.rpy_deg is {old} in the robot file, and becomes "
            f"{found.rpy_deg}.{simulated}"
        )
        choices = (Choice("yes", "y", "save it"), Choice("no", "n", "leave the robot file as it is"))
        if (yield from ask(Question("save", text, choices))) == "no":
            self._say("The robot file is not changed.")
            return False
        keys: dict[str, object] = {"rpy_deg": found.rpy_deg}
        if not frame:
            keys = {"xyz_mm": [0, 0, 0], **keys, "mass_g": 0}
            self._say(f"frames.{IMU_FRAME} is new, its place [0, 0, 0] assumed: measure xyz_mm and mass_g.")
        changes = {"frames": {IMU_FRAME: keys}}

        def write() -> None:
            self._robot = self._file.save(changes)

        yield from until_saved(write, changes, self._say)
        self._say(f"Saved: frames.{IMU_FRAME}.rpy_deg {found.rpy_deg}")
        if self._file.kept:
            self._say(f"The robot file as it was before is kept as {self._file.kept}.")
        return True

    def _explain(self, found: ImuMounting, frame: FixedFrame | None) -> None:
        away = degrees(found.misaligned)
        if found.misaligned <= ALIGNED:
            self._say(f"The IMU's axes: {found.aligned}, misaligned by {away:.1f}°.")
        else:
            self._say(f"The IMU sits askew: {away:.0f}° away from {found.aligned}. If not meant so, begin again.")
        apart = degrees(found.apart)
        self._say(
            f"The two tilts are {apart:.1f}° apart (90° is exact). Roll and pitch are as exact as the ground is level, "
            f"yaw as the edges were square."
        )
        if frame:
            turn = degrees(turn_between(Pose.from_rpy(*ZERO_VECTOR, *frame.rpy), found.pose))
            self._say(f"The robot file's mounting is {turn:.1f}° away from this.")
