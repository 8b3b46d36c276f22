"""How far a session at the bench has come: kept after each step, and gone on from where an earlier one ended."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from quadleg.commissioning.calibration.bench_servo import BenchServo
from quadleg.commissioning.calibration.progress_file import Progress, ProgressFile
from quadleg.commissioning.dialog import Dialog
from quadleg.errors import OutputPathError


class SessionProgress:
    """The joints of a session (`names`), those done or left (`passed`), those seen to turn the right way (`shown`)."""

    def __init__(self, servo: BenchServo, command: str) -> None:
        self._servo = servo
        self._file = ProgressFile(servo.file.path, command)
        self._earlier = Progress()
        self._told = ""  # why progress cannot be kept, once said
        self.names: tuple[str, ...] = ()
        self.passed: set[str] = set()
        self.shown: list[str] = []

    def begin(self, names: Sequence[str]) -> Dialog[None]:
        """Offer to go on from what an earlier session left; else begin with these joints."""
        self._earlier = yield from self._file.offered(self._servo.robot)
        self.names = self._earlier.names or tuple(names)
        self.passed, self.shown = set(self._earlier.passed), list(self._earlier.shown)

    def resume_joint(self) -> None:
        """Give the current joint the marks that it had when an earlier session ended."""
        if self._servo.name == self._earlier.joint:
            self._servo.marks = list(self._earlier.marks)
            self._earlier = replace(self._earlier, joint="", marks=())

    def is_saved(self, name: str) -> bool:
        """Whether a joint's calibration was saved, in this session or in the one that it goes on from."""
        return name in self._servo.saved or name in self._earlier.saved

    def pass_joint(self) -> None:
        """Note that the current joint is done or left."""
        self.passed.add(self._servo.name)
        self._servo.marks = []
        self.keep()

    def reopen_joint(self) -> None:
        """Note that the current joint has to be calibrated again."""
        name = self._servo.name
        self._servo.saved = [other for other in self._servo.saved if other != name]
        self.passed.discard(name)
        self._earlier = replace(self._earlier, saved=tuple(other for other in self._earlier.saved if other != name))
        self.keep()

    def show_joint(self) -> None:
        """Note that the person saw the current joint turn the right way."""
        self.shown.append(self._servo.name)
        self.keep()

    def keep(self) -> None:
        """Write what is done and marked into a file, for the case that this session ends here."""
        passed = tuple(name for name in self.names if name in self.passed)
        saved = tuple(name for name in passed if self.is_saved(name))
        marks = tuple(self._servo.marks)
        joint = self._servo.name if marks else ""
        progress = Progress(self.names, passed, saved, tuple(self.shown), joint, marks)
        try:
            self._file.write(progress, self._servo.robot)
        except OutputPathError as error:
            if str(error) != self._told:
                self._told = str(error)
                self._servo.say(f"An end before the joint is saved would lose its marks: {error}")

    def finish(self) -> None:
        """Remove the file to go on from: all is done. Raises OutputPathError where the file cannot be removed."""
        self._file.remove()

    @property
    def unfinished(self) -> str:
        """The file to go on from, if there is one; else empty."""
        return str(self._file.path) if self._file.path.exists() else ""
