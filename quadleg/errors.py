"""Every error of quadleg. Each message says what is wrong and what would be right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

MOST_TOLD = 60  # faults of one file that are told at a time


class QuadlegError(Exception):
    """The base of all errors that quadleg raises on purpose; the command line prints it without a traceback."""


def shortened(text: str, most: int = 80) -> str:
    """The text, cut where it is too long to read; control characters, which a terminal obeys, as `?`."""
    kept = text if len(text) <= most else f"{text[: most - 1]}…"
    return "".join(character if character.isprintable() else "?" for character in kept)


@dataclass(frozen=True)
class Fault:
    """One fault of a robot file: where it stands, what stands there, and what would be right.

    `key` is empty where the fault is of the file as a whole.
    """

    file: Path
    line: int
    key: str
    value: object
    remedy: str

    def __str__(self) -> str:
        if not self.key:
            return f"{self.file}: {self.remedy}"
        shown = "" if self.value is None else f" is {shortened(repr(self.value))}"
        return f"{self.file}:{self.line}: {self.key}{shown}: {self.remedy}"


class RobotFileError(QuadlegError):
    """A robot file that cannot be used. `faults` holds every fault found, in the order of the file."""

    def __init__(self, faults: list[Fault]) -> None:
        self.faults = sorted(faults, key=lambda fault: fault.line)
        first, *others = self.faults
        lines = "\n".join(f"  {fault}" for fault in self.faults[:MOST_TOLD])
        more = f"\n  and {len(faults) - MOST_TOLD} more" if len(faults) > MOST_TOLD else ""
        super().__init__(f"{first.file} cannot be used, {len(faults)} faults:\n{lines}{more}" if others else str(first))


class Unreachable(QuadlegError):
    """A foot target that a leg cannot reach.

    `target` and `nearest` are points in base_link (m), `angles` reach `nearest` (rad), `joint` is the
    joint that stops the leg and `limit` says in words how.
    """

    def __init__(
        self,
        leg: str,
        target: tuple[float, float, float],
        nearest: tuple[float, float, float],
        angles: tuple[float, float, float],
        joint: str,
        limit: str,
    ) -> None:
        self.leg = leg
        self.target = target
        self.nearest = nearest
        self.angles = angles
        self.joint = joint
        self.limit = limit
        wanted, reached = (", ".join(f"{1000 * c:.1f}" for c in point) for point in (target, nearest))
        super().__init__(f"{leg} cannot reach ({wanted}) mm in base_link: {limit}; nearest is ({reached}) mm")


class CuredError(QuadlegError):
    """An error with its cure: `found` says what is wrong, `cure` what to do about it or what would be right."""

    def __init__(self, found: str, cure: str) -> None:
        super().__init__(found, cure)  # both are kept, so that a copy from another process has them too
        self.found = found
        self.cure = cure

    def __str__(self) -> str:
        return f"{self.found}: {self.cure}"


class BoardError(CuredError):
    """The board did not take or give the bytes asked for."""


class CalibrationError(CuredError):
    """What was measured for a calibration is of no use. `code` is that of the fault, for programs."""

    def __init__(self, code: str, found: str, cure: str) -> None:
        super().__init__(found, cure)
        self.args = (code, found, cure)
        self.code = code


class MountingError(CalibrationError):
    """An IMU's readings from which no mounting follows."""


class TapeError(CalibrationError):
    """Walks along a tape from which no scale follows."""


class PowerLost(BoardError):
    """The chip of the board is at its reset: it was without power, and all its outputs are off."""

    def __init__(self, found: str, cure: str = "look for a loose plug in the supply of the board's logic") -> None:
        super().__init__(found, cure)


class TargetError(QuadlegError):
    """A target message that cannot be followed: not finite, wrong names, wrong count or wrong frame."""


class RosMissing(QuadlegError):
    """A part that needs ROS 2 was asked for where rclpy does not import."""


class Uncalibrated(QuadlegError):
    """Servos on a real board were to be moved before they are calibrated."""

    def __init__(self, file: Path, joints: Sequence[str]) -> None:
        super().__init__(
            f"not calibrated: {', '.join(joints)}. `quadleg calibrate {file}` finds which pulse is which angle"
        )


class InfeasibleRobot(QuadlegError):
    """A robot is to run that cannot work as its robot file describes it."""

    def __init__(self, file: Path, reasons: Sequence[str]) -> None:
        lines = "\n".join(f"  {reason}" for reason in reasons)
        super().__init__(
            f"this robot will not work:\n{lines}\n`quadleg check {file}` tells all of it; "
            f"`quadleg run --despite-check` runs it all the same"
        )


class AnswerError(QuadlegError):
    """A file of answers that does not fit the questions; the message says where, and what would be right."""


class SimMissing(QuadlegError):
    """A part that needs physics was asked for where MuJoCo does not import."""

    def __init__(self) -> None:
        super().__init__("this needs MuJoCo: pip install -e '.[sim]' in quadleg's folder")


class GroundError(QuadlegError, ValueError):
    """A value that makes no ground to walk on."""


class SpreadError(QuadlegError, ValueError):
    """A difference that no robot has from its robot file, or words that name none."""


class CannotWalk(QuadlegError):
    """A robot that was to walk in physics cannot, or does not even stand; the message says why."""


class AlreadyRunning(QuadlegError):
    """The same robot runs already under the same name."""


class Refused(QuadlegError):
    """The running stack refused what was asked; the message is its reason."""


class NotReached(QuadlegError):
    """A pose or place was asked for and the robot stays short of it; the message says what stops it.

    `result` is what was reached, a WalkResult or PoseResult, None where nothing is known of it.
    """

    def __init__(self, message: str, result: Any = None) -> None:
        super().__init__(message)
        self.result = result


class Overridden(NotReached):
    """Another operator commands the robot, and the call ends; the message says on which topic."""


class CallbackFailed(QuadlegError):
    """A callback of the caller's raised, which is the cause of this error. The client goes on without it."""

    def __init__(self, name: str, error: Exception) -> None:
        super().__init__(f"{name} raised {error!r}; its traceback is in the log, and the client goes on")
        self.name = name
        self.__cause__ = error


class StackNotFound(QuadlegError):
    """A running stack was looked for and not found, or it fell silent."""


class SearchInterrupted(QuadlegError):
    """Ctrl-C came while a running stack was looked for, before anything was asked of it."""

    def __init__(self) -> None:
        super().__init__("interrupted: no stack was found so far, and nothing was asked of a robot")


class NamespaceError(QuadlegError):
    """A name that ROS would refuse."""


class OutputPathError(QuadlegError):
    """A file was to be written where it cannot be."""


class MessageError(QuadlegError):
    """A message of a gamepad or of walking limits that cannot be used: too short, not finite, not readable."""


class GamepadError(CuredError):
    """No gamepad can be read."""


class RecordingError(QuadlegError):
    """A recording that cannot be read, or not used for what was asked; the message says what would be right."""


class ViewMissing(QuadlegError):
    """The live view was asked for where viser does not import, or cannot be run safely."""

    def __init__(self, why: str = "") -> None:
        super().__init__(why or "the live view needs viser: pip install -e '.[view]' in quadleg's folder")


class RecordMissing(QuadlegError):
    """A recording was to be made, read or shown where a library for that does not import."""

    def __init__(self, library: str = "mcap") -> None:
        super().__init__(f"recordings need {library}: pip install -e '.[log]' in quadleg's folder")


class PortTaken(QuadlegError):
    """Something else listens where a page was to be served."""
