"""How long a frame of twelve joints takes on its way to the chip, and whether the servos are fast enough for a gait."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from quadleg.commissioning.feasibility.stride_effort import GaitUse
from quadleg.commissioning.feasibility.torque_needs import torque_cure
from quadleg.commissioning.feasibility.verdict import FAILS, GOOD, TIGHT, Need, Verdict
from quadleg.gait.stride_feasibility import StrideObstacle
from quadleg.geometry.planar import Planar
from quadleg.hardware.bus_timing import frame_messages
from quadleg.robot.model import RobotModel
from quadleg.servos.board_kinds import board_kind

ROOM = 0.5  # of the period that a frame may take with something to spare (our own choice)
# m/s and rad/s: a robot that goes no faster to some side hardly walks there (our own choice)
SLOW, SLOW_TURN = 0.02, 0.1


@dataclass(frozen=True)
class Bus:
    """A whole frame: `size` in bytes that the computer sends, `seconds` until the chip has them, on which `link`, in
    how many `messages`; `rate` is that of the robot file in Hz.
    """

    link: str
    messages: int
    size: int
    seconds: float
    rate: float
    gaits: tuple[GaitUse, ...]

    @classmethod
    def of(cls, robot: RobotModel, gaits: Sequence[GaitUse]) -> Bus:
        """With all twelve joints changing; the times of the simulated board are those of one on I2C."""
        messages, timing = frame_messages(robot), board_kind(robot.board.kind).timing(robot.board)
        frame = timing.frame(messages)
        return cls(timing.link, len(messages), frame.size, frame.seconds, robot.control_rate, tuple(gaits))

    @property
    def most(self) -> float:
        """The largest frame rate in Hz."""
        return 1 / self.seconds

    def verdicts(self, torque: tuple[Need, ...] = (), walks_not: Collection[str] = ()) -> list[Verdict]:
        """Of the frame, then of the servos' speed in each gait; `torque` is what to buy where torque lacks, `walks_not`
        names the gaits in which something else than the limits of speed keeps the robot from walking.
        """
        gaits = [(use, use.fastest) for use in self.gaits if use.fastest]
        speeds = (_of_speed(use, fastest, torque, use.gait.name not in walks_not) for use, fastest in gaits)
        return [self._of_frame(), *speeds]

    def _of_frame(self) -> Verdict:
        why = (
            f"a frame is {self.size} bytes and takes {1000 * self.seconds:.2f} ms on {self.link}: "
            f"{self.most:.0f} a second, {self.rate:g} are asked for"
        )
        faster = "a faster bus or port, joints on neighbouring channels"
        if self.rate > self.most:
            # servo_output then leaves out what is older: a robot stands and walks, less smoothly.
            word = FAILS if self.rate > 2 * self.most else TIGHT
            return Verdict("bus", word, why, f"control.rate_hz of {int(self.most)} at most, or {faster}")
        if self.seconds * self.rate > ROOM:
            return Verdict("bus", TIGHT, why, f"a lower control.rate_hz, or {faster}")
        return Verdict("bus", GOOD, why)


def _of_speed(use: GaitUse, fastest: Planar, torque: tuple[Need, ...], walks: bool) -> Verdict:
    about = f"speed, {use.gait.name}"
    if use.obstacle:
        if torque and use.obstacle is StrideObstacle.TORQUE:
            return Verdict(about, FAILS, use.why, torque_cure(torque), torque)
        return Verdict(about, FAILS, use.why, use.cure, use.needs)
    x, y, turn = fastest
    why = (
        f"at most {x:.2f} m/s ahead, {y:.2f} sideways, {turn:.1f} rad/s turning; the joints then turn at "
        f"{100 * use.use:.0f} % of their speed without load"
    )
    if not walks:
        return Verdict(about, TIGHT, f"{why}; by these limits alone, since it does not walk in this gait")
    slow = [name for name, value, least in zip(use.beyond, fastest, (SLOW, SLOW, SLOW_TURN)) if value < least]
    if not slow:
        return Verdict(about, GOOD, why)
    cures = {
        StrideObstacle.REACH: "a lower stance.standing_height_mm lets the feet reach further",
        StrideObstacle.SPEED: "faster servos",
        StrideObstacle.BALANCE: "put the masses nearer to its middle, or raise stance.feet_out_across_mm",
        StrideObstacle.TORQUE: torque_cure(torque) or "stronger servos, less mass, or stand higher",
    }
    needs = torque if StrideObstacle.TORQUE in slow else ()
    found = dict.fromkeys(cures[obstacle] for obstacle in slow if obstacle in cures)
    return Verdict(about, TIGHT, why, "; and ".join(found), needs)
