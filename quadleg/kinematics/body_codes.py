"""Codes of the body on its way to base targets, and of feet on their way to foot targets.

Their sentences are in safety/motion_sentences.py. A code, once released, keeps its value.
"""

from __future__ import annotations

from enum import Enum


class BodyMotionState(str, Enum):
    """The state of base_motion, which is also the key `motion` of its diagnostics."""

    WAITING = "waiting"
    MOVING = "moving"
    ARRIVED = "arrived"
    STOPPED = "stopped"


class PoseLimit(str, Enum):
    """What can end the body's way over its feet, for programs."""

    JOINT = "joint_limit"
    GROUND = "ground"
    PARTS = "parts_too_near"


class BodyNotice(str, Enum):
    """What base_motion complains of."""

    BASE_TARGET_REFUSED = "base_target_refused"
    STOPPED_BY_JOINT_LIMIT = "stopped_by_joint_limit"
    STOPPED_BY_GROUND = "stopped_by_ground"
    STOPPED_BY_PARTS = "stopped_by_parts_too_near"

    @staticmethod
    def stopped_by(limit: PoseLimit) -> BodyNotice:
        """The notice of a body that a limit stops."""
        return BodyNotice(f"stopped_by_{limit.value}")


class FootTargetCode(str, Enum):
    """What leg_ik makes of the foot targets of its leg."""

    IN_REACH = "in_reach"
    OUT_OF_REACH = "out_of_reach"
    FOOT_TARGET_REFUSED = "foot_target_refused"
