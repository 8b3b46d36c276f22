"""What a person at a gamepad, a keyboard or a page asks of a running robot. Nothing here waits, but `close`."""

from __future__ import annotations

from collections.abc import Callable

from quadleg.gait.velocity_selection import cannot_in_words
from quadleg.geometry.planar import ZERO_TWIST, Planar
from quadleg.geometry.transforms import Pose
from quadleg.teleop.body_offsets import BodyOffsets
from quadleg.teleop.gamepad_teleop import TeleopCommand
from quadleg.teleop.publisher_conflicts import PublisherConflicts
from quadleg.teleop.stack_link import StackLink
from quadleg.teleop.stack_requests import StackRequests

PERIOD = 0.05  # s between velocities, and between base targets
HEARD_WITHIN = 0.2  # s that the last word is given to arrive


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
            obstacle = f"no speed is taken: the robot does not stand, its state is {self.state or 'not heard'}"
        elif shares is not None and self._conflicts.drive(self._link.steady_time()):
            obstacle = "somebody else drives on teleop/cmd_vel: end that first"
        elif shares is not None and self.limits is None:
            obstacle = self._limits_missing
        elif shares is not None and self.limits:
            self._walks = True
            self._send(self.limits.velocity(shares))
            return cannot_in_words(self.limits.left_out(shares), self.limits.gait)
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
            return f"the body is posed only while the robot is active; its state is {self.state or 'not heard'}"
        return ""
