"""The file of a new robot: what was told of it, what follows from that, and what is usual."""

from __future__ import annotations

from math import radians
from typing import Any

from quadleg.commissioning.wizard.robot_measures import CLEARANCE_MM, Electrics, Measures, Poses, usual_limits_deg
from quadleg.commissioning.wizard.servo_classes import OWN
from quadleg.gait.derived_gaits import derived_gaits
from quadleg.robot.model import JOINT_NAMES, JOINTS, LOW_SUPPLY_SHARE
from quadleg.robot_file.load import ABDUCTOR_SHARE, LOWER_SHARE, UPPER_SHARE
from quadleg.robot_file.robot_file_template import Figures, robot_file_text
from quadleg.servos.board_kinds import BOARD_KINDS

_HEAD = """\
# A robot file of quadleg, begun by `quadleg new`: what it was told, and what follows from that or is usual.
# Put right what you know better; `quadleg check` says what comes of it.
# Lengths are in mm, angles in degrees, masses in g, pulses in µs.
#
# Directions: x forward, y left, z up. The origin is the centre of the four hip axes, halfway between the front and
# rear ones and between the left and right ones. Angles follow the right-hand rule; with all angles zero every leg
# hangs straight down.

"""
_NOTES = {
    "body.centre_mm": "assumed midway between the legs",
    "leg.link_radius_mm": "assumed; servo horns and screws included",
    "mass": "of the total alone a split is assumed",
    "joint_limits_deg": "these are usual ones, for servos that turn 180 degrees: move each joint by hand and see",
    "servos": "none is calibrated yet: `quadleg calibrate` finds the rest of each and writes it here",
    "board.address": "as such boards are sold",
    "board.frequency_hz": "hobby servos take 50, many digital ones more",
    "board.bus_khz": "what most computers and microcontrollers begin with",
    "stance.standing_height_mm": "chosen so that the knees are well bent",
    "gaits": "each worked out from leg, standing height and servos; a key that you write here counts instead",
}


def robot_file(name: str, measures: Measures, poses: Poses, mass_g: float, electrics: Electrics) -> str:
    """The text of the robot file, with its comments."""
    m, kind = measures, electrics.kind
    board = BOARD_KINDS[electrics.board]
    location = {board.location.key: board.location.read(electrics.location)} if board.location else {}
    figures = {
        "name": name,
        "body": {"length_mm": m.length, "width_mm": m.width, "height_mm": m.height, "centre_mm": [0, 0, m.centre]},
        "hip_axes": {"apart_along_mm": m.along, "apart_across_mm": m.across},
        "leg": {
            "hip_offset_mm": m.offset,
            "upper_leg_mm": m.upper,
            "lower_leg_mm": m.lower,
            "foot_radius_mm": m.foot_radius,
            "link_radius_mm": m.link_radius,
        },
        "knee_points": {"front": m.front_knee, "rear": m.rear_knee},
        "mass": {"total_g": mass_g},
        "joint_limits_deg": {"front": _limits(m.front_knee), "rear": _limits(m.rear_knee)},
        "servo_kinds": {kind.key: {**kind.data_sheet, "turn_deg": 180}},
        "servos": {joint: {"kind": kind.key, "channel": channel} for channel, joint in enumerate(JOINT_NAMES)},
        "board": {
            "kind": electrics.board,
            **location,
            **board.usual_keys,
            "address": 0x40,
            "frequency_hz": 50,
            "clock_mhz": 25,
            "bus_khz": 100,
        },
        "supply": {"voltage_v": electrics.voltage_v, "rated_current_a": electrics.current_a},
        "control": {"rate_hz": board.usual_rate_hz},
        "stance": {
            "standing_height_mm": poses.standing,
            "feet_out_along_mm": poses.out_along,
            "feet_out_across_mm": poses.out_across,
        },
        "resting": {"height_mm": poses.resting},
        "clearance_mm": CLEARANCE_MM,
    }
    return _HEAD + robot_file_text(figures, _examples(m, poses, mass_g, electrics), _notes(m, poses, electrics))


def _limits(knee: str) -> dict[str, list[int]]:
    return {joint: list(limits) for joint, limits in zip(JOINTS, usual_limits_deg(knee))}


def _examples(measures: Measures, poses: Poses, mass_g: float, electrics: Electrics) -> Figures:
    """What a robot of these measures has where its file does not say."""
    body_share = 1 - 4 * (ABDUCTOR_SHARE + UPPER_SHARE + LOWER_SHARE)
    shares = {
        "body_g": body_share,
        "abductor_g": ABDUCTOR_SHARE,
        "upper_leg_g": UPPER_SHARE,
        "lower_leg_g": LOWER_SHARE,
    }
    return {
        "mass": {key: round(share * mass_g) for key, share in shares.items()},
        "supply": {"low_v": float(f"{LOW_SUPPLY_SHARE * electrics.voltage_v:.2g}")},
        "resting": {"feet_out_along_mm": poses.out_along},
        "gaits": _gaits(measures, poses, electrics),
    }


def _gaits(measures: Measures, poses: Poses, electrics: Electrics) -> Figures:
    """The gaits that the robot has without a section of its own."""
    kind = electrics.kind
    speed = radians(60) / kind.seconds_per_60_deg * electrics.voltage_v / kind.at_voltage_v
    gaits: dict[str, Any] = {}
    for gait in derived_gaits(measures.straight / 1000, poses.standing / 1000, speed):
        gaits[gait.name] = {
            "duty_factor": gait.duty_factor,
            "stride_period_s": gait.stride_period,
            "foot_clearance_mm": round(1000 * gait.foot_clearance, 1),
        }
        if gait.margin is not None:
            gaits[gait.name]["margin_mm"] = round(1000 * gait.margin, 1)
    return gaits


def _notes(measures: Measures, poses: Poses, electrics: Electrics) -> dict[str, str]:
    """What is worth a word of this robot, by the dotted names of keys."""
    kind, board = electrics.kind, BOARD_KINDS[electrics.board]
    figures = "torque, speed and stall current as they were given, the rest usual ones"
    if kind.key != OWN:
        figures = "typical figures of a class of servos"
    hangs = poses.resting - measures.belly
    lying = "here just what the belly needs" if hangs <= 1 else f"folded legs hold the belly {hangs:g} mm over it"
    notes = {
        **_NOTES,
        "servo_kinds": f"{figures}; put in those of your data sheet",
        f"servo_kinds.{kind.key}": kind.words,
        "board.kind": board.words,
        "resting.height_mm": lying,
    }
    if board.rate_note:
        notes["control.rate_hz"] = board.rate_note
    if poses.out_along:
        notes["stance.feet_out_along_mm"] = "so, legs fold at rest without touching"
    return notes
