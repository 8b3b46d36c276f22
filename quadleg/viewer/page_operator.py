"""What pages ask of one robot: each command is checked as it comes, and done at the next tick."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from quadleg.errors import MessageError, Refused
from quadleg.gait.walk_obstacles import GaitRefusal
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.posture import AXES
from quadleg.robot.model import RobotModel
from quadleg.safety.catalogue import Reason
from quadleg.safety.reason_codes import ReasonCode
from quadleg.teleop.gamepad_teleop import TeleopCommand
from quadleg.teleop.stack_operator import StackOperator
from quadleg.viewer.command_queue import CommandQueue
from quadleg.viewer.page_commands import (
    GAIT,
    LEVEL,
    POSE,
    RESET,
    SIT,
    STAND,
    STOP,
    WALK,
    PageCommand,
    Ranges,
    parse_command,
)

OWN_POSE_HOLDS = 0.4  # s after a base target of ours in which base_motion may still tell of the one before
POSABLE = ("active", "hold")  # after a hold base_motion goes to the target that came in it
STATES_FOR = {POSE: POSABLE, LEVEL: POSABLE, WALK: ("active",)}


class PageOperator:
    """Pages' commands to the robot that `operator` steers; `ranges` are how far its body goes (m and rad).

    Times are of a steady clock in s. `asked` are the axes of the body's pose that is asked for, None where it is not
    known, and `obstacle` why a command is not done, or empty.
    """

    def __init__(self, robot: RobotModel, operator: StackOperator, ranges: Ranges) -> None:
        self._standing = [0.0, 0.0, robot.standing.height, 0.0, 0.0, 0.0]
        self._operator = operator
        self._ranges = ranges
        self._queue = CommandQueue()
        self._asked_at = -inf
        self.asked: list[float] | None = None
        self.obstacle = ""

    # On the server's thread

    def hear(self, page: int, text: str | bytes, now: float) -> str:
        """Take a page's message; why it is refused, or an empty text."""
        try:
            asked = parse_command(text, self._ranges)
            if asked.kind == STOP:
                self._operator.stop_at_once()
            elif refusal := self._refusal(asked):
                return refusal
            self._queue.put(page, asked, now)
        except (MessageError, Refused) as error:
            return str(error)
        return ""

    def gone(self, page: int) -> None:
        self._queue.gone(page)

    def _refusal(self, asked: PageCommand) -> str:
        state, limits = self._operator.state, self._operator.limits
        if state not in STATES_FOR.get(asked.kind, (state,)):
            return str(Reason.of(ReasonCode.STAND_FIRST, state=state or "not heard"))
        if asked.kind == STAND and state == "off" and not asked.legs_placed:
            return str(Reason.of(ReasonCode.LEGS_NOT_CONFIRMED))
        if asked.kind == GAIT and (limits is None or asked.gait not in limits.gaits):
            known = ", ".join(limits.gaits) if limits else "none heard yet"
            return str(Reason.of(GaitRefusal.UNKNOWN_GAIT, name=asked.gait, gaits=known))
        return ""

    # Once a PERIOD of the operator

    def tick(self, now: float, pose_elsewhere: str) -> None:
        """Do what waits; `pose_elsewhere` is the pose that base_motion says is asked for, six numbers."""
        operator = self._operator
        waiting = self._queue.take()
        for asked in waiting:
            if asked.kind == STOP:
                operator.emergency_stop()
            elif asked.kind in (STAND, SIT):
                operator.enable(asked.kind == STAND)
            elif asked.kind == RESET:
                operator.reset()
            elif asked.kind == GAIT:
                operator.take_gait(asked.gait)
        self._follow(pose_elsewhere, now)
        active = operator.state == "active"
        poses = [asked for asked in waiting if asked.kind in (POSE, LEVEL)]
        if poses and operator.state in POSABLE:
            self._pose(poses, now)
        self.obstacle = operator.tick(TeleopCommand(walk=self._queue.held(now) if active else None))

    def _follow(self, pose_elsewhere: str, now: float) -> None:
        """The sliders follow every pose that is asked for, by any node."""
        if now - self._asked_at > OWN_POSE_HOLDS:
            numbers = pose_elsewhere.split()
            self.asked = list(map(float, numbers)) if len(numbers) == len(AXES) else None

    def _pose(self, wanted: Sequence[PageCommand], now: float) -> None:
        axes = self.asked or list(self._standing)
        for asked in wanted:
            if asked.kind == LEVEL:
                axes = list(self._standing)
            else:
                axes[AXES.index(asked.axis)] = asked.value
        self.asked, self._asked_at = axes, now
        self._operator.pose(Pose.from_rpy(*axes))

    @property
    def shown_pose(self) -> dict[str, float] | None:
        """The pose that is asked for by its axes, while the body can be posed."""
        return dict(zip(AXES, self.asked)) if self.asked and self._operator.state in POSABLE else None

    def halt(self) -> None:
        """Drop what waits, and say that no velocity is wanted."""
        self._queue.drop()
        self._operator.halt()
