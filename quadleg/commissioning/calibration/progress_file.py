"""What a session at the bench had found when it ended too soon, in a file beside the robot file, to go on from.

JSON; it is written whole after each mark and each nudge, and read strictly: it has to fit the robot file beside it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from math import isfinite, radians
from pathlib import Path
from typing import Any

from quadleg.commissioning.calibration.calibration_fit import Mark
from quadleg.commissioning.dialog import Choice, Dialog, Question, ask
from quadleg.errors import OutputPathError
from quadleg.robot.model import JOINT_NAMES, RobotModel, Servo
from quadleg.robot_file.editor import keep_version, write_whole

LARGEST = 100_000  # bytes: twelve joints with a hundred marks each stay far below


@dataclass(frozen=True)
class Progress:
    """Joints that were done or left (`passed`), saved, and shown to turn the right way; marks of one joint; nudges.

    `names` are the joints of the session. Nudges are in s by joint, on its pulse at zero.
    """

    names: tuple[str, ...] = ()
    passed: tuple[str, ...] = ()
    saved: tuple[str, ...] = ()
    shown: tuple[str, ...] = ()
    joint: str = ""
    marks: tuple[Mark, ...] = ()
    nudges: Mapping[str, float] = field(default_factory=dict)
    time: str = ""

    def __bool__(self) -> bool:
        return bool(self.passed or self.marks or self.nudges)

    def __str__(self) -> str:
        parts = []
        if self.passed:
            parts.append(f"{len(self.passed)} of {len(self.names)} joints done or left")
        if self.marks:
            parts.append(f"{len(self.marks)} marks of the {self.joint.replace('_', ' ')}")
        parts += [f"{name.replace('_', ' ')} {1e6 * nudge:+.0f} µs" for name, nudge in self.nudges.items()]
        return ", ".join(parts)


class ProgressFile:
    """The progress of one command (`calibrate`, `fit_horns` or `trim`) on one robot file."""

    def __init__(self, robot_file: Path, command: str) -> None:
        self._robot_file = robot_file.resolve()
        self._command = command
        self.path = self._robot_file.with_name(f"{self._robot_file.name}.unfinished_{command}.json")

    def write(self, progress: Progress, robot: RobotModel) -> None:
        """Keep progress; without any there is no file. Raises OutputPathError where it cannot be written."""
        if not progress:
            self.remove()
            return
        used = {*progress.nudges, *([progress.joint] if progress.marks else ())}
        document = {
            "command": self._command,
            "robot": robot.name,
            "time": datetime.now().astimezone().isoformat(" ", "seconds"),
            "names": progress.names,
            "passed": progress.passed,
            "saved": progress.saved,
            "shown": progress.shown,
            "joint": progress.joint,
            "marks": [[mark.pulse, mark.angle] for mark in progress.marks],
            "nudges": dict(progress.nudges),
            "servos": {joint.name: _figures(joint.servo) for joint in robot.joints if joint.name in used},
        }
        write_whole(self.path, json.dumps(document, indent=1) + "\n")

    def remove(self) -> None:
        try:
            self.path.unlink(missing_ok=True)
        except OSError as error:
            raise OutputPathError(f"{self.path} cannot be removed: {error.strerror}") from error

    def offered(self, robot: RobotModel) -> Dialog[Progress]:
        """Ask whether to go on from what is kept; empty progress where nothing is, or the person starts anew.

        What is not gone on from is set aside among the versions of the robot file. Raises OutputPathError where that
        fails.
        """
        if not self.path.exists():
            return Progress()
        anew = Choice("new", "n", "start anew; the old work is set aside, not deleted")
        try:
            progress = self._read(robot)
        except ValueError as error:
            text = f"There is unfinished work that does not fit this robot file.\n{self.path}: {error}."
            yield from ask(Question("resume", text, (anew,)))
        else:
            text = f"Go on from the unfinished work of {progress.time}?\n{progress}. It is in {self.path}."
            if (yield from ask(Question("resume", text, (Choice("yes", "y", "go on from there"), anew)))) == "yes":
                return progress
        keep_version(self._robot_file, self.path)
        self.remove()
        return Progress()

    def _read(self, robot: RobotModel) -> Progress:
        """Raises ValueError, in words, where it is no progress of this command with this robot."""
        try:
            if not self.path.is_file() or self.path.stat().st_size > LARGEST:
                raise ValueError("it is not a file that this command has written")
            document = json.loads(self.path.read_text(encoding="utf-8"))
            progress = Progress(
                **{key: _names(document[key]) for key in ("names", "passed", "saved", "shown")},
                joint=str(document["joint"]),
                marks=tuple(Mark(_number(pulse), _number(angle)) for pulse, angle in document["marks"]),
                nudges={name: _number(nudge) for name, nudge in document["nudges"].items()},
                time=str(document["time"])[:40],
            )
            then = document["servos"]
            if document["robot"] != robot.name:
                raise ValueError(f"it is of the robot {document['robot']!r}")
            _names([*progress.nudges, *([progress.joint] if progress.joint else [])])
            for name in (*progress.nudges, *([progress.joint] if progress.marks else ())):
                now = _figures(robot.joints[JOINT_NAMES.index(name)].servo)
                # Marks are of pulses and angles alone; a nudge is an addition to the zero that it was seen with.
                keys = now if progress.nudges else ("channel", "kind")
                if any(then[name][key] != now[key] for key in keys):
                    raise ValueError(f"{name} has been changed in the robot file since")
            return progress
        except (OSError, KeyError, TypeError, AttributeError, IndexError, RecursionError, UnicodeDecodeError) as error:
            raise ValueError(f"it cannot be read ({type(error).__name__}: {error})") from None


def _figures(servo: Servo) -> dict[str, Any]:
    return {
        "channel": servo.channel,
        "kind": servo.kind.name,
        "pulse_at_zero_us": round(1e6 * servo.pulse_at_zero, 2),
        "us_per_degree": round(1e6 * radians(servo.pulse_per_radian), 4),
    }


def _names(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or any(name not in JOINT_NAMES for name in value):
        raise ValueError("its list of joints is none")
    return tuple(value)


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not isfinite(value):
        raise ValueError(f"{value!r} is no number")
    return float(value)
