"""Codes of a walk: its motion, what keeps the robot from walking as asked, and refusals.

Their sentences are in safety/motion_sentences.py. A code, once released, keeps its value.
"""

from __future__ import annotations

from enum import Enum


class WalkMotion(str, Enum):
    """What the walk does. All but CHANGES_GAIT are also the key `motion` of gait's diagnostics and its state."""

    STANDS = "stands"
    STOPS = "stops"
    WALKS = "walks"
    CHANGES_GAIT = "changes_gait"  # it stops first


class Obstacle(Enum):
    """What keeps the robot from walking as asked; the first that applies is `obstacle` in gait's diagnostics."""

    NONE = "none"
    PAUSED = "paused"  # by gait's parameter
    NOT_ACTIVE = "not_active"  # the watchdog leads the joints
    VELOCITY_REFUSED = "velocity_refused"  # not finite, or in another frame
    UNHEARD_TYPE = "unheard_type"  # cmd_vel is published with a type that gait does not subscribe to
    SEVERAL_PUBLISHERS = "several_publishers"  # of the topic whose velocity counts
    CANNOT_WALK = "cannot_walk"  # in this gait, at any velocity
    LEANS = "leans"  # the body leans so far that the robot would nearly tip over
    WAY_IMPOSSIBLE = "way_impossible"  # the limit is zero in one direction asked for; the others are walked
    TOO_FAST = "too_fast"  # scaled to what the gait can do


class GaitRefusal(Enum):
    """Why a gait is not chosen, beside CANNOT_WALK."""

    UNKNOWN_GAIT = "unknown_gait"


class StrideTrouble(Enum):
    """Why a robot cannot walk in a gait at all: the cause of CANNOT_WALK."""

    NO_LIFT = "stride_no_lift"  # reach or speed: the legs cannot lift a foot and bring it back in time
    NO_BALANCE = "stride_no_balance"
    NO_TORQUE = "stride_no_torque"
    NO_CLEARANCE = "stride_no_clearance"
    TOUCHES_GROUND = "stride_touches_ground"
