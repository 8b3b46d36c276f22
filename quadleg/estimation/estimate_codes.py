"""Codes of the estimate: its state, its sources and its troubles.

Their sentences are in safety/motion_sentences.py. A code, once released, keeps its value.
"""

from __future__ import annotations

from enum import Enum


class EstimateState(str, Enum):
    """The state of state_estimator."""

    WAITS = "waits"
    RESTS = "rests"
    FOLLOWS = "follows"


class EstimateCode(str, Enum):
    """Reasons for the state, and troubles; those of one foot are in FootCode."""

    RESTS = "estimate_rests"
    FOLLOWS = "estimate_follows"
    FOLLOWS_WITHOUT_IMU = "estimate_follows_without_imu"
    ANGLES_UNTOLD = "angles_untold"
    NO_JOINT_STATES = "no_joint_states"
    PLAN_REFUSED = "plan_refused"
    IMU_INCOMPLETE = "imu_incomplete"
    IMU_FROZEN = "imu_frozen"
    IMU_SLOW = "imu_slow"
    NO_IMU = "no_imu"
    CARRIED = "carried"
    TIME_JUMPED = "time_jumped"
    TIME_WENT_BACK = "time_went_back"
    ESTIMATE_LOST = "estimate_lost"


class FootCode(str, Enum):
    """Troubles of the foot of one leg: not all of its joint angles are known, or it slips."""

    FRONT_LEFT_UNKNOWN = "front_left_unknown"
    FRONT_RIGHT_UNKNOWN = "front_right_unknown"
    REAR_LEFT_UNKNOWN = "rear_left_unknown"
    REAR_RIGHT_UNKNOWN = "rear_right_unknown"
    FRONT_LEFT_SLIPS = "front_left_slips"
    FRONT_RIGHT_SLIPS = "front_right_slips"
    REAR_LEFT_SLIPS = "rear_left_slips"
    REAR_RIGHT_SLIPS = "rear_right_slips"

    @staticmethod
    def unknown(leg: str) -> FootCode:
        """The code of a leg not all of whose joint angles are known."""
        return FootCode(f"{leg}_unknown")

    @staticmethod
    def slips(leg: str) -> FootCode:
        """The code of a leg whose foot slips."""
        return FootCode(f"{leg}_slips")
