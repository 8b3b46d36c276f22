"""What stands on the bench for one command: the person's own robot file, and its board or a simulated one."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import KW_ONLY, dataclass, field, replace
from math import radians
from pathlib import Path
from typing import ClassVar

from transforms3d.quaternions import mat2quat

from quadleg.commissioning.dialog import Choice, Dialog, Question, ask
from quadleg.errors import BoardError
from quadleg.geometry.rotation_arrays import axis_aligned_rotations
from quadleg.geometry.transforms import Pose, compose
from quadleg.geometry.vectors import ZERO_VECTOR
from quadleg.hardware.board import Board
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import JOINT_NAMES, Joint, RobotModel
from quadleg.robot_file.editor import copy_to, installed
from quadleg.servos.board_kinds import open_board
from quadleg.servos.simulated_board import SimulatedBoard
from quadleg.servos.tilting_hand import TiltingHand

HORN_ERROR = radians(4)  # of simulated horns, to each side
TURN_ERROR = 0.01  # share
MOUNTING_ERROR = radians(4)  # of a simulated IMU about each axis


@dataclass
class BenchCommand:
    """What one command at the bench works on: which file, on which board. `said` keeps all its sentences.

    `seed` hides errors of simulated servos; `quick` runs a simulated robot faster than real time. `interrupted` is what
    a Ctrl-C comes to.
    """

    path: Path
    _: KW_ONLY
    board: str = ""
    seed: int = 0
    quick: bool = False
    said: list[str] = field(default_factory=list)
    hear: Callable[[str], None] | None = None
    interrupted: ClassVar[str] = "the pulses are off; what was finished before is saved"

    @property
    def over(self) -> str:
        """Why nothing is left to ask; empty where nothing ends the command but the person."""
        return ""

    def say(self, sentence: str) -> None:
        """Keep a sentence, and show it."""
        self.said.append(sentence)
        if self.hear:
            self.hear(sentence)


class QuickClock:
    """A simulated clock: a sleep advances it at once."""

    def __init__(self, now: float = 0.0) -> None:
        self.now = now

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds


class Bench:
    """One robot's board. `clock` and `sleep` are those of its simulation, `seed` hides errors of its servos."""

    def __init__(self, robot: RobotModel, seed: int, quick: bool) -> None:
        self._robot = robot
        self._seed = seed
        self._simulated: SimulatedBoard | None = None
        self._seen = stance_angles(robot, robot.resting)
        clock = QuickClock()
        self._quick = quick and robot.board.simulated
        self.clock: Callable[[], float] = clock if self._quick else time.monotonic
        self.sleep = clock.sleep if self._quick else time.sleep

    def tilting_hand(self) -> TiltingHand | None:
        """A hand that from now on tilts the open simulated robot, for its IMU to feel; None where there is no such."""
        if not (self._simulated and self._simulated.imu):
            return None
        hand = TiltingHand(hidden_mounting(self._seed), self.clock, self._seed)
        self._simulated.imu.feel = hand.feel
        return hand

    def open(self) -> Board:
        """The board that the robot file names."""
        rest = stance_angles(self._robot, self._robot.resting)
        if not self._robot.board.simulated:
            return open_board(self._robot, rest)
        hidden = hidden_errors(self._seed)
        self._simulated = SimulatedBoard(as_assembled(self._robot), rest, None, self._seed, self.clock, *hidden)
        return self._simulated

    @property
    def protractor(self) -> Callable[[str], float] | None:
        """The true angle (rad) of a simulated joint by its name; None for a real robot."""
        if not self._robot.board.simulated:
            return None
        return self._read

    def _read(self, name: str) -> float:
        if self._simulated:
            # A screen may look once more while the dialog's thread closes the board.
            with suppress(BoardError):
                self._seen = self._simulated.angles()
        return self._seen[JOINT_NAMES.index(name)]


def hidden_errors(seed: int) -> tuple[list[float], list[float]]:
    """Errors of the twelve horns (rad) and of the servos' turn (share), by seed."""
    draw = random.Random(seed)
    horns = [draw.uniform(-HORN_ERROR, HORN_ERROR) for _ in JOINT_NAMES]
    return horns, [draw.uniform(-TURN_ERROR, TURN_ERROR) for _ in JOINT_NAMES]


def hidden_mounting(seed: int) -> Pose:
    """How a simulated IMU sits in the body, by seed: near one of the axis-aligned mountings."""
    draw = random.Random(seed)
    w, x, y, z = mat2quat(draw.choice(axis_aligned_rotations())).tolist()
    roll, pitch, yaw = (draw.uniform(-MOUNTING_ERROR, MOUNTING_ERROR) for _ in range(3))
    return compose(Pose.from_rpy(0.0, 0.0, 0.0, roll, pitch, yaw), Pose(ZERO_VECTOR, (w, x, y, z)))


def as_assembled(robot: RobotModel) -> RobotModel:
    """The robot as it was put together, whatever its file says: each servo in its middle at that of the joint's limits,
    those of hips and knees turned round on the right side, as in a mirror."""

    def servo(joint: Joint) -> Joint:
        kind = joint.servo.kind
        shortest, longest = kind.pulse_range
        turned = "right" in joint.name and "abduction" not in joint.name
        per_radian = (-1 if turned else 1) * (longest - shortest) / kind.turn
        zero = (shortest + longest - per_radian * (joint.lower + joint.upper)) / 2
        own = replace(joint.servo, pulse_at_zero=zero, pulse_per_radian=per_radian, stops=kind.pulse_range)
        return replace(joint, servo=own)

    return robot.with_joints(servo)


def on_bench(robot: RobotModel) -> RobotModel:
    """The robot with servos that turn as far as their kind does, whatever their stops in the file."""

    def free(joint: Joint) -> Joint:
        return replace(joint, servo=replace(joint.servo, stops=joint.servo.kind.pulse_range))

    return robot.with_joints(free)


def own_file(path: Path) -> Dialog[Path]:
    """The file to write into: the person's own, or a copy of one that belongs to the installation.

    Raises OutputPathError where the copy cannot be made.
    """
    why = installed(path)
    if not why:
        return path
    copy = Path.cwd() / path.name
    yield from ask(
        Question("copy", f"{why}. Work on a copy of it, {copy}, from now on?", (Choice("yes", "y", "make that copy"),))
    )
    copy_to(path, copy)
    return copy


def confirm(cautions: Sequence[str]) -> Dialog[None]:
    """Ask whether all of these cautions are heeded, before anything is powered."""
    text = "\n• ".join(("Confirm before you start.", *cautions))
    yield from ask(Question("cautions", text, (Choice("yes", "y", "all so"),)))
