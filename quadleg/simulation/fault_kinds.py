"""The kinds of failures that can be put into physics, for programs that list them without running any."""

from __future__ import annotations

from enum import Enum


class FaultKind(str, Enum):
    """What can be made to fail."""

    WEAK_SERVOS = "weak_servos"
    STRIPPED_HORN = "stripped_horn"
    LIMP_SERVO = "limp_servo"
    STUCK_SERVO = "stuck_servo"
    PAYLOAD_DOUBLED = "payload_doubled"
    LEG_CAUGHT = "leg_caught"
    SLIPPERY_FLOOR = "slippery_floor"
    WEAK_SUPPLY = "weak_supply"
