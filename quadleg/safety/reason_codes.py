"""Stable codes for programs: why the watchdog and servo_output are in their state, what goes on in it, what is refused.

Their sentences are in catalogue.py. A code, once released, keeps its value.
"""

from __future__ import annotations

from enum import Enum


class ReasonCode(str, Enum):
    """Reasons for a state, notices within one, refusals and answers."""

    # the watchdog's states
    NOT_ENABLED = "not_enabled"
    RESET = "reset"
    AT_REST = "at_rest"
    OUTPUT_SWITCHED_OFF = "output_switched_off"
    OUTPUT_IGNORES = "output_ignores"
    TIPPED = "tipped"
    SWITCHED_OFF = "switched_off"
    ENABLED = "enabled"
    TURNED_BACK = "turned_back"
    FIRST_PULSES = "first_pulses"
    RISING = "rising"
    TARGETS_FOLLOWED = "targets_followed"
    NO_FRAME = "no_frame"
    AT_LIMIT = "at_limit"
    OUTPUT_SILENT = "output_silent"
    OUTPUT_BUSY = "output_busy"
    OVER_CURRENT = "over_current"
    BAD_TARGETS = "bad_targets"
    ASKED_TO_SIT = "asked_to_sit"
    ENDING = "ending"
    HELD_TOO_LONG = "held_too_long"
    SUPPLY_LOW = "supply_low"
    SUPPLY_LOST = "supply_lost"
    SUPPLY_ABSENT = "supply_absent"
    # servo_output's
    NO_COMMAND_YET = "no_command_yet"
    COMMANDS_FOLLOWED = "commands_followed"
    FOUND_RUNNING = "found_running"
    BOARD_FAILS = "board_fails"
    WATCHDOG_SILENT = "watchdog_silent"
    SILENCE_LASTS = "silence_lasts"
    FIRST_PULSE_FAR = "first_pulse_far"
    EMERGENCY_STOP = "emergency_stop"
    BOARD_POWER_LOST = "board_power_lost"
    OUTPUT_ENDING = "output_ending"
    STOPPED_BY_KEY = "stopped_by_key"
    DEFECT = "defect"
    TOLD_IN_WORDS = "told_in_words"  # by a version without codes
    # notices within a state
    FRAME_INCOMPLETE = "frame_incomplete"
    SLOWED = "slowed"
    SLOWED_FOR_CURRENT = "slowed_for_current"
    JOINT_LIMIT = "joint_limit"
    PARTS_TOO_NEAR = "parts_too_near"
    INTO_GROUND = "into_ground"
    TARGET_REFUSED = "target_refused"
    NEAR_TORQUE_LIMIT = "near_torque_limit"
    OUTPUT_BY_ITSELF = "output_by_itself"
    OUTPUT_POWERED = "output_powered"
    # complaints of servo_output
    BOARD_SLOW = "board_slow"
    COMMAND_REFUSED = "command_refused"
    SENSOR_TROUBLE = "sensor_trouble"
    # answers to `enable` and `reset`
    REFUSED = "refused"
    IN_FAULT = "in_fault"
    OUTPUT_NOT_HEARD = "output_not_heard"
    OUTPUT_NOT_READY = "output_not_ready"
    ANOTHER_WATCHDOG = "another_watchdog"
    ANOTHER_ROBOT = "another_robot"
    JUST_STARTED = "just_started"
    COOLING = "cooling"
    ALREADY = "already"
    RISES = "rises"
    GOES_ON = "goes_on"
    HOLDS_ON = "holds_on"
    LOWERS = "lowers"
    NO_FAULT = "no_fault"
    FAULT_LEFT = "fault_left"
    # refusals of what a person at a gamepad, a keyboard or a page asks for
    NO_SPEED_TAKEN = "no_speed_taken"
    ANOTHER_DRIVES = "another_drives"
    POSED_ONLY_ACTIVE = "posed_only_active"
    STAND_FIRST = "stand_first"
    LEGS_NOT_CONFIRMED = "legs_not_confirmed"


class FollowingCode(str, Enum):
    """Why the body does not follow."""

    FOLLOWS = "follows"
    TORQUE_LIMIT = "torque_limit"
    JOINT_LIMP = "joint_limp"
    JOINT_STUCK = "joint_stuck"
    LEG_CAUGHT = "leg_caught"
    SLIPPING = "slipping"
    TILTING = "tilting"
    SINKING = "sinking"
    OVERLOADED = "overloaded"
    SUPPLY_WEAK = "supply_weak"
    WEAK_OR_LIMP = "weak_or_limp"


class HeatLevel(str, Enum):
    """How hot the hottest servo is: `warm` is said, `hot` asks for rest, `too_hot` is a stop of category 1."""

    COOL = "cool"
    WARM = "warm"
    HOT = "hot"
    TOO_HOT = "too_hot"


class IdleCode(str, Enum):
    """Whether the robot lowers itself because no command comes."""

    NOT_IDLE = "not_idle"
    LOWERS_SOON = "lowers_soon"  # in less than SAID_BEFORE
    LOWERED = "lowered"  # until it is asked for something
