"""The robot's twelve joints on one PWM chip: angles in, one transaction out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil, floor, isfinite

from quadleg.errors import BoardError
from quadleg.hardware.board import always
from quadleg.hardware.pca9685 import COUNTS, PCA9685
from quadleg.robot.model import Angles, Joint, RobotModel

_UNKNOWN = -1


@dataclass(frozen=True, slots=True)
class _Line:
    """A joint's line from rad to counts, worked out once: a frame then costs a multiplication a joint."""

    joint: str
    channel: int
    zero: float
    per_radian: float
    low: int
    high: int

    @classmethod
    def of(cls, joint: Joint, period: float) -> _Line:
        servo = joint.servo
        scale = COUNTS / period
        # The stops are rounded inwards: not even half a count goes beyond one.
        return cls(
            joint=joint.name,
            channel=servo.channel,
            zero=servo.pulse_at_zero * scale,
            per_radian=servo.pulse_per_radian * scale,
            low=ceil(servo.stops[0] * scale),
            high=floor(servo.stops[1] * scale),
        )

    def counts(self, angle: float) -> int:
        wanted = self.zero + self.per_radian * angle
        if self.low < wanted < self.high:
            return round(wanted)
        if not isfinite(wanted):
            raise BoardError(f"{self.joint} cannot be set to {angle}", "a finite angle in rad would be right")
        return self.low if wanted <= self.low else self.high

    def angle(self, counts: int) -> float:
        return (counts - self.zero) / self.per_radian


class ServoBank:
    """Twelve servos on one chip. Angles are in rad, in the order of `JOINT_NAMES`.

    An angle beyond a servo's stops is set to the stop. Limits of joints are the watchdog's business.
    """

    def __init__(self, robot: RobotModel, chip: PCA9685) -> None:
        self._chip = chip
        self._lines = [_Line.of(joint, chip.period) for joint in robot.joints]
        self._held: dict[int, int | None] = {}  # what the chip has by channel, as far as it is known

    def write(self, angles: Angles, powered: Sequence[bool], valid: Callable[[], bool] = always) -> int:
        """Set the powered joints to their angles and make the others limp, all in one transaction.

        Nothing is sent where `valid` says no in the moment before. Only what has changed is sent; the number of
        channels that were. The angle of a joint without power is not looked at. Raises BoardError, and writes nothing,
        for an angle that is not finite; raises BoardError if the board did not take the bytes.
        """
        wanted = {
            line.channel: line.counts(angle) if on else None
            for line, angle, on in zip(self._lines, angles, powered, strict=True)
        }
        held, self._held = self._held, {}  # unknown if this fails, or if `cut` comes between
        changed = {channel: counts for channel, counts in wanted.items() if held.get(channel, _UNKNOWN) != counts}
        self._chip.write(changed, valid)
        if valid():
            self._held = wanted
        return len(changed)

    @property
    def runs(self) -> int:
        """How many runs of neighbouring channels the joints are on: messages in the transaction of a whole frame."""
        channels = {line.channel for line in self._lines}
        return sum(channel - 1 not in channels for channel in channels)

    def quantised(self, angles: Angles) -> tuple[float, ...]:
        """The angles that `write` would really put on the wire, in whole counts and within the stops."""
        return tuple(line.angle(line.counts(angle)) for line, angle in zip(self._lines, angles, strict=True))

    def read_back(self) -> tuple[float | None, ...]:
        """The angles that the chip holds, None for a joint without pulses. The chip must be started."""
        held = self._chip.read()
        counts = (held[line.channel] for line in self._lines)
        return tuple(None if count is None else line.angle(count) for line, count in zip(self._lines, counts))

    def all_off(self) -> None:
        """Every joint limp at once."""
        self._held = {}
        self._chip.all_off()

    def cut(self) -> None:
        """Every joint limp, ahead of what is on its way; from any thread."""
        self._chip.cut()

    def restart(self) -> bool:
        """Whether the chip still makes pulses as it was told; if not, it is initialised again, all joints limp."""
        running = self._chip.start()
        if not running:
            self._held = {}
        return running
