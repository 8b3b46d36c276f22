"""Codes for what keeps a robot from walking as it is asked to."""

from __future__ import annotations

from enum import Enum


class Obstacle(Enum):
    """The first of these that is so; the value is the key `obstacle` of gait's diagnostics."""

    NONE = "none"
    PAUSED = "paused"  # by gait's parameter
    NOT_ACTIVE = "not_active"  # the watchdog leads the joints
    VELOCITY_REFUSED = "velocity_refused"  # not finite, or in another frame
    UNHEARD_TYPE = "unheard_type"  # cmd_vel is published as a type that is not heard
    SEVERAL_PUBLISHERS = "several_publishers"  # of the topic whose velocity counts
    CANNOT_WALK = "cannot_walk"  # in this gait, at any velocity
    LEANS = "leans"  # the body leans so far that the robot would nearly tip over
    WAY_IMPOSSIBLE = "way_impossible"  # in one of the ways asked for the limit is zero; the others are walked
    TOO_FAST = "too_fast"  # scaled to what the gait can do
