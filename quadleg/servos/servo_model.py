"""How a hobby servo follows its pulses."""

from __future__ import annotations

from math import copysign

from quadleg.robot.model import Servo
from quadleg.servos.pulse_conversion import angle_from_pulse


class ServoModel:
    """An unloaded servo, seen as the angle of its joint in rad.

    It turns at `speed` (rad/s) until the angle its pulse asks for is within the deadband, and stays there.
    Without a pulse it is limp and keeps its angle. A pulse outside the kind's range or the stops is taken
    as the nearest inside: some servos would ignore it, but then a wrong pulse would go unseen in simulation.
    """

    def __init__(self, servo: Servo, speed: float) -> None:
        self._servo = servo
        self._speed = speed
        self._deadband = servo.kind.deadband / abs(servo.pulse_per_radian)
        self._shortest = max(servo.kind.pulse_range[0], servo.stops[0])
        self._longest = min(servo.kind.pulse_range[1], servo.stops[1])

    def advance(self, angle: float, pulse: float | None, duration: float) -> float:
        """The angle after `duration` s of one pulse (s, or None), from `angle`.

        In closed form: any interval in one step gives what its parts would.
        """
        if pulse is None:
            return angle
        pulse = min(max(pulse, self._shortest), self._longest)
        error = angle_from_pulse(self._servo, pulse) - angle
        distance = min(abs(error) - self._deadband, self._speed * duration)
        return angle + copysign(distance, error) if distance > 0 else angle
