"""What a person at a gamepad, a keyboard or a page asks of a running robot. Nothing here waits, but `close`."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from math import inf

from quadleg.gait.walk_obstacles import Obstacle
from quadleg.geometry.planar import ZERO_TWIST, Planar
from quadleg.geometry.transforms import Pose
from quadleg.safety.catalogue import Reason
from quadleg.safety.reason_codes import ReasonCode
from quadleg.teleop.body_offsets import BodyOffsets
from quadleg.teleop.gamepad_teleop import TeleopCommand
from quadleg.teleop.stack_link import StackLink
from quadleg.teleop.stack_requests import StackRequests
from quadleg.topic_table import COMMAND_FRESH

PERIOD = 0.05  # s between velocities, and between base targets
HEARD_WITHIN = 0.2  # s that the last word is given to arrive


class PublisherConflicts:
    """Tells the messages of others from our own by their stamps; times are those of a steady clock in s.

    The first that drives goes on; one that hears another drive does not begin.
    """

    def __init__(self) -> None:
        self._ours: deque[int] = deque(maxlen=100)
        self._heard = -inf

    def sent(self, stamp: int) -> None:
        """A message of ours goes out with this stamp (ns)."""
        self._ours.append(stamp)

    def take(self, stamp: int, now: float) -> None:
        if stamp not in self._ours:
            self._heard = now

    def drive(self, now: float) -> bool:
        """Whether another drove just now."""
        return now - self._heard < COMMAND_FRESH


class StackOperator(StackRequests):
    """Velocities and base targets, and the requests. `tick` is to be called once a PERIOD."""

    def __init__(self, link: StackLink, body: BodyOffsets, say: Callable[[str], None], after_fault: str = "") -> None:
        super().__init__(link, say, after_fault)
        self.body = body
        self.velocity = ZERO_TWIST
        self._conflicts = PublisherConflicts()
        self._walks = False
        self._posed: Pose | None = None

    def hear_velocity(self, stamp: int) -> None:
        """Take that there was a message on teleop/cmd_vel, with this stamp in ns."""
        self._conflicts.take(stamp, self._link.steady_time())

    def hear_state(self, state: str, why: str) -> None:
        super().hear_state(state, why)
        if state in ("off", "fault"):
            self.body.forget()

    @property
    def takes_speed(self) -> bool:
        """Whether the robot stands, so that a speed means something; a hold may end while it lasts."""
        return self.state in ("active", "hold")

    @property
    def no_speed_taken(self) -> str:
        """That the robot takes no speed, and why."""
        return str(Reason.of(ReasonCode.NO_SPEED_TAKEN, state=self.state or "not heard"))

    def tick(self, wish: TeleopCommand, stop_held: bool = False) -> str:
        """Do what is wished; why it is not done, or an empty text."""
        self.update(stop_held)
        if self.stopping:
            self.halt()
            self._pose(TeleopCommand())
            return self.said
        return "; ".join(filter(None, (self._walk(wish.walk), self._pose(wish))))

    def emergency_stop(self) -> None:
        super().emergency_stop()
        self.halt()

    def _walk(self, shares: Planar | None) -> str:
        obstacle = ""
        if shares is not None and not self.takes_speed:
            obstacle = self.no_speed_taken
        elif shares is not None and self._conflicts.drive(self._link.steady_time()):
            obstacle = str(Reason.of(ReasonCode.ANOTHER_DRIVES))
        elif shares is not None and self.limits is None:
            obstacle = self._limits_missing
        elif shares is not None and self.limits:
            self._walks = True
            self._send(self.limits.velocity(shares))
            ways = " ".join(way.value for way in self.limits.left_out(shares))
            return str(Reason.of(Obstacle.WAY_IMPOSSIBLE, ways=ways, gait=self.limits.gait)) if ways else ""
        self.halt()
        return obstacle

    def halt(self) -> None:
        """Say once that no velocity is wanted, where one was."""
        if self._walks:
            self._walks = False
            self._send(ZERO_TWIST)

    def close(self) -> None:
        """Halt, and wait a moment until that is heard: the connection ends after it."""
        self.halt()
        self._link.wait_until_heard(HEARD_WITHIN)

    def _send(self, velocity: Planar) -> None:
        self.velocity = velocity
        self._conflicts.sent(self._link.publish_velocity(velocity))

    def pose(self, pose: Pose) -> None:
        """Ask for the body's pose in base_footprint."""
        self._link.publish_pose(pose)

    def _pose(self, wish: TeleopCommand) -> str:
        active = self.state == "active"
        if wish.body and active:
            self._posed = self.body.follow(wish.body, PERIOD)
            self._link.publish_teleop_pose(self._posed)
            return ""
        if self._posed and active:
            # teleop/base_target is forgotten half a second after the last: without this, the body would go back.
            self._link.publish_pose(self._posed)
        self._posed = None
        if wish.body:
            return str(Reason.of(ReasonCode.POSED_ONLY_ACTIVE, state=self.state or "not heard"))
        return ""
